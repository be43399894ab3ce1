"""Track record: did the quotes come true? Intervals, chances, time and price against what the bench read.

The same judgement scores quotes that were told and those that a back-test makes of the history. One sentence
on top; every share has an interval that allows for families (`fleet.statistics.forecast_scores`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.numerals import percent, percent_span
from fleet.quotes.baselines import RIVALS
from fleet.quotes.outcomes import FORECAST, READINGS, ForecastPairs
from fleet.statistics.forecast_scores import (
    AS_TOLD,
    FEW_QUOTES,
    TOO_FEW,
    Chances,
    Paired,
    PitHistogram,
    calibration,
    compare_scores,
    coverage,
    pit_histogram,
)
from fleet.statistics.quantile_forecasts import LEVELS, central_interval, crps, pit
from fleet.words import quantity, shorts

Floats = NDArray[np.float64]
SHARES: Final = (0.5, 0.8, 0.9)
TOGETHER: Final = "readings together"
OURS: Final = "house model"
CHANCES: Final = {
    "both": ("one tilt meets both", "p_both_met", "both_met"),
    "wedge": ("a wedge made to measure", "p_made_wedge", "wedge_made"),
}
SHORT: Final = shorts(FORECAST)
_HELD = ("quantity", "promised", "n", "held", "low", "high", "verdict")
_GROUPS = ("group", "n", "held", "low", "high", "verdict", "sag_crps", "rake_crps", "tracking_crps")
_SCORES = ("quantity", "forecaster", "n", "score", "ratio", "difference", "standard_error", "better")


@dataclass(frozen=True)
class Record:
    """How forecasts did.

    Attributes
    ----------
    sentence : the answer
    n : forecasts answered
    coverage : a row a quantity and promised share: n, held, low, high (95 %), verdict
    groups : a row a group: 90 % intervals of sag, rake and tracking angle together, mean CRPS of each
    pit : by quantity
    scores : a row a quantity and forecaster: mean CRPS (chances: Brier score), ratio to the house model's,
        paired difference house model less rival with its standard error, which is better
    chances : by `CHANCES`
    money : time and price in words, one line each
    cautions : what to mind, one line each
    """

    sentence: str
    n: int
    coverage: pd.DataFrame
    groups: pd.DataFrame
    pit: dict[str, PitHistogram]
    scores: pd.DataFrame
    chances: dict[str, Chances]
    money: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def fell(self) -> str:
        """Where readings fell in their forecasts, in one sentence."""
        parts = [
            f"{quantity(q).short} {h.shape} (p = {h.p_value:.2g})"
            for q, h in self.pit.items()
            if h.counts.sum() > 1
        ]
        return f"Where readings fell in their forecasts (PIT): {', '.join(parts)}." if parts else ""

    def table(self) -> pd.DataFrame:
        """Every figure as one table: part, what, group, n, value, low, high, promised, said."""
        parts = [
            _part(self.coverage, "interval", "quantity", value="held", said="verdict"),
            _part(self.groups, "interval by group", None, group="group", value="held", said="verdict"),
            _part(self.scores, "score", "quantity", group="forecaster", value="score", said="better"),
            *(
                _part(c.table, "chance", None, value="rate", promised="chance").assign(what=CHANCES[k][0])
                for k, c in self.chances.items()
            ),
            *(_pit_part(q, histogram) for q, histogram in self.pit.items()),
        ]
        return pd.concat([p for p in parts if len(p)], ignore_index=True) if parts else pd.DataFrame()


def record(
    answers: ForecastPairs, *, by: list[str] | None = None, per: str | None = None, called: str = "quotes"
) -> Record:
    """Score forecasts that were answered.

    Parameters
    ----------
    answers : forecasts beside readings
    by : columns of `Answered.about`, or `kind`; if None, how quotes stood to the model's families
    per : also by `year`, `quarter` or `month` of the measurement
    called : what the sentence calls them

    Raises
    ------
    FleetError
        If a grouping column or period is unknown.
    """
    groups = _groups(answers, ["standing"] if by is None else by, per)
    held = {share: np.column_stack([_held(answers, q, share) for q in READINGS]) for share in SHARES}
    coverage_table = _coverage(answers, held)
    return Record(
        sentence=_sentence(answers, coverage_table, groups, called),
        n=len(answers),
        coverage=coverage_table,
        groups=groups,
        pit={
            q: pit_histogram(pit(answers.quantiles[q], answers.read[q]), answers.families)
            for q in (*READINGS, "bench_minutes")
        },
        scores=_scores(answers),
        chances={
            key: calibration(
                answers.chances[told].to_numpy(dtype=float),
                answers.chances[came].to_numpy(dtype=float),
                answers.families,
            )
            for key, (_, told, came) in CHANCES.items()
        },
        money=_money(answers),
        cautions=_cautions(answers),
    )


def scored_quotes(answers: ForecastPairs) -> pd.DataFrame:
    """One row a forecast: which, what was told and read of each quantity, PIT and CRPS."""
    out = answers.about[["enquiry_id", "sheet_no", "measured_on", "model_id", "standing"]].copy()
    for q in FORECAST:
        low, high = central_interval(answers.quantiles[q], 0.9)
        out[f"{q}_q05"], out[f"{q}_q50"] = low, answers.quantiles[q][:, LEVELS.index(0.5)]
        out[f"{q}_q95"], out[f"{q}_read"] = high, answers.read[q]
        out[f"{q}_pit"] = pit(answers.quantiles[q], answers.read[q])
        out[f"{q}_crps"] = crps(answers.quantiles[q], answers.read[q])
    return pd.concat([out, answers.chances], axis=1)


def _held(answers: ForecastPairs, quantity: str, share: float) -> Floats:
    low, high = central_interval(answers.quantiles[quantity], share)
    read = answers.read[quantity]
    told = ~np.isnan(read) & ~np.isnan(low)
    return np.where(told, (read >= low) & (read <= high), np.nan)


def _coverage(answers: ForecastPairs, together: dict[float, Floats]) -> pd.DataFrame:
    rows = []
    for q, name in {TOGETHER: TOGETHER, **SHORT}.items():
        for share in SHARES:
            held = together[share] if q == TOGETHER else _held(answers, q, share)
            c = coverage(held, answers.families, share)
            if c.n:
                rows.append((name, share, c.n, c.rate, c.low, c.high, c.verdict))
    return pd.DataFrame(rows, columns=list(_HELD))


def _groups(answers: ForecastPairs, by: list[str], per: str | None) -> pd.DataFrame:
    labels = answers.groups(by, per)
    names = sorted(set(labels))
    held = np.column_stack([_held(answers, q, 0.9) for q in READINGS])
    scores = [crps(answers.quantiles[q], answers.read[q]) for q in READINGS]
    rows = []
    for name in names:
        mine = labels == name
        c = coverage(held[mine], answers.families[mine], 0.9, tests=len(names))
        means = [float(np.nanmean(x[mine])) if (~np.isnan(x[mine])).any() else np.nan for x in scores]
        rows.append((name, c.n, c.rate, c.low, c.high, c.verdict, *means))
    return pd.DataFrame(rows, columns=list(_GROUPS))


def _scores(answers: ForecastPairs) -> pd.DataFrame:
    """Mean scores, ours and the rivals', on the same forecasts: those that all of them answered."""
    rows = []
    own = {q: crps(answers.quantiles[q], answers.read[q]) for q in (*READINGS, "bench_minutes")}
    for _, told, came in CHANCES.values():
        own[came] = ((answers.chances[told] - answers.chances[came]) ** 2).to_numpy(dtype=float)
    words = {**SHORT, **{came: name for name, _, came in CHANCES.values()}}
    for what, ours in own.items():
        rivals = {r: answers.rivals[r][what] for r in RIVALS if r in answers.rivals}
        rivals = {r: x for r, x in rivals.items() if (~np.isnan(x)).any()}
        shared = ~np.isnan(ours)
        for x in rivals.values():
            shared &= ~np.isnan(x)
        if not shared.any():
            continue
        mean = float(ours[shared].mean())
        rows.append((words[what], OURS, int(shared.sum()), mean, 1.0, np.nan, np.nan, ""))
        for name, x in rivals.items():
            gap = compare_scores(ours[shared], x[shared], answers.families[shared])
            score = float(x[shared].mean())
            rows.append(
                (
                    words[what], name, gap.n, score, score / mean if mean > 0.0 else np.nan,
                    gap.difference, gap.standard_error, _better(gap, name),
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=list(_SCORES))


def _better(gap: Paired, rival: str) -> str:
    return {"first": OURS, "second": rival, "even": "can't tell apart"}[gap.verdict]


def _sentence(answers: ForecastPairs, held: pd.DataFrame, groups: pd.DataFrame, called: str) -> str:
    if not len(answers):
        return f"None of the {called} has been answered by a sheet yet."
    row = held[(held["quantity"] == TOGETHER) & (held["promised"] == 0.9)]
    if row.empty or row["n"].iloc[0] < FEW_QUOTES:
        return f"Only {len(answers)} {called} have been answered by a sheet yet: too few to tell."
    top = row.iloc[0]
    said = (
        f"Of {top['n']} {called}, the 90 % intervals of sag, rake and tracking angle held "
        f"{percent(top['held'])} ({percent_span(top['low'], top['high'])}): {top['verdict']}"
    )
    off = groups[~groups["verdict"].isin([AS_TOLD, TOO_FEW])]
    parts = [
        f"{g['group']}: {percent(g['held'])} of {g['n']}, {g['verdict']}" for g in off.to_dict("records")
    ]
    if len(groups) < 2 or not parts:
        return f"{said}; no group stands out." if len(groups) > 1 else f"{said}."
    more = f"; and {len(parts) - 3} more groups" if len(parts) > 3 else ""
    return f"{said}; {'; '.join(parts[:3])}{more}."


def _money(answers: ForecastPairs) -> tuple[str, ...]:
    lines = []
    time = answers.quantiles["bench_minutes"][:, LEVELS.index(0.5)]
    taken = answers.read["bench_minutes"]
    both = ~np.isnan(time) & ~np.isnan(taken)
    if both.sum() >= 2:
        gap = compare_scores(taken, time, answers.families)
        middles = (
            f"{np.median(time[both]):.0f} min promised in the middle, {np.median(taken[both]):.0f} taken"
        )
        lines.append(
            f"Bench time: {middles}; taken less promised {gap.difference:+.1f} ± "
            f"{2 * gap.standard_error:.1f} min on average ({both.sum()} quotes)."
        )
    c = answers.chances
    priced = c[["price_low", "price_high", "price_quoted", "price_taken"]].notna().all(axis=1).to_numpy()
    if priced.sum() >= 2:
        p = c[priced]
        inside = ((p["price_taken"] >= p["price_low"]) & (p["price_taken"] <= p["price_high"])).to_numpy()
        seen = coverage(inside.astype(float), answers.families[priced], 0.8)
        gap = compare_scores(c["price_taken"].to_numpy(), c["price_quoted"].to_numpy(), answers.families)
        lines.append(
            f"Price: the time taken and the wedge made would cost {gap.difference:+.1f} ± "
            f"{2 * gap.standard_error:.1f} against the price quoted; {percent(seen.rate)} lay between "
            f"the low and the high price ({percent_span(seen.low, seen.high)}, {seen.n} quotes)."
        )
    return tuple(lines)


def _cautions(answers: ForecastPairs) -> tuple[str, ...]:
    lines = [
        "Quotes of one family err together: every interval here allows for that, but not for what "
        "families of one source share."
    ]
    corrected = (answers.about["stretch"] != "{}").sum() if len(answers) else 0
    if corrected:
        lines.append(f"{corrected} of these were told with intervals corrected by an earlier record.")
    return tuple(lines)


def _part(
    frame: pd.DataFrame,
    part: str,
    what: str | None,
    *,
    group: str | None = None,
    value: str,
    promised: str = "promised",
    said: str | None = None,
) -> pd.DataFrame:
    def own(name: str | None) -> object:
        return frame[name] if name is not None and name in frame else None

    return pd.DataFrame(
        {
            "part": part,
            "what": own(what),
            "group": own(group),
            "n": own("n"),
            "value": own(value),
            "low": own("low"),
            "high": own("high"),
            "promised": own(promised),
            "said": own(said),
        },
        index=frame.index,
    )


def _pit_part(quantity: str, histogram: PitHistogram) -> pd.DataFrame:
    n = int(histogram.counts.sum())
    bins = len(histogram.counts)
    return pd.DataFrame(
        {
            "part": "PIT",
            "what": SHORT[quantity],
            "group": [f"{i / bins:.1f} to {(i + 1) / bins:.1f}" for i in range(bins)],
            "n": n,
            "value": histogram.counts,
            "low": histogram.low,
            "high": histogram.high,
            "promised": n / bins,
            "said": f"{histogram.shape} (p = {histogram.p_value:.2g})",
        }
    )

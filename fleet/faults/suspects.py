"""Suspects: units that are not normal for their kind, each with the likeliest cause and a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.estimation.noise_periods import NoisePeriods, learn_periods
from fleet.estimation.tails import MOST_ROWS, spread_out
from fleet.faults.consequences import meanings
from fleet.faults.likelihood_ratio import BLOCK, FaultPrior, Scores, rank_blocks, reading_p_values
from fleet.faults.promise import NEAR, Promise, odd_group, promise
from fleet.faults.sentences import JUDGED_COLUMNS, explain, plain, sound
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import FACTOR_COLUMNS, JUDGED, NUMBERS, RAKE, READINGS, labels_of
from fleet.house_model.family_facts import Kinds
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import Brief, Residuals, briefly
from fleet.numerals import count
from fleet.policy.policy import Policy
from fleet.results import Result
from fleet.words import quantity

Floats = NDArray[np.float64]
HEALTHY: Final = "healthy"
DISAGREE_SIGMAS: Final = 4.0
MOST_TOLD: Final = 20_000
"""Units whose single readings are looked at for the group that scatters too widely."""
AGAIN: Final = " measure it again."
USED: Final = frozenset(
    {"sheet_no", "unit", "newest", "measured_on", "intake_id", "marks", *FACTOR_COLUMNS.values(), *NUMBERS}
) - {"tilt_applied_deg", "bench_minutes"}
"""Columns of a sheet that judging looks at; the others are left behind."""


@dataclass(frozen=True, repr=False)
class Suspects(Result):
    """The judged sheets and what the list says as a whole.

    Attributes
    ----------
    table : a row a sheet, `JUDGED_COLUMNS`, flagged units first, then by score (all, or those of flagged
        units)
    sentence : how many units were judged and flagged, at which rate of false alarms
    fdr : the rate asked for
    tail : 1/(degrees of freedom) of sound units' scatter, mean of the readings, as the middle of the fleet
        has it (0 = normal)
    promise : what the list can promise of false alarms
    """

    table: pd.DataFrame
    sentence: str
    fdr: float
    tail: float
    promise: Promise

    def to_frame(self) -> pd.DataFrame:
        """Return a row a sheet, flagged units first."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the flagged sheets with what is probably wrong."""
        names = ["sheet_no", "measured_on", "q_value", "leading_fault", "why"]
        return self.sentence, self.table.loc[self.table["flagged"].astype(bool), names]


def suspects(
    house: House,
    sheets: pd.DataFrame,
    *,
    fdr: float = 0.05,
    prior: FaultPrior | None = None,
    policy: Policy | None = None,
    seed: int = 7,
    most: int | None = None,
    block: int = BLOCK,
) -> Suspects:
    """Judge every sheet against the house model without its own unit.

    Parameters
    ----------
    house : House
        The fitted model.
    sheets : DataFrame
        Current sheets, canonical columns, ``unit``, ``newest``; reference sheets are left out.
    fdr : float
        Share of false alarms that the list may hold, 0 to 1.
    prior : FaultPrior, optional
        Shares of faults; the documented ones without it.
    policy : Policy, optional
        The targets that a fault may put out of reach; the documented ones without it.
    seed : int
        Of the simulated null.
    most : int, optional
        Flagged units that are put into words, foremost first; the table then holds the flagged units' sheets
        alone. Without it, it holds every sheet, all in words.
    block : int
        Sheets whose residuals are held at once; changes no figure.

    Returns
    -------
    Suspects
        A unit with several sheets has one p-value: the least of its sheets', times their number. The order
        of the sheets does not matter: the null is simulated in that of their numbers.
    """
    frame = _units(sheets)
    if frame.empty:
        return Suspects(
            pd.DataFrame(columns=list(JUDGED_COLUMNS)), "No sheet to judge.", fdr, 0.0, Promise(fdr, fdr)
        )
    order = _order(frame)
    bulk = np.flatnonzero(frame["newest"].to_numpy(dtype=bool)[order])
    known = _Sheets(house, frame, order, block, bulk)
    asked = 1.0 if most is None else max(fdr, float(np.exp(-NEAR)))
    ranks = rank_blocks(
        house,
        known,
        len(frame),
        bulk=bulk,
        prior=prior,
        seed=seed,
        block=block,
        told=asked,
        briefly=None if known.whole else known.briefly,
    )
    unit = pd.factorize(frame["unit"])[0][order]
    p, q = _by_unit(ranks.p_value, unit)
    listed = q <= fdr
    kept = promise(p, listed, (ranks.p_faulty, ranks.w_faulty), fdr)
    if not kept.kept:
        told = known(spread_out(bulk, MOST_TOLD))
        kept = replace(kept, group=odd_group(*_readings(told, reading_p_values(told, ranks.tails))))
    rows = np.flatnonzero(listed[unit] | (most is None))
    judged = _Judged(frame.iloc[order[rows]], ranks.weigh(rows), unit[rows], listed[unit[rows]])
    table = _table(judged, p[unit[rows]], q[unit[rows]])
    table["list_false_share"] = kept.expected
    foremost = np.lexsort((-table["score"].fillna(-np.inf), ~table["flagged"]))
    worded = _foremost(judged.unit[foremost], most)[np.argsort(foremost)]
    table["why"] = ""
    table.loc[worded, "why"] = _why(known, judged, rows, np.flatnonzero(worded), policy or Policy())
    table = table.iloc[foremost].reset_index(drop=True)[list(JUDGED_COLUMNS)]
    sentence = _sentence(len(p), int(listed.sum()), kept)
    return Suspects(table, sentence, fdr, float(ranks.tails[0].mean()), kept)


@dataclass(frozen=True, eq=False)
class _Judged:
    """Some of the sheets, their scores, a number for each one's unit, and whether that is flagged."""

    frame: pd.DataFrame
    scores: Scores
    unit: NDArray[np.int64]
    flagged: NDArray[np.bool_]

    def take(self, rows: NDArray[np.int64]) -> _Judged:
        """The same of some of these."""
        return _Judged(self.frame.iloc[rows], self.scores.take(rows), self.unit[rows], self.flagged[rows])


def _foremost(unit: NDArray[np.int64], most: int | None) -> NDArray[np.bool_]:
    """Which sheets, foremost first, are of the first so many units; all without a number."""
    first = pd.unique(unit)[:most]
    return np.isin(unit, first)


class _Sheets:
    """Sheets in an order, and their residuals as they are asked for, by the noise of each one's quarter."""

    def __init__(
        self,
        house: House,
        frame: pd.DataFrame,
        order: NDArray[np.int64],
        block: int,
        bulk: NDArray[np.int64],
    ) -> None:
        self.house, self.order, self.block = house, order, block
        self.kinds = Kinds.of(house.facts, labels_of(frame))
        factors = set(FACTOR_COLUMNS.values())
        self.told = frame[[c for c in frame if c not in {"sheet_no", "unit"} | factors]]
        self.whole = self._reckon(np.arange(len(frame))).take() if len(frame) <= block else None
        self.periods: NoisePeriods | None = None
        self.periods = learn_periods(house.noise, self(spread_out(bulk, MOST_ROWS)), house.noise_now)
        self.whole = self.whole and self.periods.apply(self.whole)

    def __call__(self, rows: NDArray[np.int64]) -> Residuals:
        """Residuals of some of the sheets; where they are few, all are kept from the first."""
        if self.whole is not None:
            return self.whole.take(rows)
        resid = self._reckon(rows).take()
        return self.periods.apply(resid) if self.periods else resid

    def briefly(self, rows: NDArray[np.int64]) -> Brief:
        """The same, covariances not written out."""
        resid = self._reckon(rows)
        return self.periods.apply_briefly(resid) if self.periods else resid

    def _reckon(self, rows: NDArray[np.int64]) -> Brief:
        place = self.order[rows]
        part = self.told.iloc[place].reset_index(drop=True)
        taught = part["newest"].to_numpy(dtype=bool)
        return briefly(self.house, part, taught=taught, kinds=self.kinds.take(place))


def _units(sheets: pd.DataFrame) -> pd.DataFrame:
    """The columns that judging looks at, of units only."""
    frame = sheets[[c for c in sheets if c in USED]]
    if "purpose" in sheets:
        own = sheets["purpose"].isna() | (sheets["purpose"] == "unit")
        frame = frame if own.all() else frame[own]
    return frame.reset_index(drop=True)


def _order(frame: pd.DataFrame) -> NDArray[np.int64]:
    """Where the sheets stand, in the order of their numbers."""
    number = frame["sheet_no"]
    if number.iloc[1:].reset_index(drop=True).gt(number.iloc[:-1]).all():
        return np.arange(len(frame))
    order = np.asarray(number.argsort(kind="stable"), dtype=np.int64)
    inside = number.iloc[order]
    if inside.iloc[1:].reset_index(drop=True).eq(inside.iloc[:-1].reset_index(drop=True)).any():
        by = ["sheet_no", "unit"]
        return np.asarray(frame[by].sort_values(by, kind="stable").index, dtype=np.int64)
    return order


def _readings(resid: Residuals, p: Floats) -> tuple[Floats, pd.DataFrame]:
    """P-values of the readings of units' newest sheets, and in words the groups that each belongs to."""
    read = ~np.isnan(p)
    bits, code = np.unique(resid.pattern, return_inverse=True)
    missing = [
        [quantity(n).short for k, n in enumerate(JUDGED) if not b >> k & 1 and n != RAKE]
        for b in bits.tolist()
    ]
    pattern = np.array([f"sheets without {_join(m)}" if m else "sheets with all readings" for m in missing])
    row, link = np.nonzero(read)
    doubt = resid.share * resid.doubt
    whose, names = pd.factorize(resid.observed["family"])
    family = np.array([f"family {name}" for name in names], dtype=object)
    reading = np.array([quantity(n).short for n in JUDGED])
    groups = pd.DataFrame(
        {
            "family": family[whose[row]],
            "pattern": pattern[code][row],
            "reading": reading[link],
            "doubt": doubt[row, link],
        }
    )
    return p[row, link], groups


def _by_unit(p: Floats, unit: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """One p-value a unit (Bonferroni over its sheets) and its Benjamini–Hochberg q-value."""
    sheets = np.bincount(unit)
    least = np.ones(len(sheets))
    np.minimum.at(least, unit, p)
    of_unit = np.minimum(least * sheets, 1.0)
    order = np.argsort(-of_unit, kind="stable")
    n = len(order)
    q = np.empty(n)
    q[order] = np.minimum.accumulate(of_unit[order] * (n / np.arange(n, 0, -1)))
    return of_unit, q


def _table(judged: _Judged, p: Floats, q: Floats) -> pd.DataFrame:
    frame, scores = judged.frame, judged.scores
    table = pd.DataFrame(
        {
            "sheet_no": frame["sheet_no"].astype("str").array,
            "unit": frame["unit"].astype("str").array,
            "measured_on": frame["measured_on"].array,
            "score": scores.score,
            "p_value": p,
            "q_value": q,
            "flagged": judged.flagged,
            "leading_fault": np.array(FAULTS)[scores.faults.argmax(axis=1)],
            "p_healthy": scores.healthy,
        }
    )
    for j, fault in enumerate(FAULTS):
        table[f"p_{fault}"] = scores.faults[:, j]
    return table


def _why(
    sheets: _Sheets, judged: _Judged, number: NDArray[np.int64], rows: NDArray[np.int64], policy: Policy
) -> list[str]:
    """A sentence for some of the judged sheets; the bulk of plainly normal sheets shares a short one.

    The sheets' numbers are those in ``sheets``.
    """
    own = judged.take(rows)
    out: list[str] = plain(own.scores, own.flagged).tolist()
    todo = np.array([i for i, text in enumerate(out) if text is None], dtype=int)
    company = _company(judged, rows[todo])
    for start in range(0, len(todo), sheets.block):
        part = todo[start : start + sheets.block]
        resid = sheets(number[rows[part]])
        beside = [company.get(i, ((), ())) for i in rows[part].tolist()]
        for i, text in zip(
            part.tolist(), _words(sheets.house, own.take(part), resid, beside, policy), strict=True
        ):
            out[i] = text
    for i, readings in find_disagreements(sheets.house, own.frame.reset_index(drop=True)).items():
        again = "" if AGAIN.strip(" .") in out[i] else f": {AGAIN.strip()}"
        out[i] += f" Its sheets disagree in {readings}{again or '.'}"
    return out


def _words(
    house: House, own: _Judged, resid: Residuals, company: Sequence[Beside], policy: Policy
) -> list[str]:
    """A sentence for each of these sheets by itself."""
    scores, frame = own.scores, own.frame
    named = own.flagged | (scores.healthy < 0.5)
    quiet, loud = np.flatnonzero(~named), np.flatnonzero(named)
    out = dict(zip(quiet.tolist(), sound(resid, scores, quiet), strict=True))
    faults = [FAULTS[k] for k in scores.faults[loud].argmax(axis=1)]
    means = meanings(frame, resid, loud, faults, policy, house=house)
    read = frame[[r for r in READINGS if r in frame]].iloc[loud].to_dict("records")
    for i, sheet, meant in zip(loud.tolist(), read, means, strict=True):
        well, suspect = company[i]
        out[i] = explain(
            sheet, resid, scores, i, flagged=bool(own.flagged[i]), means=meant, sound=well, suspect=suspect
        )
    return [out[i] for i in range(len(company))]


Beside = tuple[tuple[str, ...], tuple[str, ...]]


def _company(judged: _Judged, rows: NDArray[np.int64]) -> dict[int, Beside]:
    """For rows of units with several sheets: the others that read sound by themselves, and that don't."""
    scores, unit, wanted = judged.scores, judged.unit, np.unique(judged.unit[rows])
    places: dict[int, list[int]] = {}
    for i in np.flatnonzero(np.isin(unit, wanted)).tolist():
        places.setdefault(int(unit[i]), []).append(i)
    number, read = judged.frame["sheet_no"], ~np.isnan(scores.score)
    out = {}
    for i in rows.tolist():
        others = [j for j in places[int(unit[i])] if j != i and read[j]]
        if others:
            name = {j: str(number.iloc[j]) for j in others}
            sound = tuple(name[j] for j in others if scores.healthy[j] >= 0.5)
            out[i] = sound, tuple(name[j] for j in others if scores.healthy[j] < 0.5)
    return out


def find_disagreements(house: House, frame: pd.DataFrame) -> dict[int, str]:
    """Rows of units whose sheets differ by more than reading noise allows, and in which readings."""
    repeated = frame[frame["unit"].duplicated(keep=False)]
    read = [r for r in READINGS if r in repeated]
    unit = repeated["unit"].astype(str)
    grouped = repeated[read].astype(float).groupby(unit)
    limit = pd.Series({r: DISAGREE_SIGMAS * np.sqrt(2.0) * house.noise[r] for r in read}, dtype=float)
    off = (grouped.max() - grouped.min()) > limit
    off = off[off.any(axis=1)]
    words = {name: _join([quantity(r).short for r in read if row[r]]) for name, row in off.iterrows()}
    mine = unit.map(words).dropna()
    return dict(zip(mine.index.to_numpy(dtype=int).tolist(), mine.astype(str).tolist(), strict=True))


def _join(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _sentence(judged: int, flagged: int, kept: Promise) -> str:
    head = f"{count(judged, 'unit')} judged, {flagged} flagged"
    if not flagged:
        return f"{head}: none differs from its kind by more than chance explains."
    return f"{head}; {kept.sentence}"

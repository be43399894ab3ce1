"""Bench watch: do the bench's readings of its own check pickups stay where they were in a stated baseline?

Every reading is charted as single checks, EWMA and tabular CUSUM about each check pickup's own level, with
the effect of temperature taken out.  Charts alarm at a promised rate (`fleet.bench_trust.watch_limits`); once
one does, a change-point says when, how and by how much (`fleet.statistics.change_point`).  A check pickup
ages too: that it moved is seen, not whether it was the bench or the pickup.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.bench_trust.watch_limits import CHARTS, SMALLEST_BASELINE
from fleet.bench_trust.watch_series import PARTS, SMALLEST_SD, Fit, chart_reading, fit_levels, gross_errors
from fleet.bench_trust.watch_words import bench_lines, reading_sentence
from fleet.bench_trust.watched_reading import ReadingWatch
from fleet.errors import TooFewError
from fleet.house_model.chain import READINGS
from fleet.statistics.change_point import find_change
from fleet.words import quantity

Floats = NDArray[np.float64]
BOTH_RAKES: Final = "rake_both_deg"
"""Static and dynamic rake of one check together, by their precision: what the scale does, it does to both."""
OVERALL_CHECKS: Final = 260.0
"""Checks to a false alarm of all readings and charts together: five years of weekly checks."""
LONGEST_BASELINE: Final = 104
RECENT_CHECKS: Final = 4
_ODD_LAG: Final = 2.6
_ODD_BASELINE: Final = 0.01


@dataclass(frozen=True)
class Watch:
    """All benches' readings, charted.

    Attributes
    ----------
    readings : one a bench and reading
    overall_checks : promised checks to a false alarm of a bench's whole watch
    every_checks : of each chart, by bench
    sentence, lines, cautions : the answer, what stands behind it, what to mind
    """

    readings: tuple[ReadingWatch, ...]
    overall_checks: float
    every_checks: Mapping[str, float]
    sentence: str
    lines: tuple[str, ...]
    cautions: tuple[str, ...] = field(default_factory=tuple)

    @property
    def alarms(self) -> tuple[ReadingWatch, ...]:
        """Readings that stand off now."""
        return tuple(r for r in self.readings if r.alarm)

    @property
    def series(self) -> pd.DataFrame:
        """Every check of every reading, one below the other."""
        return pd.concat([r.series for r in self.readings], ignore_index=True)

    @property
    def table(self) -> pd.DataFrame:
        """One row a bench and reading: baseline, limits with their rates, signals, change."""
        return pd.DataFrame([_row(r) for r in self.readings])

    def of(self, bench: str, reading: str) -> ReadingWatch:
        """One reading of one bench.

        Raises
        ------
        KeyError
            If it isn't watched.
        """
        for r in self.readings:
            if (r.bench, r.reading) == (bench, reading):
                return r
        raise KeyError((bench, reading))


def check_pickups(sheets: pd.DataFrame) -> pd.DataFrame:
    """Pick out the check pickups' sheets; without a serial, those of one family and source are one pickup.

    Parameters
    ----------
    sheets : bench sheets with `purpose`, `unit`; `serial_token`, `body_family`, `assembly_source` if known
    """
    own = sheets[sheets["purpose"] == "reference"]
    if "serial_token" not in own:
        return own
    made = own["body_family"].astype("str") + "/" + own["assembly_source"].astype("str")
    return own.assign(unit=own["unit"].where(own["serial_token"].notna(), made))


def watch(
    checks: pd.DataFrame,
    *,
    baseline: tuple[dt.date | None, dt.date | None] = (None, None),
    overall_checks: float = OVERALL_CHECKS,
) -> Watch:
    """Chart the check pickups' readings of each bench.

    Parameters
    ----------
    checks : sheets of check pickups: `measured_on`, `bench`, `unit` (which check pickup, with its assembly),
        any of the readings; `temperature_c` and `sheet_no` if known
    baseline : first and last day of the period that the limits come from; checks before it are left out.
        Without a last day: the first half, at most 104 checks
    overall_checks : promised checks to a false alarm, all readings and charts of a bench together

    Raises
    ------
    TooFewError
        If no reading of any bench was checked often enough for a baseline.
    """
    if checks.empty:
        raise TooFewError(
            "there is no check pickup's sheet: mark the sheets of the bench's own pickup purpose=reference."
        )
    found: list[ReadingWatch] = []
    every: dict[str, float] = {}
    for bench, own in checks.groupby("bench", sort=True):
        charted = _one_bench(str(bench), own, baseline, overall_checks)
        found += charted
        if charted:
            every[str(bench)] = overall_checks * len(CHARTS) * len(charted)
    if not found:
        most = int(checks.groupby(["bench", "unit"]).size().max())
        raise TooFewError(
            f"a baseline takes at least {SMALLEST_BASELINE} checks of one check pickup on one bench, but "
            f"there are {most} at most. Go on reading it; if --baseline named the period, name a longer one."
        )
    sentence, lines, cautions = bench_lines(found, overall_checks, every)
    return Watch(tuple(found), overall_checks, every, sentence, lines, cautions)


def _one_bench(
    bench: str,
    checks: pd.DataFrame,
    baseline: tuple[dt.date | None, dt.date | None],
    overall_checks: float,
) -> list[ReadingWatch]:
    by = [name for name in ("measured_on", "sheet_no") if name in checks]
    checks = checks.assign(measured_on=pd.to_datetime(checks["measured_on"])).sort_values(by, kind="stable")
    first, last = baseline
    if first is not None:
        checks = checks[checks["measured_on"] >= pd.Timestamp(first)]
    checks = checks.reset_index(drop=True)
    end = _baseline_end(checks, last)
    fits = {}
    for reading in READINGS:
        if reading in checks and (fit := fit_levels(checks, reading, end)) is not None:
            fits[reading] = fit
    both = ("sra_static_deg", "sra_dynamic_deg")
    if all(name in fits for name in both):
        share = np.array([fits[name].sd ** -2 for name in both])
        checks[BOTH_RAKES] = checks[list(both)].to_numpy(dtype=float) @ (share / share.sum())
        if (fit := fit_levels(checks, BOTH_RAKES, end)) is not None:
            fits[BOTH_RAKES] = fit
    every = overall_checks * len(CHARTS) * len(fits)
    return [_one_reading(bench, name, checks, end, fit, every) for name, fit in fits.items()]


def _baseline_end(checks: pd.DataFrame, last: dt.date | None) -> pd.Timestamp:
    if last is not None:
        return pd.Timestamp(last)
    if checks.empty:
        return pd.Timestamp.min
    rows = min(LONGEST_BASELINE, max(SMALLEST_BASELINE, len(checks) // 2), len(checks))
    return pd.Timestamp(checks["measured_on"].iloc[rows - 1])


def _one_reading(
    bench: str, reading: str, checks: pd.DataFrame, end: pd.Timestamp, fit: Fit, every: float
) -> ReadingWatch:
    own = checks[checks[reading].notna()].reset_index(drop=True)
    series, limits = chart_reading(own, reading, end, fit, every)
    series.insert(0, "bench", bench)
    kept = own[~gross_errors(series["off"].fillna(0.0), fit.sd)]
    change = find_change(kept[reading], kept["measured_on"], fit.columns(kept))
    before = own["measured_on"] <= end
    watched = series[series["part"] == PARTS[2]]
    recent = watched.tail(RECENT_CHECKS)["signal"]
    alarm = bool(recent.str.contains("ewma|cusum").any())
    slip = bool(len(recent) and "single" in recent.iloc[-1] and not alarm)
    dates = own.loc[before, "measured_on"]
    plain = ReadingWatch(
        bench, reading, dates.min(), dates.max(), int(before.sum()), fit, limits, series, change, alarm, slip
    )  # fmt: skip
    cautions = _cautions(plain, own[before])
    return ReadingWatch(**{**plain.__dict__, "sentence": reading_sentence(plain), "cautions": cautions})


def _cautions(found: ReadingWatch, before: pd.DataFrame) -> tuple[str, ...]:
    """What would make the limits other than they say: a baseline that moves, or checks that hang together."""
    out = []
    word = quantity(found.reading).short
    inside = find_change(before[found.reading], before["measured_on"], found.fit.columns(before))
    if inside is not None and inside.p_value < _ODD_BASELINE:
        out.append(
            f"The baseline of the {word} reading isn't steady itself (p {inside.p_value:.3f}): "
            "name a quieter one with --baseline FROM..TO."
        )
    if found.fit.sd <= SMALLEST_SD:
        out.append(
            f"Checks of the {word} reading never differ in the baseline: a figure copied from the last check "
            "is no reading."
        )
    if abs(found.fit.lag1) * np.sqrt(found.fit.dof) > _ODD_LAG:
        out.append(
            f"Checks of the {word} reading that follow each other go together (correlation "
            f"{found.fit.lag1:+.2f}): false alarms come at another rate than promised."
        )
    if found.limits is None and (found.series["measured_on"] > found.baseline_to).any():
        out.append(
            f"No check of the {word} reading is charted yet: a level takes {SMALLEST_BASELINE} checks of the "
            "same check pickup. Read the old and the new one side by side at a change."
        )
    return tuple(out)


def _row(r: ReadingWatch) -> dict[str, object]:
    signals = r.watched[r.watched["signal"] != ""]
    row: dict[str, object] = {
        "bench": r.bench,
        "reading": r.reading,
        "unit": quantity(r.reading).unit,
        "check_pickups": int(r.series["check_pickup"].nunique()),
        "baseline_from": r.baseline_from,
        "baseline_to": r.baseline_to,
        "baseline_checks": r.baseline_checks,
        "checks_since": len(r.watched),
        "sd": r.fit.sd,
        "per_kelvin": r.fit.per_kelvin,
        "per_kelvin_se": r.fit.per_kelvin_se,
        "autocorrelation": r.fit.lag1,
        "alarm": r.alarm,
        "signals": len(signals),
        "first_signal": signals["measured_on"].min() if len(signals) else pd.NaT,
        "last_signal": signals["measured_on"].max() if len(signals) else pd.NaT,
    }
    names = ("single", "ewma", "cusum")
    for i, name in enumerate(names):
        row[f"{name}_limit_sigmas"] = np.nan if r.limits is None else r.limits.of(CHARTS[i])
        row[f"{name}_run_length_known"] = np.nan if r.limits is None else r.limits.known_checks[i]
    row["run_length_promised"] = np.nan if r.limits is None else r.limits.every_checks
    c = r.change
    for name in ("kind", "creep_chance", "p_value", "since", "since_low", "since_high"):
        row[f"change_{name}"] = None if c is None else getattr(c, name)
    for name in ("rate", "size", "now"):
        for end in ("", "_low", "_high"):
            row[f"change_{name}{end}"] = np.nan if c is None else getattr(c, name + end)
    row["sentence"] = r.sentence
    return row

"""The series behind the bench watch: levels and temperature from the baseline, and every check charted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from fleet.bench_trust.watch_limits import (
    CUSUM_ALLOWANCE,
    EWMA_WEIGHT,
    SMALLEST_BASELINE,
    Limits,
    limits_for,
)
from fleet.statistics.control_charts import cusum_chart, ewma, ewma_chart

Floats = NDArray[np.float64]
PARTS: Final = ("baseline", "learning", "watched")
"""A check is in the baseline, teaches a later check pickup's own level, or is watched."""
SLIP_SIGMAS: Final = 5.0
SMALLEST_SD: Final = 1e-6
"""Below this there is no scatter at all."""
MONTH_WEIGHT: Final = 0.25
"""A season's warmth passes this average nearly whole, a day's hardly: so much of it looks like a shift.
With the EWMA's own lighter weight one would miss that a season's peaks alarm more than its mean square."""
_LEAST_TEMPERATURE_SD_C: Final = 0.5
_MOST_WITHOUT_TEMPERATURE: Final = 0.5


@dataclass(frozen=True)
class Fit:
    """What steady readings of one bench look like.

    Attributes
    ----------
    levels : mean reading by check pickup, at the baseline's mean temperature
    checks : how many checks stand behind each level
    sd : of one check about its level
    dof : degrees of freedom behind `sd`
    per_kelvin, per_kelvin_se : effect of temperature; 0 where it isn't known
    temperature_c : the baseline's mean; NaN where it isn't known
    warmth_error : mean square error [sigmas²] that an uncertain effect of temperature makes: of single
        checks, and of their average over about a month
    lag1 : correlation of checks that follow each other
    """

    levels: dict[str, float]
    checks: dict[str, int]
    sd: float
    dof: int
    per_kelvin: float
    per_kelvin_se: float
    temperature_c: float
    warmth_error: tuple[float, float]
    lag1: float

    def warmth(self, checks: pd.DataFrame) -> Floats:
        """Degrees above the baseline's mean temperature; 0 where it wasn't noted or has no effect."""
        if np.isnan(self.temperature_c):
            return np.zeros(len(checks))
        above = checks["temperature_c"].to_numpy(dtype=float) - self.temperature_c
        return np.asarray(np.where(np.isnan(above), 0.0, above))

    def columns(self, checks: pd.DataFrame) -> Floats:
        """What moves a reading though the bench is steady: which check pickup it is, and how warm."""
        units = pd.get_dummies(checks["unit"].astype(str)).to_numpy(dtype=float)
        warm = self.warmth(checks)[:, None]
        return np.hstack([units, warm]) if not np.isnan(self.temperature_c) else units


def fit_levels(checks: pd.DataFrame, reading: str, end: pd.Timestamp) -> Fit | None:
    """Learn levels, temperature and spread from the baseline and from later check pickups' own first checks.

    Parameters
    ----------
    checks : one bench's checks by date: `measured_on`, `unit`, the reading, perhaps `temperature_c`
    reading : which column
    end : last day of the baseline

    Returns
    -------
    Fit, or None where the baseline holds fewer than `SMALLEST_BASELINE` checks of any one check pickup.
    """
    own = checks[checks[reading].notna()]
    teaches = _parts(own, end) != PARTS[2]
    base = own[teaches]
    counts = base["unit"].astype(str).value_counts()
    settled = counts[counts >= SMALLEST_BASELINE].index
    base = base[base["unit"].astype(str).isin(settled)]
    in_time = base[base["measured_on"] <= end]
    if in_time.empty or in_time["unit"].value_counts().max() < SMALLEST_BASELINE:
        return None
    names = sorted(settled)
    unit = base["unit"].astype(str).to_numpy()
    x = (unit[:, None] == np.array(names)[None, :]).astype(float)
    mean_c = _mean_temperature(in_time)
    if not np.isnan(mean_c):
        above = base["temperature_c"].to_numpy(dtype=float) - mean_c
        x = np.column_stack([x, np.where(np.isnan(above), 0.0, above)])
    y = base[reading].to_numpy(dtype=float)
    coef, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    rest = y - x @ coef
    dof = len(y) - int(rank)
    sd = max(float(np.sqrt(rest @ rest / dof)), SMALLEST_SD)
    slope, slope_se, error = 0.0, 0.0, (0.0, 0.0)
    if not np.isnan(mean_c):
        slope = float(coef[-1])
        per_sigma2 = float(np.linalg.pinv(x.T @ x)[-1, -1])
        slope_se = sd * float(np.sqrt(per_sigma2))
        above = np.nan_to_num(own["temperature_c"].to_numpy(dtype=float) - mean_c)
        slow = ewma(above, MONTH_WEIGHT)
        error = (per_sigma2 * float(np.mean(above**2)), per_sigma2 * float(np.mean(slow**2)))
    levels = dict(zip(names, coef.tolist(), strict=False))
    sizes = {name: int(counts[name]) for name in names}
    return Fit(levels, sizes, sd, dof, slope, slope_se, mean_c, error, _lag1(rest, unit))


def _parts(checks: pd.DataFrame, end: pd.Timestamp) -> NDArray[np.object_]:
    """Part of each check: a check pickup with too short a baseline learns its level from its first ones."""
    unit = checks["unit"].astype(str)
    in_time = (checks["measured_on"] <= end).to_numpy()
    place = unit.groupby(unit).cumcount().to_numpy()
    known = unit.map(unit[in_time].value_counts()).fillna(0).to_numpy() >= SMALLEST_BASELINE
    learning = ~known & (place < SMALLEST_BASELINE)
    return np.where(in_time & known, PARTS[0], np.where(learning, PARTS[1], PARTS[2])).astype(object)


def _mean_temperature(base: pd.DataFrame) -> float:
    """Mean temperature of the baseline, NaN where it is hardly known or hardly moved."""
    if "temperature_c" not in base:
        return float("nan")
    known = base["temperature_c"].dropna()
    if len(known) < _MOST_WITHOUT_TEMPERATURE * len(base) or len(known) < SMALLEST_BASELINE:
        return float("nan")
    return float(known.mean()) if known.std() >= _LEAST_TEMPERATURE_SD_C else float("nan")


def _lag1(rest: Floats, unit: NDArray[np.object_]) -> float:
    together = unit[1:] == unit[:-1]
    total = float(rest @ rest)
    if total <= len(rest) * SMALLEST_SD**2:
        return 0.0
    return float((rest[1:] * rest[:-1])[together].sum() / total)


def chart_reading(
    checks: pd.DataFrame, reading: str, end: pd.Timestamp, fit: Fit, every_checks: float
) -> tuple[pd.DataFrame, Limits | None]:
    """Chart one reading's checks, each check pickup about its own level.

    Parameters
    ----------
    checks : one bench's checks that have the reading, by date
    end, fit : the baseline's last day and what it says
    every_checks : promised checks to a false alarm of each chart

    Returns
    -------
    (DataFrame, Limits)
        A row a check: `check_pickup` (1, 2 ... in order of appearance), `sheet_no`, `measured_on`,
        `temperature_c`, `value` as read, `off` (from its level, temperature taken out), `part`,
        `single_limit`, `ewma`, `ewma_limit`, `cusum_high`, `cusum_low`, `cusum_limit`, all in the reading's
        unit and as distances from the level; `signal` (names of the charts that signal, `;` between).
        Limits of the newest check pickup.
    """
    unit = checks["unit"].astype(str)
    value = checks[reading].to_numpy(dtype=float)
    level = unit.map(fit.levels).to_numpy(dtype=float)
    out = pd.DataFrame(
        {
            "reading": reading,
            "check_pickup": pd.factorize(unit)[0] + 1,
            "sheet_no": checks.get("sheet_no", ""),
            "measured_on": checks["measured_on"],
            "temperature_c": checks.get("temperature_c", np.nan),
            "value": value,
            "off": value - level - fit.per_kelvin * fit.warmth(checks),
            "part": _parts(checks, end),
            "signal": "",
        }
    )
    for name in ("single_limit", "ewma", "ewma_limit", "cusum_high", "cusum_low", "cusum_limit"):
        out[name] = np.nan
    newest: Limits | None = None
    for name in dict.fromkeys(unit):
        if name not in fit.levels:
            continue
        limits = limits_for(every_checks, checks=fit.checks[name], dof=fit.dof, warmth=fit.warmth_error)
        for part in PARTS:
            rows = out.index[(unit == name).to_numpy() & (out["part"] == part).to_numpy()]
            if len(rows):
                _chart(out, rows, fit.sd, limits, signals=part == PARTS[2])
        if ((unit == name).to_numpy() & (out["part"] == PARTS[2]).to_numpy()).any():
            newest = limits
    return out, newest


def _chart(out: pd.DataFrame, rows: pd.Index, sd: float, limits: Limits, *, signals: bool) -> None:
    """Fill in one stretch's charts, each begun afresh; only watched checks can signal.

    A check beyond the single limit enters the averages as if it lay on it: one slip is no drift.
    """
    off = out.loc[rows, "off"].to_numpy(dtype=float)
    single = np.abs(off) > limits.single * sd
    capped = np.clip(off, -limits.single * sd, limits.single * sd)
    mean = ewma_chart(capped, target=0.0, sd=sd, weight=EWMA_WEIGHT, width=limits.ewma)
    sums = cusum_chart(capped, target=0.0, allowance=CUSUM_ALLOWANCE * sd, limit=limits.cusum * sd)
    out.loc[rows, "single_limit"] = limits.single * sd
    out.loc[rows, "ewma"], out.loc[rows, "ewma_limit"] = mean.series, mean.upper
    out.loc[rows, "cusum_high"], out.loc[rows, "cusum_low"] = sums.high, sums.low
    out.loc[rows, "cusum_limit"] = limits.cusum * sd
    if signals:
        flags = zip(single, mean.signals, sums.signals, strict=True)
        names = ("single", "ewma", "cusum")
        out.loc[rows, "signal"] = [
            ";".join(name for name, on in zip(names, three, strict=True) if on) for three in flags
        ]


def gross_errors(off: ArrayLike, sd: float) -> NDArray[np.bool_]:
    """Which checks stand off alone: far from the middle of the two before and the two after.

    Parameters
    ----------
    off : (n,) distances from the level, in order of time
    sd : of one check
    """
    values = np.asarray(off, dtype=float)
    out = np.zeros(len(values), dtype=bool)
    for i in range(len(values)):
        around = np.concatenate([values[max(i - 2, 0) : i], values[i + 1 : i + 3]])
        out[i] = len(around) > 1 and abs(values[i] - np.median(around)) > SLIP_SIGMAS * sd
    return out

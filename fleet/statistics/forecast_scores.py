"""Scores of forecasts whose errors run in families: coverage, PIT, paired differences, Brier.

Units of one family share what the model got wrong about it, so a hundred quotes of three families prove less
than a hundred of fifty. Every interval and band here takes that in: by the correlation within families that
the scores themselves show.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from fleet.statistics.proportions import wilson
from fleet.statistics.quantile_forecasts import FEW_QUOTES, Paired, compare_scores

Floats = NDArray[np.float64]
Labels = NDArray[np.object_]
AS_TOLD, TOO_NARROW, TOO_WIDE, TOO_FEW = "as told", "too narrow", "too wide", "too few to tell"
__all__ = [
    "FEW_QUOTES",
    "Chances",
    "Coverage",
    "Paired",
    "PitHistogram",
    "calibration",
    "compare_scores",
    "coverage",
]
BINS: Final = 10
SIMULATED: Final = 1000


@dataclass(frozen=True)
class Coverage:
    """How often intervals held.

    Attributes
    ----------
    n : quotes scored
    weight : how many independent ones they are worth
    rate, low, high : share held, and its 95 % interval
    nominal : share that was promised
    verdict : `AS_TOLD`, `TOO_NARROW`, `TOO_WIDE` or `TOO_FEW`
    """

    n: int
    weight: float
    rate: float
    low: float
    high: float
    nominal: float
    verdict: str


def coverage(held: Floats, families: Labels, nominal: float, *, tests: int = 1) -> Coverage:
    """Share of quotes whose interval held, with an interval that allows for families.

    Wilson's interval at the effective number of quotes: the number over the design effect
    1 + (m - 1) r, where m is the mean size of the family that a quote belongs to and r the correlation
    within families (analysis of variance, not below 0).

    Parameters
    ----------
    held : (n,) 1 or 0, NaN where nothing was read; (n, k) for k readings of each unit, of which a unit counts
        as one observation with their mean
    families : (n,)
    nominal : what was promised
    tests : how many groups are looked at; the verdict allows for them (Bonferroni), the interval doesn't

    References
    ----------
    Design effect: Kish (1965), Survey Sampling, section 5.4 (from memory). Wilson: see `rates.wilson`.
    """
    table = held if held.ndim == 2 else held[:, None]
    told = ~np.isnan(table).all(axis=1)
    some = table[told]
    if not len(some):
        return Coverage(0, 0.0, np.nan, np.nan, np.nan, nominal, TOO_FEW)
    mean = np.nanmean(some, axis=1)
    rate = float(mean.mean())
    spread = rate * (1.0 - rate)
    within = min(1.0, float(mean.var()) / spread) if spread > 0.0 and table.shape[1] > 1 else 1.0
    weight = len(mean) / (max(within, 1.0 / table.shape[1]) * design_effect(mean, families[told]))
    low, high = (float(x) for x in wilson(rate * weight, weight))
    wide_low, wide_high = (float(x) for x in wilson(rate * weight, weight, 1.0 - 0.05 / max(tests, 1)))
    verdict = AS_TOLD
    if weight < FEW_QUOTES:
        verdict = TOO_FEW
    elif wide_high < nominal:
        verdict = TOO_NARROW
    elif wide_low > nominal:
        verdict = TOO_WIDE
    return Coverage(len(mean), weight, rate, low, high, nominal, verdict)


def design_effect(values: Floats, families: Labels) -> float:
    """How many times fewer independent observations families make of these values; at least 1."""
    sizes = pd.factorize(families)[0]
    count = np.bincount(sizes)
    typical = float((count**2).sum() / count.sum())
    return max(1.0, 1.0 + (typical - 1.0) * within_correlation(values, families))


def within_correlation(values: Floats, families: Labels) -> float:
    """Correlation of two values of one family, by one-way analysis of variance; not below 0."""
    code, _ = pd.factorize(families)
    count = np.bincount(code)
    k, n = len(count), len(values)
    if k < 2 or n <= k:
        return 0.0
    means = np.bincount(code, weights=values) / count
    between = float((count * (means - values.mean()) ** 2).sum()) / (k - 1)
    inside = float(((values - means[code]) ** 2).sum()) / (n - k)
    size = (n - float((count**2).sum()) / n) / (k - 1)
    total = between + (size - 1.0) * inside
    return float(np.clip((between - inside) / total, 0.0, 0.95)) if total > 0.0 else 0.0


@dataclass(frozen=True)
class PitHistogram:
    """Probabilities that forecasts gave to what lies below the reading, counted in equal bins.

    Attributes
    ----------
    counts : (BINS,)
    low, high : (BINS,) limits that 95 of 100 honest forecasters would keep within, all bins at once
    p_value : chance that an honest forecaster's would be as uneven (Cramer-von Mises, simulated)
    correlation : within families, of the normal scores
    shape : `even`, `too narrow` (both ends full), `too wide` (middle full), `too low` or `too high` (read
        above, below what was foretold)
    """

    counts: NDArray[np.int64]
    low: Floats
    high: Floats
    p_value: float
    correlation: float
    shape: str


def pit_histogram(pit: Floats, families: Labels) -> PitHistogram:
    """Count PIT values and set them against what honest forecasts of such families would give.

    An honest forecaster's values are uniform, but those of one family lean together: the band and the test
    come from 1 000 simulated records with the same families and the correlation that these show.

    Parameters
    ----------
    pit : (n,), NaN where nothing was read
    families : (n,)

    References
    ----------
    PIT: Dawid (1984), J. R. Stat. Soc. A 147, 278-292.
    """
    told = ~np.isnan(pit)
    u, code = pit[told], pd.factorize(families[told])[0]
    if len(u) < 2:
        nothing = np.full(BINS, np.nan)
        return PitHistogram(np.bincount(_bins(u), minlength=BINS), nothing, nothing, np.nan, 0.0, TOO_FEW)
    r = within_correlation(scipy.special.ndtri(np.clip(u, 1e-4, 1.0 - 1e-4)), families[told])
    rng = np.random.default_rng(0)
    shared = rng.standard_normal((SIMULATED, int(code.max()) + 1))
    own = rng.standard_normal((SIMULATED, len(u)))
    honest = scipy.special.ndtr(np.sqrt(r) * shared[:, code] + np.sqrt(1.0 - r) * own)
    offsets = _bins(honest) + BINS * np.arange(SIMULATED)[:, None]
    drawn = np.bincount(offsets.ravel(), minlength=BINS * SIMULATED).reshape(SIMULATED, BINS)
    low, high = _simultaneous_band(drawn)
    uneven = float(_cramer_von_mises(u[None, :])[0])
    p_value = float((1 + np.sum(_cramer_von_mises(honest) >= uneven)) / (1 + SIMULATED))
    counts = np.bincount(_bins(u), minlength=BINS)
    return PitHistogram(counts, low, high, p_value, r, _shape(u, p_value))


def _bins(u: Floats) -> NDArray[np.intp]:
    return np.minimum((u * BINS).astype(np.intp), BINS - 1)


def _simultaneous_band(drawn: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Limits per bin that 95 of 100 simulated records keep within in every bin."""
    for tail in (0.025, 0.02, 0.015, 0.01, 0.0075, 0.005, 0.0025, 0.001, 0.0):
        low, high = np.quantile(drawn, tail, axis=0), np.quantile(drawn, 1.0 - tail, axis=0)
        if np.mean(((drawn >= low) & (drawn <= high)).all(axis=1)) >= 0.95:
            break
    return low, high


def _cramer_von_mises(u: Floats) -> Floats:
    """Distance of each row from uniform (Anderson & Darling 1952)."""
    n = u.shape[1]
    steps = (2 * np.arange(1, n + 1) - 1) / (2 * n)
    return np.asarray(1.0 / (12 * n) + ((np.sort(u, axis=1) - steps) ** 2).sum(axis=1))


def _shape(u: Floats, p_value: float) -> str:
    if p_value >= 0.05:
        return "even"
    lean, width = u.mean() - 0.5, u.var() * 12.0 - 1.0
    # a lean of x sds moves the mean of the PIT by 0.28 x; a spread off by half moves its variance alike
    if abs(lean) / 0.28 > abs(width) / 0.6:
        return "too low" if lean > 0.0 else "too high"
    return TOO_NARROW if width > 0.0 else TOO_WIDE


@dataclass(frozen=True)
class Chances:
    """How honest foretold chances were.

    Attributes
    ----------
    n, brier, base : outcomes told, mean squared error of the chances, and that of the plain rate over all
    table : calibration curve, one row a bin: chance (mean), n, happened, rate, low, high (Wilson at the
        effective number, 95 %)
    verdict : in words
    """

    n: int
    brier: float
    base: float
    table: pd.DataFrame
    verdict: str


def calibration(chance: Floats, happened: Floats, families: Labels, *, bins: int = 5) -> Chances:
    """Brier score and calibration curve of chances foretold, in bins of equally many quotes.

    Parameters
    ----------
    chance : (n,) in 0..1
    happened : (n,) 1 or 0, NaN where it can't be told
    families : (n,)

    References
    ----------
    Brier (1950), Mon. Weather Rev. 78, 1-3.
    """
    told = ~np.isnan(chance) & ~np.isnan(happened)
    p, y, own = chance[told], happened[told], families[told]
    n = len(p)
    columns = ["chance", "n", "happened", "rate", "low", "high"]
    if not n:
        return Chances(0, np.nan, np.nan, pd.DataFrame(columns=columns), TOO_FEW)
    edges = np.unique(np.quantile(p, np.linspace(0.0, 1.0, min(bins, max(1, n // 10)) + 1)))
    place = np.clip(np.searchsorted(edges, p, side="right") - 1, 0, max(len(edges) - 2, 0))
    rows = []
    for b in np.unique(place):
        mine = place == b
        weight = mine.sum() / design_effect(y[mine], own[mine])
        low, high = wilson(y[mine].mean() * weight, weight)
        rows.append(
            (p[mine].mean(), int(mine.sum()), int(y[mine].sum()), y[mine].mean(), float(low), float(high))
        )
    table = pd.DataFrame(rows, columns=columns)
    rate = float(y.mean())
    return Chances(n, float(np.mean((p - y) ** 2)), rate * (1.0 - rate), table, _honesty(p, y, own))


def _honesty(p: Floats, y: Floats, families: Labels) -> str:
    """Whether outcomes came as often as told, overall, by the paired gap between them."""
    gap = compare_scores(y, p, families)
    if gap.n < FEW_QUOTES or np.isnan(gap.standard_error):
        return TOO_FEW
    if abs(gap.difference) <= 2.0 * gap.standard_error:
        return AS_TOLD
    return "oftener than told" if gap.difference > 0.0 else "less often than told"

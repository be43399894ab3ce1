"""Forecasts as quantiles: made of draws, kept small, and scored once the reading is there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.rows import distinct

Floats = NDArray[np.float64]

LEVELS: Final = tuple(
    float(x) for x in np.round([0.005, 0.01, *np.arange(0.025, 0.976, 0.025), 0.99, 0.995], 3)
)
"""Probabilities at which a forecast's quantiles are kept; the ends of all intervals told are among them."""
GRID: Final = np.array(LEVELS)
FEW_QUOTES: Final = 20
"""Below this many forecasts (as far as they are independent) nothing is said about them."""
_ENDS = np.concatenate([[0.0], (GRID[1:] + GRID[:-1]) / 2.0, [1.0]])
_WEIGHTS = np.diff(_ENDS)


def quantiles_of(draws: Floats, levels: Floats = GRID) -> Floats:
    """Quantiles of each row, over the draws that have a value (a spherical stylus has no rake).

    Parameters
    ----------
    draws : (m, n)
    levels : (k,) probabilities

    Returns
    -------
    (m, k), NaN where no draw of the row has a value; linear between order statistics.
    """
    ordered = np.sort(draws, axis=1)
    count = np.sum(~np.isnan(ordered), axis=1)[:, None]
    place = np.maximum(np.asarray(levels)[None, :] * (count - 1), 0.0)
    low = np.floor(place).astype(int)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    row = np.arange(len(draws))[:, None]
    a, b = ordered[row, low], ordered[row, high]
    return np.where(count > 0, a + (place - low) * (b - a), np.nan)


def densest_middle(draws: Floats, width: float) -> Floats:
    """Middle of the window of this width that holds most draws, one a row; NaN where a row has none.

    It hits within half the width more often than the median does, where a distribution is skewed or has two
    peaks.

    Parameters
    ----------
    draws : (m, n) draws, NaN where there is none
    width : of the window, in the draws' unit
    """
    out = np.full(len(draws), np.nan)
    for i, row in enumerate(np.sort(draws, axis=1)):
        x = row[~np.isnan(row)]
        if len(x):
            held = np.searchsorted(x, x + width, side="right") - np.arange(len(x))
            best = np.flatnonzero(held == held.max())
            out[i] = x[best[len(best) // 2]] + 0.5 * width
    return out


def central_interval(quantiles: Floats, share: float) -> tuple[Floats, Floats]:
    """Ends (m,) of the central interval that should hold this share of readings.

    Parameters
    ----------
    quantiles : (m, len(LEVELS))
    share : such as 0.9; its ends must be among `LEVELS`.
    """
    ends = [round((1.0 - share) / 2.0, 6), round((1.0 + share) / 2.0, 6)]
    low, high = (LEVELS.index(end) for end in ends)
    return quantiles[:, low], quantiles[:, high]


def crps(quantiles: Floats, read: Floats) -> Floats:
    """Continuous ranked probability score (m,) of each forecast, in the reading's unit; less is better.

    Twice the pinball loss, integrated over the kept levels (each stands for the levels nearest to it).

    Parameters
    ----------
    quantiles : (m, len(LEVELS))
    read : (m,) what the bench read

    References
    ----------
    Gneiting & Raftery (2007), J. Am. Stat. Assoc. 102, 359-378; as an integral of quantile losses:
    Laio & Tamea (2007), Hydrol. Earth Syst. Sci. 11, 1267-1277.
    """
    over = read[:, None] - quantiles
    loss = np.where(over >= 0.0, GRID * over, (GRID - 1.0) * over)
    return np.asarray(2.0 * (loss @ _WEIGHTS))


def pit(quantiles: Floats, read: Floats) -> Floats:
    """Probability (m,) that the forecast gave to what lies below the reading: uniform if it was honest.

    Linear between the kept levels; a reading beyond the outermost ones stands half way to 0 or 1.

    Parameters
    ----------
    quantiles : (m, len(LEVELS))
    read : (m,)
    """
    below = np.sum(quantiles <= read[:, None], axis=1)
    upper = np.clip(below, 1, len(GRID) - 1)
    row = np.arange(len(read))
    a, b = quantiles[row, upper - 1], quantiles[row, upper]
    part = np.clip((read - a) / np.where(b > a, b - a, 1.0), 0.0, 1.0)
    inside = GRID[upper - 1] + part * (GRID[upper] - GRID[upper - 1])
    inside = np.where(below == 0, GRID[0] / 2.0, inside)
    inside = np.where(below == len(GRID), 1.0 - (1.0 - GRID[-1]) / 2.0, inside)
    return np.where(np.isnan(read) | np.isnan(quantiles).any(axis=1), np.nan, inside)


@dataclass(frozen=True)
class Paired:
    """One forecaster's mean score less another's on the same quotes, and the standard error of that."""

    n: int
    difference: float
    standard_error: float

    @property
    def verdict(self) -> str:
        """Which is better: `first`, `second`, or `even` within two standard errors."""
        if self.n < FEW_QUOTES or not abs(self.difference) > 2.0 * self.standard_error:
            return "even"
        return "first" if self.difference < 0.0 else "second"


def compare_scores(first: Floats, second: Floats, families: NDArray[np.object_]) -> Paired:
    """Compare two forecasters' scores (less is better) quote by quote.

    The standard error is that of a mean of families' sums, so that families with many quotes don't count as
    many proofs (cluster-robust, with the usual k / (k - 1)).

    Parameters
    ----------
    first, second : (n,) scores; NaN in either leaves the quote out
    families : (n,)
    """
    gap = first - second
    told = ~np.isnan(gap)
    gap, code = gap[told], distinct(families[told])[0]
    n = len(gap)
    if n < 2:
        return Paired(n, float(gap.mean()) if n else np.nan, np.nan)
    mean = float(gap.mean())
    sums = np.bincount(code, weights=gap - mean)
    k = len(sums)
    if k < 2:
        return Paired(n, mean, np.nan)
    return Paired(n, mean, float(np.sqrt(k / (k - 1) * (sums**2).sum()) / n))

"""How heavy the tails of sound units are, learnt from the middle of the fleet.

Whitened residuals of sound units are taken for t's.  Their degrees of freedom are few where the fleet's
middle shows it, and where a family's own spread is hardly known: an uncertain variance makes a t of a
normal.  Only residuals within `INSIDE` standard deviations are looked at, each as one drawn from a t cut
off there: what lies beyond may be faulty and says nothing of sound units.  The t's scale is the one that
leaves as much scatter inside the robust cut as the house model has found there, so that only the shape is
learnt.

References
----------
Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84, 881-896: t's of unknown degrees of freedom.
The cut-off likelihood and the scale are derived here.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from fleet.house_model.house import CUT_SIGMAS
from fleet.house_model.loo_residuals import Residuals, cholesky_factors

Floats = NDArray[np.float64]
INSIDE: Final = 3.0
MOST_ROWS: Final = 5_000
SMALLEST_P: Final = 1e-300
"""Doubles end there; no unit is impossible."""
LIGHTEST: Final = 1e-4
"""Of 1/(degrees of freedom): lighter is normal."""
GRID: Final = np.concatenate([[LIGHTEST], np.linspace(0.0075, 0.36, 48)])
"""What 1/(degrees of freedom) may be, all alike likely beforehand; t4 has 0.25."""


def learn_tail(resid: Residuals, rows: NDArray[np.bool_]) -> float:
    """Mean of 1/(degrees of freedom) given the middle of the fleet, 0 where no residual tells.

    Parameters
    ----------
    resid : residuals of sheets
    rows : (m,) which of them to look at, one a unit
    """
    white, share, doubt = _whitened(resid, spread_out(np.flatnonzero(rows), MOST_ROWS))
    if not len(white):
        return 0.0
    log_lik = np.array([_log_likelihood(white, tails_of(tail, share, doubt)) for tail in GRID])
    weight = np.exp(log_lik - log_lik.max())
    return float(weight @ GRID / weight.sum())


def spread_out(rows: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most so many of the rows, evenly from first to last."""
    return rows[:: -(-len(rows) // most) or 1]


def _whitened(resid: Residuals, rows: NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
    """Whitened residuals of the sheets that lie wholly inside, with share and doubt of each."""
    value = resid.value[rows]
    read = ~np.isnan(value)
    both = read[:, :, None] & read[:, None, :]
    factor = cholesky_factors(np.where(both, resid.covariance[rows], np.eye(value.shape[1])))
    white = np.linalg.solve(factor, np.where(read, value, 0.0)[..., None])[..., 0]
    inside = (np.abs(white) < INSIDE).all(axis=1)[:, None] & read
    return white[inside], resid.share[rows][inside], resid.doubt[rows][inside]


def tails_of(tail: float, share: Floats, doubt: Floats) -> Floats:
    """1/(degrees of freedom) of residuals, from that of units.

    Excess kurtosis is 6/(degrees of freedom) of units' own scatter for many of them, diluted by the square of
    the share that it has in the residual; a log variance in doubt by a sd adds half its square (derived).
    """
    return np.clip(share**2 * (tail + 0.5 * doubt**2), LIGHTEST, GRID[-1])


def scales_of(tails: Floats) -> Floats:
    """Scale at which a t leaves as much scatter inside the robust cut as a standard normal does."""
    return np.interp(tails, GRID, _scales())


def _log_likelihood(white: Floats, tails: Floats) -> float:
    """Of residuals cut off at `INSIDE`, each a t of its own degrees of freedom."""
    inside = np.interp(tails, GRID, np.log(2.0 * special.stdtr(1.0 / GRID, INSIDE / _scales()) - 1.0))
    return float((log_density(white, tails) - inside).sum())


def log_density(white: Floats, tails: Floats) -> Floats:
    """Log density of t's of 1/``tails`` degrees of freedom, scaled by `scales_of`."""
    return _log_density(white, tails, scales_of(tails))


def _log_density(white: Floats, tails: Floats, scale: Floats) -> Floats:
    half = 0.5 / tails
    norm = special.gammaln(half + 0.5) - special.gammaln(half) + 0.5 * np.log(tails / np.pi) - np.log(scale)
    return np.asarray(norm - (half + 0.5) * np.log1p(tails * (white / scale) ** 2))


def heavier(white: Floats, tails: Floats) -> Floats:
    """Log of how much denser sound residuals (..., d) lie there than normal ones, summed over d."""
    normal = -0.5 * white**2 - 0.5 * np.log(2.0 * np.pi)
    return np.asarray((log_density(white, tails) - normal).sum(axis=-1))


def reading_p(white: Floats, tails: Floats) -> Floats:
    """Two-sided p-values of single whitened residuals."""
    chance = 2.0 * special.stdtr(1.0 / tails, -np.abs(white) / scales_of(tails))
    return np.asarray(np.maximum(chance, SMALLEST_P))


def _mean_square_inside(df: Floats, scale: Floats) -> Floats:
    """Mean square of scaled t's inside the robust cut, by the integral of (1 + x²/df), a t of df - 2."""
    cut = CUT_SIGMAS / scale
    inside, narrower = (
        2.0 * special.stdtr(n, x) - 1.0 for n, x in ((df, cut), (df - 2.0, cut * np.sqrt(1.0 - 2.0 / df)))
    )
    return np.asarray(scale**2 * df * ((df - 1.0) / (df - 2.0) * narrower / inside - 1.0))


@cache
def _scales() -> Floats:
    """Scale for each of `GRID`, by halving."""
    density = np.exp(-0.5 * CUT_SIGMAS**2) / np.sqrt(2.0 * np.pi)
    wanted = 1.0 - CUT_SIGMAS * density / (special.ndtr(CUT_SIGMAS) - 0.5)  # of a normal cut off there
    low, high = np.full(len(GRID), 0.3), np.full(len(GRID), 1.2)
    for _ in range(40):
        middle = 0.5 * (low + high)
        short = _mean_square_inside(1.0 / GRID, middle) < wanted
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(0.5 * (low + high))

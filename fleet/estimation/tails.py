"""How heavy and how skewed the tails of sound units are, learnt from the middle of the fleet.

Whitened residuals of sound units are taken for skewed t's.  Their degrees of freedom are few where the
fleet's middle shows it, and where a family's own spread is hardly known: an uncertain variance makes a t of
a normal.  Each reading has tails and a skewness of its own, those of one fleet alike.  Only residuals within
`INSIDE` standard deviations are looked at, each as one drawn from a law cut off there: what lies beyond may
be faulty and says nothing of sound units.  Centre and scale are those that leave as much scatter about 0
inside the robust cut as the house model has found there, so that only the shape is learnt.

References
----------
Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84, 881-896: t's of unknown degrees of freedom.
Fernández & Steel 1998, J. Am. Stat. Assoc. 93, 359-371: skewed by γ, wider by γ above the mode and narrower
by 1/γ below it.  The cut-off likelihood, centre and scale are derived here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from fleet.house_model.house import CUT_SIGMAS
from fleet.house_model.loo_residuals import Residuals
from fleet.house_model.variance_function import cholesky_factors

Floats = NDArray[np.float64]
INSIDE: Final = 3.5
MOST_ROWS: Final = 5_000
SMALLEST_P: Final = 1e-300
"""Doubles end there; no unit is impossible."""
LIGHTEST: Final = 1e-4
"""Of 1/(degrees of freedom): lighter is normal."""
GRID: Final = np.concatenate([[LIGHTEST, 0.007, 0.015, 0.025], np.linspace(0.04, 0.36, 17)])
"""What 1/(degrees of freedom) may be; t4 has 0.25."""
SKEWS: Final = np.linspace(-1.2, 1.2, 17)
"""What the log of γ may be."""
FINER: Final = 8
"""Steps of the table of chances inside to one of these: tails come within 1/100 of their standard error."""
NORMAL: Final = 0.5
"""Chance that a fleet scatters normally, believed beforehand; its other tails are all alike likely."""
ALIKE: Final = 6.0
"""Shape of the gamma by which the readings of one fleet differ in it."""
SKEW_SD: Final = 0.3
"""Sd of log γ between readings, believed (a gamma of skewness 1 has about 0.3)."""
SHIFT: Final = 12
NOTHING: Final = 45.0
"""A grid's point that is e^-45 times as likely as another changes no figure."""
STEPS: Final = 16
"""Of the search for centre and scale."""
FAR: Final = 4.0
"""Sds at which the chance of a sound unit is averaged over what its tails may be."""


Tails = tuple[Floats, Floats]
"""1/(degrees of freedom) and log γ of each reading (8,)."""


@dataclass(frozen=True, eq=False)
class Shape:
    """Laws of sound whitened residuals: t's of 1/``tail`` degrees of freedom with log γ ``skew``."""

    tail: Floats
    skew: Floats
    centre: Floats
    scale: Floats

    @classmethod
    def of(cls, tail: Floats, skew: Floats) -> Shape:
        """The laws that leave as much scatter about 0 inside the robust cut as a standard normal does."""
        return cls(tail, skew, *_between(_table(), tail, skew))

    def log_density(self, white: Floats) -> Floats:
        """Log density of whitened residuals (..., *shape of the laws)."""
        return np.asarray(
            _log_density((white - self.centre) / self.scale, self.tail, self.skew) - np.log(self.scale)
        )

    def heavier(self, white: Floats) -> Floats:
        """Log of how much denser sound residuals lie there than normal ones."""
        return np.asarray(self.log_density(white) + 0.5 * white**2 + 0.5 * np.log(2.0 * np.pi))

    def beyond(self, white: Floats) -> Floats:
        """Chance of one further out on the same side of the mode."""
        y = (white - self.centre) / self.scale
        side = np.where(y < 0.0, -1.0, 1.0)
        t = scipy.special.stdtr(1.0 / self.tail, -np.abs(y) * np.exp(-side * self.skew))
        return np.asarray(2.0 * _share(side * self.skew) * t)

    def inside(self, limit: float) -> Floats:
        """Chance of less than so far from 0."""
        return 1.0 - self.beyond(np.array(-limit)) - self.beyond(np.array(limit))

    def p_value(self, white: Floats) -> Floats:
        """Two-sided p-values: twice the smaller side's chance."""
        side = self.beyond(white)
        return np.asarray(np.maximum(2.0 * np.minimum(side, 1.0 - side), SMALLEST_P))

    def draw(self, rng: np.random.Generator, k: int) -> Floats:
        """As many draws of each residual (k, *shape of the laws)."""
        size = (k, *self.tail.shape)
        up = rng.random(size) < _share(self.skew)
        t = np.abs(rng.standard_t(1.0 / self.tail, size))
        return np.asarray(
            self.centre + self.scale * np.where(up, t * np.exp(self.skew), -t * np.exp(-self.skew))
        )


def shape_of(tails: Tails, share: Floats, doubt: Floats) -> Shape:
    """Laws of residuals, from the tails of units.

    Scatter that is a share of a residual's variance gives it that share of its 1/(degrees of freedom), as far
    as chances beyond 4 sds go (by convolution, for 4 to 15 degrees of freedom); a log variance in doubt by a
    sd adds half its square by excess kurtosis, diluted by the share's square, as skewness is by its power of
    3/2 (derived).
    """
    tail, skew = (np.broadcast_to(x, share.shape) for x in tails)
    tail = np.clip(share * tail + 0.5 * (share * doubt) ** 2, LIGHTEST, GRID[-1])
    return Shape.of(tail, share**1.5 * skew)


def learn_tails(resid: Residuals) -> Tails:
    """Tails of units in each reading given the middle of the fleet; normal where no residual tells.

    Parameters
    ----------
    resid : residuals of sheets, one a unit, `MOST_ROWS` of them at most
    """
    white, inside = _whitened(resid)
    share, doubt = resid.share, resid.doubt
    told = [tuple(x[own, j] for x in (white, share, doubt)) for j, own in enumerate(inside.T)]
    tail, skew = np.full(len(told), 0.1), np.zeros(len(told))
    if not inside.any():
        return 0.0 * tail, skew
    for _ in range(2):
        near = zip(told, tail, skew, strict=True)
        log_post = np.array([_on_grid(SKEWS, k, partial(_log_likelihood, own, t)) for own, t, k in near])
        skew = _weights(log_post - 0.5 * (SKEWS / SKEW_SD) ** 2) @ SKEWS
        near = zip(told, tail, skew, strict=True)
        tail = _pooled(
            np.array([_on_grid(GRID, t, partial(_log_likelihood, own, skew=k)) for own, t, k in near])
        )
    return tail, skew


def _on_grid(grid: Floats, guess: float, log_likelihood: Callable[[float], float]) -> Floats:
    """A log likelihood with one top, from a guess outward; from where `NOTHING` is left it stays."""
    middle = int(np.abs(grid - guess).argmin())
    out = np.full(len(grid), log_likelihood(grid[middle]))
    for step in (-1, 1):
        i, best = middle, out.max()
        while 0 <= i + step < len(grid) and out[i] >= best - NOTHING:
            i += step
            out[i] = log_likelihood(grid[i])
            best = max(best, out[i])
        out[slice(None, i + 1) if step < 0 else slice(i, None)] = out[i]
    return out


def _weights(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=-1, keepdims=True))


def _pooled(log_lik: Floats) -> Floats:
    """Each reading's figure of `GRID`, those of one fleet alike by a common mean.

    The one whose chance beyond `FAR` is the mean over what it may be: tails in doubt are heavier.
    """
    log_gamma = (ALIKE - 1.0) * np.log(GRID) - ALIKE * GRID / GRID[:, None]
    given = _weights(log_gamma + np.log(np.gradient(GRID)))
    fit = np.exp(log_lik - log_lik.max(axis=1, keepdims=True))
    each = given @ fit.T
    believed = np.append(NORMAL, (1.0 - NORMAL) * np.gradient(GRID)[1:] / np.gradient(GRID)[1:].sum())
    common = _weights(np.log(each).sum(axis=1) + np.log(believed))
    chance = Shape.of(GRID, np.zeros(len(GRID))).beyond(np.array(FAR))
    mean = common @ ((given @ (fit * chance).T) / each)
    return np.asarray(np.interp(mean, chance, GRID))


def spread_out(rows: NDArray[np.int64], most: int) -> NDArray[np.int64]:
    """At most so many of the rows, evenly from first to last."""
    return rows[:: -(-len(rows) // most) or 1]


def _whitened(resid: Residuals) -> tuple[Floats, NDArray[np.bool_]]:
    """Whitened residuals, and which of them are read on sheets wholly inside."""
    read = ~np.isnan(resid.value)
    both = read[:, :, None] & read[:, None, :]
    factor = cholesky_factors(np.where(both, resid.covariance, np.eye(read.shape[1])))
    white = np.linalg.solve(factor, np.where(read, resid.value, 0.0)[..., None])[..., 0]
    return np.asarray(white), np.asarray((np.abs(white) < INSIDE).all(axis=1)[:, None] & read)


def _log_likelihood(own: tuple[Floats, ...], tail: float, skew: float) -> float:
    """Of residuals cut off at `INSIDE`."""
    white, share, doubt = own
    law = shape_of((np.array(tail), np.array(skew)), share, doubt)
    return float((law.log_density(white) - _between([_log_inside()], law.tail, law.skew)[0]).sum())


def _share(skew: Floats) -> Floats:
    """Share of a law above its mode."""
    return np.asarray(1.0 / (1.0 + np.exp(-2.0 * skew)))


def student_log_norm(half: Floats) -> Floats:
    """Log of Γ(h + ½) / (Γ(h) √(2πh)), Student's density at 0 with 2h degrees of freedom.

    Stirling's series for the ratio from h + `SHIFT` on (DLMF 5.11.8), and Γ(x + 1) = x Γ(x) down from there.
    """
    far = half + SHIFT
    ratio = np.ones_like(far)
    for k in range(SHIFT):
        ratio *= (half + k) / (half + k + 0.5)
    w = far**-2.0
    series = -1 / 8 + w * (1 / 192 + w * (-1 / 640 + w * (17 / 14336 - w * 31 / 18432)))
    return np.asarray(np.log(ratio) + 0.5 * np.log(far / half / (2.0 * np.pi)) + series / far)


def _log_density(y: Floats, tail: Floats, skew: Floats) -> Floats:
    half = 0.5 / tail
    norm = student_log_norm(half)
    narrower = np.exp(-2.0 * np.where(y < 0.0, -skew, skew))
    return np.asarray(norm - np.log(np.cosh(skew)) - (half + 0.5) * np.log1p(tail * y**2 * narrower))


def _between(tables: Sequence[Floats], tail: Floats, skew: Floats) -> list[Floats]:
    """What lies between the figures of tables on `GRID` and `SKEWS`, or finer ones, straight."""
    n, m = tables[0].shape[1], (tables[0].shape[1] - 1) // (len(SKEWS) - 1)
    row = m * np.interp(tail, GRID, np.arange(len(GRID)))
    column = np.clip(m * (skew - SKEWS[0]) / (SKEWS[1] - SKEWS[0]), 0.0, n - 1.0)
    i, j = np.minimum(row.astype(int), len(tables[0]) - 2), np.minimum(column.astype(int), n - 2)
    u, v, at = row - i, column - j, i * n + j
    return [
        np.asarray(
            (1.0 - u) * ((1.0 - v) * t.take(at) + v * t.take(at + 1))
            + u * ((1.0 - v) * t.take(at + n) + v * t.take(at + n + 1))
        )
        for t in tables
    ]


@cache
def _log_inside() -> Floats:
    """Log of the chance of less than `INSIDE` sds, each step of `GRID` and `SKEWS` taken in `FINER`."""
    finer = [
        np.interp(np.arange(FINER * (len(g) - 1) + 1) / FINER, np.arange(len(g)), g) for g in (GRID, SKEWS)
    ]
    return np.log(Shape.of(*np.meshgrid(*finer, indexing="ij")).inside(INSIDE))


@cache
def _table() -> tuple[Floats, Floats]:
    """Centre and scale for each of `GRID` and `SKEWS`, by fixed-point steps."""
    x = np.linspace(-CUT_SIGMAS, CUT_SIGMAS, 241)
    normal = np.exp(-0.5 * x**2)
    wanted = (normal * x**2).sum() / normal.sum()
    tail, skew = (g[..., None] for g in np.meshgrid(GRID, SKEWS, indexing="ij"))
    centre, scale = np.zeros(tail.shape), np.full(tail.shape, 0.8)
    for _ in range(STEPS):
        density = np.exp(_log_density((x - centre) / scale, tail, skew))
        density /= density.sum(axis=-1, keepdims=True)
        centre = centre - (density * x).sum(axis=-1, keepdims=True)
        scale = scale * np.sqrt(wanted / (density * x**2).sum(axis=-1, keepdims=True))
    return centre[..., 0], scale[..., 0]

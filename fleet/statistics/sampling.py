"""Draws from a density known up to a constant: by weights, and by slices where the weights fail.

References
----------
Neal 2003, Annals of Statistics 31(3): stepping out (figure 3) and shrinking (figure 5) of a slice.
Geyer 1992, Statistical Science 7(4): effective size of a chain from its autocorrelations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np

from fleet.statistics.even_draws import sobol_points
from fleet.statistics.gram import Floats

T_DF = 6.0
T_SCALE = 0.9375 / 6.0**0.5
"""Density of Student's t at its middle: Γ(7/2) / (√(6π) Γ(3)) = 15 / (16 √6)."""
LogDensity = Callable[[Floats], float]
STEPS_OUT = 20
T_STEPS = 6
"""Newton steps until a quantile stands still, from any chance."""


@dataclass(frozen=True)
class SplitT:
    """Split Student t of `T_DF` degrees of freedom along some axes, the first coordinates folded at zero.

    Attributes
    ----------
    mode : (dim,) its middle
    vectors : (dim, dim) the axes, one a column
    left, right : (dim,) scale on either side along each axis
    terms : number of folded coordinates
    """

    mode: Floats
    vectors: Floats
    left: Floats
    right: Floats
    terms: int

    def draw(self, n: int, seed: int) -> Floats:
        """A scrambled Sobol set of n (a power of two) points, (n, dim)."""
        u = np.clip(_points(n, len(self.mode), seed), 1e-9, 1.0 - 1e-9)
        p_left = self.left / (self.left + self.right)
        on_left = u < p_left
        half = np.where(on_left, 0.5 * u / p_left, 0.5 + 0.5 * (u - p_left) / (1.0 - p_left))
        z = t_quantile(half) * np.where(on_left, self.left, self.right)
        x = self.mode + z @ self.vectors.T
        x[:, : self.terms] = np.abs(x[:, : self.terms])
        return np.asarray(x)

    def log_density(self, x: Floats) -> Floats:
        """Log density of each row: the sum over what is folded onto it."""
        signs = np.ones((2**self.terms, 1, x.shape[1]))
        signs[:, 0, : self.terms] = list(product((1.0, -1.0), repeat=self.terms))
        z = (x * signs - self.mode) @ self.vectors
        z /= np.where(z < 0.0, self.left, self.right)
        z *= z
        far = (1.0 + z / T_DF).prod(axis=-1)
        nearest = far.min(axis=0)
        folds = ((nearest / far) ** (0.5 * (T_DF + 1.0))).sum(axis=0)
        each = np.log(T_SCALE * 2.0 / (self.left + self.right)).sum()
        return np.asarray(np.log(folds) - 0.5 * (T_DF + 1.0) * np.log(nearest) + each)


@cache
def _points(n: int, dim: int, seed: int) -> Floats:
    """The same set serves every link of a fit; not to be written to."""
    points = sobol_points(n, dim, seed)
    points.flags.writeable = False
    return points


def t_quantile(p: Floats) -> Floats:
    """The value below which a Student's t of `T_DF` degrees of freedom lies with chance ``p``.

    With s = t / √(6 + t²) and d = 1 - |s| both tails together hold d³ (5/2 - 15/8 d + 3/8 d²) (derived, from
    the law's algebraic form for even degrees of freedom); solved for d by Newton's steps.
    """
    both = 2.0 * np.minimum(p, 1.0 - p)
    d = np.cbrt(both / 2.5)
    for _ in range(T_STEPS):
        over = d**3 * (2.5 + d * (0.375 * d - 1.875)) - both
        d = np.minimum(d - over / (1.875 * (d * (2.0 - d)) ** 2), 1.0)
    return np.asarray(np.sign(p - 0.5) * (1.0 - d) * np.sqrt(T_DF / (d * (2.0 - d))))


def slice_chain(
    density: LogDensity, start: Floats, widths: Floats, *, sweeps: int, warm: int, rng: np.random.Generator
) -> Floats:
    """Sample a density coordinate by coordinate.

    Parameters
    ----------
    density : log density up to a constant; -inf outside its support
    start : (dim,) a point of positive density
    widths : (dim,) first guess of a slice's width per coordinate
    sweeps : sweeps kept
    warm : sweeps thrown away first
    rng : source of randomness

    Returns
    -------
    (sweeps, dim) array
    """
    x, level = start.copy(), density(start)
    kept = np.empty((sweeps, len(start)))
    for sweep in range(warm + sweeps):
        for i in range(len(start)):
            x, level = _one(density, x, level, i, float(widths[i]), rng)
        if sweep >= warm:
            kept[sweep - warm] = x
    return kept


def _one(
    density: LogDensity, x: Floats, level: float, i: int, width: float, rng: np.random.Generator
) -> tuple[Floats, float]:
    """One update of coordinate ``i``; returns the new point and its log density."""
    height = level - rng.exponential()
    probe = x.copy()

    def at(value: float) -> float:
        probe[i] = value
        return density(probe)

    low = x[i] - width * rng.random()
    high = low + width
    room = int(STEPS_OUT * rng.random())
    for _ in range(room):
        if at(low) <= height:
            break
        low -= width
    for _ in range(STEPS_OUT - 1 - room):
        if at(high) <= height:
            break
        high += width
    while True:
        value = low + (high - low) * rng.random()
        found = at(value)
        if found > height:
            return probe, found
        if value < x[i]:
            low = value
        else:
            high = value


def chain_ess(chain: Floats) -> float:
    """Smallest effective sample size over the coordinates of a chain.

    Autocorrelations are summed in pairs of neighbouring lags until a pair's sum is no longer positive.
    """
    n = len(chain)
    worst = float(n)
    for column in chain.T:
        centred = column - column.mean()
        auto = np.fft.irfft(np.abs(np.fft.rfft(centred, 2 * n)) ** 2)[:n]
        if auto[0] <= 0.0:
            continue
        rho = auto / auto[0]
        pairs = rho[: 2 * (n // 2)].reshape(-1, 2).sum(axis=1)
        stop = int(np.argmax(pairs <= 0.0)) if np.any(pairs <= 0.0) else len(pairs)
        worst = min(worst, n / max(2.0 * float(pairs[:stop].sum()) - 1.0, 1e-9))
    return min(worst, float(n))

"""Slice sampling: the slow, sure way when importance weights are not to be trusted.

References
----------
Neal 2003, Annals of Statistics 31(3): stepping out (figure 3) and shrinking (figure 5).
Geyer 1992, Statistical Science 7(4): effective size of a chain from its autocorrelations.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fleet.statistics.gram import Floats

LogDensity = Callable[[Floats], float]
STEPS_OUT = 20


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

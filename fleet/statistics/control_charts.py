"""Control charts: exponentially weighted moving average and tabular CUSUM, and how often they alarm.

Sources: S. W. Roberts, Technometrics 1 (1959) 239 (the chart); J. M. Lucas and M. S. Saccucci, Technometrics
32 (1990) 1 (its run length); E. S. Page, Biometrika 41 (1954) 100 (CUSUM); D. Brook and D. A. Evans,
Biometrika 59 (1972) 539 (run length as the solution of a linear system).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from fleet.statistics.even_draws import normal_cdf

Floats = NDArray[np.float64]
NODES: Final = 201


@dataclass(frozen=True)
class EwmaChart:
    """An EWMA chart of n values.

    Attributes
    ----------
    series : (n,) the moving average after each value
    lower, upper : (n,) its limits
    signals : (n,) whether it lies beyond them
    sentence : whether, where and to which side it first signals
    """

    series: Floats
    lower: Floats
    upper: Floats
    signals: NDArray[np.bool_]
    sentence: str


def ewma_chart(
    values: ArrayLike,
    *,
    target: float,
    sd: float,
    weight: float = 0.2,
    width: float = 3.0,
    exact: bool = False,
) -> EwmaChart:
    """Chart values about a target.

    Parameters
    ----------
    values : (n,) in order of time
    target : what they should be about; the average starts there
    sd : standard deviation of one value
    weight : of the newest value, above 0 and at most 1
    width : limits in standard deviations of the average
    exact : whether the limits widen from the start as the average's own spread does, or stand from the
        first value at what they come to

    Raises
    ------
    ValueError
        If ``sd``, ``weight`` or ``width`` is out of range.
    """
    _check(sd, weight, width)
    x = np.asarray(values, dtype=float)
    series = target + ewma(x - target, weight)
    half = width * sd * np.full(len(x), np.sqrt(weight / (2.0 - weight)))
    if exact:
        half *= np.sqrt(1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(x) + 1)))
    signals = np.abs(series - target) > half
    return EwmaChart(series, target - half, target + half, signals, _told(signals, series - target))


def _told(signals: NDArray[np.bool_], off: Floats) -> str:
    if not signals.any():
        return f"No signal in {len(signals)} values."
    first = int(signals.argmax())
    return f"First signal at value {first + 1} of {len(signals)}, {'above' if off[first] > 0 else 'below'}."


def ewma(values: ArrayLike, weight: float) -> Floats:
    """Exponentially weighted moving average along the last axis, from 0: z_t = w x_t + (1 - w) z_(t-1)."""
    x = np.asarray(values, dtype=float)
    return np.asarray(signal.lfilter([weight], [1.0, weight - 1.0], x, axis=-1))


@lru_cache
def _quadrature(nodes: int) -> tuple[Floats, Floats]:
    """Gauss–Legendre nodes and weights on (-1, 1)."""
    return np.polynomial.legendre.leggauss(nodes)


def _density(x: Floats) -> Floats:
    """Of a standard normal."""
    return np.asarray(np.exp(-(x**2) / 2.0) / np.sqrt(2.0 * np.pi))


def ewma_run_length(*, shift: float, weight: float, width: float, nodes: int = NODES) -> float:
    """Average number of values to a signal of an EWMA chart with standing limits, started at its target.

    Solves L(z) = 1 + (1/w) ∫ L(y) φ((y - (1-w) z)/w - shift) dy over the limits by Gauss–Legendre.

    Parameters
    ----------
    shift : of the mean from the target [standard deviations of a value]
    weight, width : of the chart
    nodes : of the quadrature
    """
    _check(1.0, weight, width)
    limit = width * np.sqrt(weight / (2.0 - weight))
    node, share = _quadrature(nodes)
    z = limit * node
    density = _density((z[None, :] - (1.0 - weight) * z[:, None]) / weight - shift)
    kernel = density * (limit * share / weight)[None, :]
    length = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    start = _density(z / weight - shift) * limit * share / weight
    return float(1.0 + start @ length)


@dataclass(frozen=True)
class CusumChart:
    """A tabular CUSUM of n values.

    Attributes
    ----------
    high, low : (n,) sums of what lies above and below the target by more than the allowance
    signals : (n,) whether either is beyond the decision limit
    sentence : whether, where and to which side it first signals
    """

    high: Floats
    low: Floats
    signals: NDArray[np.bool_]
    sentence: str


def cusum_chart(values: ArrayLike, *, target: float, allowance: float, limit: float) -> CusumChart:
    """Chart both one-sided sums of the values' departures from a target.

    Parameters
    ----------
    values : (n,) in order of time
    target : what they should be about
    allowance : departure that is let pass, in the values' unit (half the shift to be found)
    limit : decision limit, in the values' unit
    """
    off = np.asarray(values, dtype=float) - target
    high, low = _sums(off - allowance), _sums(-off - allowance)
    signals = np.maximum(high, low) > limit
    return CusumChart(high, low, signals, _told(signals, high - low))


def _sums(steps: Floats) -> Floats:
    """Running sums that never fall below 0: the walk less its lowest point so far."""
    walk = np.cumsum(steps)
    return np.asarray(walk - np.minimum.accumulate(np.minimum(walk, 0.0)))


def cusum_run_length(
    *, shift: float, allowance: float, limit: float, two_sided: bool = True, nodes: int = NODES
) -> float:
    """Average number of values to a signal of a CUSUM started at 0, all in standard deviations of a value.

    The walk stands at 0 with a chance of its own, else it has a density on (0, limit]; both sides together
    signal at the sum of their rates.
    """
    up = _one_sided(shift, allowance, limit, nodes)
    if not two_sided:
        return up
    down = _one_sided(-shift, allowance, limit, nodes)
    return 1.0 / (1.0 / up + 1.0 / down)


def _one_sided(shift: float, allowance: float, limit: float, nodes: int) -> float:
    node, share = _quadrature(nodes)
    place = np.concatenate([[0.0], 0.5 * limit * (node + 1.0)])
    step = place[None, :] - place[:, None] + allowance - shift
    kernel = _density(step) * np.concatenate([[0.0], 0.5 * limit * share])
    kernel[:, 0] = normal_cdf(step[:, 0])
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


def _check(sd: float, weight: float, width: float) -> None:
    if not (sd > 0.0 and 0.0 < weight <= 1.0 and width > 0.0):
        raise ValueError(
            f"got sd {sd}, weight {weight}, width {width}; expected sd > 0, 0 < weight <= 1, width > 0"
        )

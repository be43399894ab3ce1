"""Limits of the bench watch: how wide they stand so that false alarms come as seldom as promised.

A chart's centre and sd are learnt from a baseline of finite length: the mean is off by N(0, 1/m) sigmas, the
variance is χ²(dof)/dof of the true one (L. A. Jones, C. W. Champ and S. E. Rigdon, Technometrics 43 (2001)
156 reckon so for the EWMA).  What is promised is the rate: false alarms per check, averaged over baselines.
The mean of the run lengths would flatter: a few baselines that came out wide make it long, while most alarm
too soon.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from fleet.statistics.control_charts import cusum_run_length, ewma_run_length

Floats = NDArray[np.float64]
Chart = Literal["single", "ewma", "cusum"]
CHARTS: Final[tuple[Chart, ...]] = ("single", "ewma", "cusum")
EWMA_WEIGHT: Final = 0.1
"""Finds slow changes of half to one sigma soonest (Lucas and Saccucci 1990, Table 3)."""
CUSUM_ALLOWANCE: Final = 0.5
"""In sigmas: half the shift that the CUSUM is tuned for, one sigma (Montgomery's textbook, chapter 9)."""
SMALLEST_BASELINE: Final = 20
"""Checks below which the baseline says too little: run lengths have hardly a mean there."""
_NODES: Final = 31
_WIDEST: Final = 200.0
_NEVER: Final = 1e12
"""Run lengths beyond this can't be solved for, and don't matter."""
_MEAN_NODES: Final = 8
_SD_NODES: Final = 9


@dataclass(frozen=True)
class Limits:
    """Where one reading's three charts stand, in sigmas as the baseline gives them.

    Attributes
    ----------
    single : a single check further than this from the centre signals
    ewma : width of the EWMA's limits, in standard deviations of the average
    cusum : decision limit of the CUSUM
    every_checks : checks per false alarm of each chart, over all the baselines that there might have been
    known_checks : the same per chart if centre and sd were exactly known (in the order of `CHARTS`)
    """

    single: float
    ewma: float
    cusum: float
    every_checks: float
    known_checks: tuple[float, float, float]

    def of(self, chart: Chart) -> float:
        """One chart's limit."""
        return {"single": self.single, "ewma": self.ewma, "cusum": self.cusum}[chart]


def run_length(
    chart: Chart,
    limit: float,
    *,
    shift: float = 0.0,
    checks: int = 0,
    dof: float = 0.0,
    warmth: float = 0.0,
) -> float:
    """Checks per signal: the average run length, and over uncertain baselines one by the mean rate.

    Parameters
    ----------
    chart, limit : which chart, and its limit in sigmas of the baseline (see `Limits`)
    shift : of the bench [true sigmas]
    checks, dof : checks in the baseline and its degrees of freedom; 0: centre and sd known exactly
    warmth : mean square of the error that an uncertain effect of temperature makes [sigmas²]
    """
    if checks == 0:
        return _known(chart, limit, shift, 1.0)
    rate = 0.0
    for mean, mean_share in zip(*_normal_nodes(1.0 / checks + warmth), strict=True):
        for ratio, ratio_share in zip(*_ratio_nodes(dof), strict=True):
            share = float(mean_share * ratio_share)
            rate += share / _known(chart, limit, shift - float(mean), float(ratio))
    return 1.0 / rate


def limits_for(
    every_checks: float, *, checks: int, dof: float, warmth: tuple[float, float] = (0.0, 0.0)
) -> Limits:
    """Limits at which each chart raises one false alarm in so many checks on average.

    Parameters
    ----------
    every_checks : promised checks per false alarm of each chart, the bench steady
    checks, dof : checks in the baseline and its degrees of freedom
    warmth : mean square of the error that an uncertain effect of temperature makes [sigmas²]: of single
        checks, and of their average over about a month, which EWMA and CUSUM take for a shift
    """
    fast, slow = (round(float(x), 5) for x in warmth)
    return _limits_for(float(every_checks), int(checks), float(dof), fast, slow)


@lru_cache(maxsize=64)
def _limits_for(every_checks: float, checks: int, dof: float, fast: float, slow: float) -> Limits:
    found: dict[Chart, float] = {}
    usual = float(stats.norm.isf(0.5 / every_checks))
    for chart, guess in zip(CHARTS, (usual, usual, float(np.log(every_checks)) - 0.5), strict=True):
        warmth = fast if chart == "single" else slow
        length = partial(run_length, chart, checks=checks, dof=dof, warmth=warmth)
        found[chart] = _solve(length, every_checks, guess)
    known = tuple(run_length(chart, found[chart]) for chart in CHARTS)
    return Limits(
        found["single"], found["ewma"], found["cusum"], every_checks, (known[0], known[1], known[2])
    )


def _solve(length: Callable[[float], float], wanted: float, guess: float) -> float:
    """The limit with the wanted run length, to about a thousandth of it: its logarithm is nearly straight."""

    def off(x: float) -> float:
        return float(np.log(length(max(x, 0.1))) - np.log(wanted))

    low, high = guess, 1.2 * guess
    while off(low) > 0.0 and low > 0.2:
        low, high = 0.8 * low, low
    while off(high) < 0.0 and high < _WIDEST:
        low, high = high, 1.2 * high
    return float(optimize.brentq(off, low, high, xtol=1e-4, rtol=1e-5)) if off(high) > 0.0 else high


def _known(chart: Chart, limit: float, shift: float, ratio: float) -> float:
    """Run length where the true centre is off by `shift` and the sd used is `ratio` of the true one."""
    if chart == "single":
        beyond = stats.norm.sf(limit * ratio - shift) + stats.norm.cdf(-limit * ratio - shift)
        return 1.0 / max(float(beyond), 1.0 / _NEVER)
    if chart == "ewma":
        length = ewma_run_length(shift=shift, weight=EWMA_WEIGHT, width=limit * ratio, nodes=_NODES)
    else:
        allowance = CUSUM_ALLOWANCE * ratio
        length = cusum_run_length(shift=shift, allowance=allowance, limit=limit * ratio, nodes=_NODES)
    return length if 1.0 <= length <= _NEVER else _NEVER


def _normal_nodes(variance: float) -> tuple[Floats, Floats]:
    """Nodes and weights over the centre's error [sigmas]; both signs alike, so one side twice."""
    node, weight = np.polynomial.hermite_e.hermegauss(_MEAN_NODES)
    keep = node > 0.0
    return node[keep] * np.sqrt(variance), 2.0 * weight[keep] / weight.sum()


def _ratio_nodes(dof: float) -> tuple[Floats, Floats]:
    """Nodes and weights over (baseline sd) / (true sd), by Gauss-Hermite in its logarithm."""
    node, weight = np.polynomial.hermite_e.hermegauss(_SD_NODES)
    spread = 1.15 * np.sqrt(0.5 / dof)
    log_ratio = spread * node
    squared = dof * np.exp(2.0 * log_ratio)
    density = stats.chi2.pdf(squared, dof) * 2.0 * squared
    share = weight * np.exp(0.5 * node**2) * spread * density
    return np.exp(log_ratio), share / share.sum()

"""Rates of small groups, honestly: Wilson intervals, pooling toward the fleet, trends, funnel limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy

from fleet.numerals import percent
from fleet.statistics.even_draws import normal_quantile

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

SPREAD_MAX: Final = 2.0
"""Upper end of the prior on 1/sqrt(alpha + beta): beyond it groups would be all or nothing."""


@dataclass(frozen=True)
class Pooled:
    """Rates of groups, each drawn toward the fleet as far as its own count is thin.

    Attributes
    ----------
    rate, low, high
        Posterior mean and central interval of each group's true rate, shape (groups,).
    fleet_rate, fleet_weight
        Posterior means of the fleet's rate and of the number of units it weighs as much as.
    sentence
        The same in words.
    """

    rate: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    fleet_rate: float
    fleet_weight: float
    sentence: str


@dataclass(frozen=True)
class Trend:
    """Whether a rate rises or falls over ordered periods."""

    z: float
    p_value: float
    slope: float
    sentence: str


@dataclass(frozen=True)
class Funnel:
    """Groups against the limits that chance alone would set around the common rate.

    Attributes
    ----------
    centre
        Common rate.
    rate, low95, high95, low998, high998
        Each group's rate and its limits, clipped to 0..1, shape (groups,).
    z
        Standardised distance of each group from the centre, overdispersion taken out.
    overdispersion
        Factor phi on the variance, 1 if there is none.
    """

    centre: float
    rate: NDArray[np.float64]
    low95: NDArray[np.float64]
    high95: NDArray[np.float64]
    low998: NDArray[np.float64]
    high998: NDArray[np.float64]
    z: NDArray[np.float64]
    overdispersion: float


def wilson(
    met: ArrayLike, n: ArrayLike, level: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wilson's score interval of a proportion, vectorised; no count gives no interval (NaN).

    Parameters
    ----------
    met, n
        Successes and trials, broadcast together.
    level
        Coverage, two-sided.

    Returns
    -------
    low, high
        Limits in 0..1; exactly 0 where `met` is 0 and exactly 1 where `met` equals `n`.

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22, 209-212; method 3 of Newcombe (1998), Stat. Med. 17, 857-872.
    """
    x, trials = np.broadcast_arrays(np.asarray(met, dtype=float), np.asarray(n, dtype=float))
    trials = np.where(trials > 0, trials, np.nan)
    z2 = float(normal_quantile(0.5 + level / 2)) ** 2
    centre = (x + z2 / 2) / (trials + z2)
    half = np.sqrt(z2 * (x * (trials - x) / trials + z2 / 4)) / (trials + z2)
    low = np.where(x == 0, trials * 0, centre - half)
    high = np.where(x == trials, 1.0, centre + half)
    return low, high


def rate_difference(
    met: ArrayLike, n: ArrayLike, met_before: ArrayLike, n_before: ArrayLike, level: float = 0.95
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Difference of two independent rates, with its interval.

    Parameters
    ----------
    met, n, met_before, n_before
        Units that meet the target and units read, now and before; broadcast against each other.
    level
        Of the interval.

    Returns
    -------
    difference, low, high : ndarray
        Rate now less rate before; NaN where either has no unit.

    References
    ----------
    Newcombe (1998), Stat. Med. 17, 873-890, method 10: the two Wilson intervals, squared and added.
    """
    now, then = (np.asarray(m, dtype=float) / np.where(np.asarray(k) > 0, k, np.nan)
                 for m, k in ((met, n), (met_before, n_before)))  # fmt: skip
    low, high = wilson(met, n, level)
    low_before, high_before = wilson(met_before, n_before, level)
    below = np.hypot(now - low, high_before - then)
    above = np.hypot(high - now, then - low_before)
    return now - then, now - then - below, now - then + above


def pool(met: ArrayLike, n: ArrayLike, level: float = 0.95) -> Pooled:
    """Draw the rates of small groups toward the fleet's (beta-binomial, all uncertainty carried).

    Each group's true rate is a draw from a beta distribution with mean m and weight k = alpha + beta; m and
    1/sqrt(k) have flat priors (that is p(alpha, beta) ~ (alpha + beta)^(-5/2)), summed over a grid that is
    refined where the posterior lies. A group without any unit gets the fleet's spread.

    Parameters
    ----------
    met, n
        Successes and trials of each group, shape (groups,).
    level
        Coverage of the intervals.

    Returns
    -------
    Pooled

    References
    ----------
    Gelman et al., Bayesian Data Analysis (3rd ed.), section 5.3.
    """
    x, trials = np.asarray(met, dtype=float).ravel(), np.asarray(n, dtype=float).ravel()
    mean, weight, share = _posterior_grid(x, trials)
    alpha, beta = (mean * weight)[:, None] + x, ((1 - mean) * weight)[:, None] + trials - x
    rate = share @ (alpha / (alpha + beta))
    tail = (1 - level) / 2
    _, first, which = np.unique(np.column_stack([x, trials]), axis=0, return_index=True, return_inverse=True)
    few = alpha[:, first], beta[:, first]
    low = _mixture_quantile(tail, *few, share)[which]
    high = _mixture_quantile(1 - tail, *few, share)[which]
    fleet_rate = float(share @ mean)
    fleet_weight = float(1 / (share @ (1 / np.sqrt(weight))) ** 2)
    sentence = (
        f"Each group is drawn toward the fleet's {percent(fleet_rate)} as if {fleet_weight:.0f} of "
        "the fleet's units were added to its own."
    )
    return Pooled(rate, low, high, fleet_rate, fleet_weight, sentence)


def trend(met: ArrayLike, n: ArrayLike, score: ArrayLike | None = None) -> Trend:
    """Cochran-Armitage test for a linear trend of a rate over ordered periods.

    Parameters
    ----------
    met, n
        Successes and trials of each period, shape (periods,).
    score
        Position of each period; 0, 1, 2 ... if not given.

    Returns
    -------
    Trend
        z (> 0 = rising), two-sided p, least-squares slope of the rate per unit of score. NaN where nothing
        can be said: fewer than two periods with units, or fewer than five units met or not met in all (the
        normal approximation needs them).

    References
    ----------
    Armitage (1955), Biometrics 11, 375-386.
    """
    x, trials = np.asarray(met, dtype=float), np.asarray(n, dtype=float)
    position = np.arange(x.size, dtype=float) if score is None else np.asarray(score, dtype=float)
    total, successes = trials.sum(), x.sum()
    if (trials > 0).sum() < 2 or min(successes, total - successes) < 5:
        return Trend(np.nan, np.nan, np.nan, "Too few units to test for a trend.")
    rate = successes / total
    offset = position - (position @ trials) / total
    spread = trials @ offset**2
    slope = float(offset @ x / spread)
    z = float(offset @ x / np.sqrt(rate * (1 - rate) * spread))
    p_value = float(2 * scipy.special.ndtr(-abs(z)))
    way = "rises" if slope > 0 else "falls"
    sentence = f"The rate {way} by {100 * abs(slope):.1f} points a period (p = {p_value:.2g})."
    return Trend(z, p_value, slope, sentence)


def adjust(p_values: ArrayLike, method: str = "fdr_bh") -> NDArray[np.float64]:
    """Adjust p-values for many tests; NaN stay NaN and don't count.

    Parameters
    ----------
    p_values
        Any shape (groups,).
    method
        `fdr_bh` (Benjamini-Hochberg, false-discovery rate) or `holm` (any false alarm at all).
    """
    from statsmodels.stats.multitest import multipletests

    p = np.asarray(p_values, dtype=float)
    adjusted = np.full(p.shape, np.nan)
    told = ~np.isnan(p)
    if told.any():
        adjusted[told] = multipletests(p[told], method=method)[1]
    return adjusted


def funnel_limits(n: ArrayLike, centre: float, tail: float) -> NDArray[np.float64]:
    """Exact binomial funnel limit, interpolated between counts.

    Parameters
    ----------
    n
        Units of each group.
    centre
        Common rate.
    tail
        Lower-tail probability of the limit: 0.025 for the lower of the 95 % pair, 0.975 for the upper.

    Returns
    -------
    ndarray
        Limit as a rate, not clipped: below 0 or above 1 means that no count of the group could be beyond it.

    References
    ----------
    Spiegelhalter (2005), Stat. Med. 24, 1185-1202, appendix A.1.1.
    """
    trials = np.asarray(n, dtype=float)
    first = scipy.stats.binom.ppf(tail, trials, centre)
    at, below = scipy.stats.binom.cdf(first, trials, centre), scipy.stats.binom.cdf(first - 1, trials, centre)
    return np.asarray((first - (at - tail) / (at - below)) / trials)


def funnel(
    met: ArrayLike, n: ArrayLike, centre: float | None = None, *, allow_overdispersion: bool = True
) -> Funnel:
    """Set groups against the limits that chance alone would draw around the common rate.

    Where the groups scatter more than chance allows as a whole, the limits widen by the square root of the
    overdispersion: mean square of the z-scores, winsorised at their 10 % and 90 % points, if above 1. Fewer
    than ten groups can't show it (no tenth to draw in) and keep the plain limits.

    Parameters
    ----------
    met, n
        Successes and trials of each group (every `n` above 0), shape (groups,).
    centre
        Common rate; the pooled rate if not given.
    allow_overdispersion
        Whether to widen.

    Returns
    -------
    Funnel

    References
    ----------
    Spiegelhalter (2005), Stat. Med. 24, 1185-1202; overdispersion: the same (2005), Qual. Saf. Health Care
    14, 347-351.
    """
    x, trials = np.asarray(met, dtype=float), np.asarray(n, dtype=float)
    common = float(x.sum() / trials.sum()) if centre is None else centre
    if not 0 < common < 1:
        phi, z = 1.0, np.zeros(x.shape)
    else:
        z = (x / trials - common) / np.sqrt(common * (1 - common) / trials)
        phi = overdispersion(z) if allow_overdispersion and x.size >= 10 else 1.0
    widen = np.sqrt(phi)

    def limit(tail: float) -> NDArray[np.float64]:
        if not 0 < common < 1:
            return np.full(x.shape, common)
        return np.asarray(np.clip(common + widen * (funnel_limits(trials, common, tail) - common), 0, 1))

    limits = limit(0.025), limit(0.975), limit(0.001), limit(0.999)
    return Funnel(common, x / trials, *limits, z=z / widen, overdispersion=phi)


def overdispersion(z: ArrayLike) -> float:
    """Variance factor of z-scores, their outer tenths drawn in to the 10 % and 90 % points; at least 1."""
    scores = np.asarray(z, dtype=float)
    drawn_in = np.clip(scores, *np.quantile(scores, [0.1, 0.9]))
    return max(1.0, float(np.mean(drawn_in**2)))


def _log_posterior(
    mean: NDArray[np.float64], weight: NDArray[np.float64], x: NDArray[np.float64], n: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log marginal likelihood of all groups at each grid point; equal groups are counted, not repeated."""
    pairs, times = np.unique(np.column_stack([x, n]), axis=0, return_counts=True)
    alpha, beta = (mean * weight)[:, None], ((1 - mean) * weight)[:, None]
    own = scipy.special.betaln(alpha + pairs[:, 0], beta + pairs[:, 1] - pairs[:, 0])
    terms = own - scipy.special.betaln(alpha, beta)
    return np.asarray(terms @ times)


def _posterior_grid(
    x: NDArray[np.float64], n: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Grid points (mean, weight) and their posterior shares; each pass is finer where the mass lies."""
    ends = [0.0, 1.0, 0.0, SPREAD_MAX]
    for points in (40, 40, 40):
        step = (np.arange(points) + 0.5) / points
        mean = np.repeat(ends[0] + step * (ends[1] - ends[0]), points)
        spread = np.tile(ends[2] + step * (ends[3] - ends[2]), points)
        log = _log_posterior(mean, spread**-2, x, n)
        share = np.exp(log - log.max())
        seen = share > 1e-7
        wide = (ends[1] - ends[0]) / points, (ends[3] - ends[2]) / points
        ends = [
            max(0.0, mean[seen].min() - wide[0]),
            min(1.0, mean[seen].max() + wide[0]),
            max(0.0, spread[seen].min() - wide[1]),
            min(SPREAD_MAX, spread[seen].max() + wide[1]),
        ]
    kept = share > 1e-4
    return mean[kept], spread[kept] ** -2, share[kept] / share[kept].sum()


def _mixture_quantile(
    q: float, alpha: NDArray[np.float64], beta: NDArray[np.float64], share: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Quantile of each group's mixture of betas, by bisection; shapes (grid, groups), share (grid,)."""
    low, high = np.zeros(alpha.shape[1]), np.ones(alpha.shape[1])
    for _ in range(20):
        middle = (low + high) / 2
        below = share @ scipy.special.betainc(alpha, beta, middle) < q
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2

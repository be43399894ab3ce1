"""When did a reading begin to move, how, by how much: one change-point, step or creep, and its uncertainty.

Model: ``y = nuisance + b x(t; τ) + e``, with x a step from τ on or the weeks since τ (broken stick).  Under a
g-prior with g the number of checks (A. Zellner 1986; A. F. M. Smith, Biometrika 62 (1975) 407 for the
change-point) every (kind, τ) is judged by its residual sum of squares alone, so the profile of the
likelihood is the posterior, and steps and creeps of all dates stand on one scale.  Whether there is any
change at all is tested by the largest share explained against its distribution under steady normal noise, by
simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Floats = NDArray[np.float64]
Kind = Literal["creep", "step", "unclear"]
SURE: Final = 0.8
"""A kind of change is named where it has at least this chance against the other."""
DRAWS: Final = 4000
_SIMULATED: Final = 999
_MOST_DATES: Final = 400
_DAYS_A_WEEK: Final = 7.0


@dataclass(frozen=True)
class Change:
    """A change of one reading, or what would be the likeliest one if there were any.

    Attributes
    ----------
    kind : `creep`, `step`, or `unclear` where neither has a chance of `SURE`
    creep_chance : of a creep against a step
    since, since_low, since_high : the first day of it: median and 95 % of the posterior
    rate, rate_low, rate_high : change per week if it creeps [unit of the reading]
    size, size_low, size_high : change if it is a step [unit of the reading]
    now, now_low, now_high : how far the reading is off at the last check, kinds weighed by their chances
    p_value : of so much change at one look, if there were none
    draws : (DRAWS, 3) draws of (1 for creep, first day as a number of days, rate per week or size)
    """

    kind: Kind
    creep_chance: float
    since: pd.Timestamp
    since_low: pd.Timestamp
    since_high: pd.Timestamp
    rate: float
    rate_low: float
    rate_high: float
    size: float
    size_low: float
    size_high: float
    now: float
    now_low: float
    now_high: float
    p_value: float
    draws: Floats

    @property
    def weeks_either_way(self) -> float:
        """Half of a 95 % interval of the day, the longer half [weeks]."""
        before, after = self.since - self.since_low, self.since_high - self.since
        return float(max(before, after) / pd.Timedelta(days=_DAYS_A_WEEK))

    def offset(self, on: ArrayLike) -> Floats:
        """How far the reading is off on these days, (n, 3): mean and 95 % limits; 0 before any change."""
        day = np.atleast_1d(_days(on))
        creeps, first, effect = self.draws.T
        out = np.empty((len(day), 3))
        for i, d in enumerate(day):
            grown = np.maximum(d - first, 0.0) / _DAYS_A_WEEK
            off = effect * np.where(creeps > 0.0, grown, (d >= first).astype(float))
            out[i] = off.mean(), *np.quantile(off, (0.025, 0.975))
        return out


def find_change(
    values: ArrayLike, on: ArrayLike, nuisance: ArrayLike | None = None, *, seed: int = 0
) -> Change | None:
    """Find the likeliest single change of a series.

    Parameters
    ----------
    values : (n,) readings in order of time
    on : (n,) days of reading
    nuisance : (n, p) columns that are there whether or not anything changed (levels of check pickups,
        temperature); a column of ones if None
    seed : of the draws and of the simulated p-value

    Returns
    -------
    Change, or None where the series is too short to tell (under 8 checks beyond the nuisance columns).
    """
    y, day = np.asarray(values, dtype=float), _days(on)
    z = np.ones((len(y), 1)) if nuisance is None else np.asarray(nuisance, dtype=float)
    dof = len(y) - np.linalg.matrix_rank(z) - 1
    if dof < 8:
        return None
    kinds, first, shapes = _shapes(day)
    basis = _basis(z)
    left = shapes - (shapes @ basis) @ basis.T
    length2 = (left**2).sum(axis=1)
    known = length2 > 1e-9 * (shapes**2).sum(axis=1)
    kinds, first, left, length2 = kinds[known], first[known], left[known], length2[known]
    if not len(kinds):
        return None
    r = y - basis @ (basis.T @ y)
    total = max(float(r @ r), 1e-300)
    effect = left @ r / length2
    rest = np.maximum(total - effect**2 * length2, 1e-12 * total)
    weight = _weights(kinds, first, rest, dof)
    p_value = _chance(left / np.sqrt(length2)[:, None], basis, 1.0 - rest.min() / total, seed)
    sd = np.sqrt(rest / dof / length2)
    draws = _draw(kinds, first, day, effect, sd, weight, dof, seed)
    return _told(draws, float(weight[kinds > 0.0].sum()), day[-1], p_value)


def _days(on: ArrayLike) -> Floats:
    stamps = pd.to_datetime(pd.Series(np.asarray(on))).to_numpy().astype("datetime64[D]")
    return np.asarray(stamps.astype(np.int64), dtype=np.float64)


def _shapes(day: Floats) -> tuple[Floats, Floats, Floats]:
    """Kinds (1 creep, 0 step), first days and shapes (k, n) of every change that is looked at.

    At least two checks stand on either side of each.
    """
    distinct = np.unique(day)
    starts = distinct[2:-1] if len(distinct) > 4 else distinct[1:-1]
    starts = starts[:: max(1, -(-len(starts) // _MOST_DATES))]
    creep = np.maximum(day[None, :] - starts[:, None], 0.0) / _DAYS_A_WEEK
    step = (day[None, :] >= starts[:, None]).astype(float)
    kinds = np.repeat([1.0, 0.0], len(starts))
    return kinds, np.concatenate([starts, starts]), np.concatenate([creep, step])


def _basis(columns: Floats) -> Floats:
    """Orthonormal columns that span the nuisance."""
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(u[:, s > 1e-10 * s[0]])


def _weights(kinds: Floats, first: Floats, rest: Floats, dof: int) -> Floats:
    """Posterior of each change; days count by the time they stand for, both kinds alike beforehand."""
    log = -0.5 * (dof + 1) * np.log(rest / rest.min())
    gap = np.empty(len(first))
    for kind in (0.0, 1.0):
        own = np.flatnonzero(kinds == kind)
        if len(own) > 1:
            gap[own] = np.gradient(first[own])
        else:
            gap[own] = 1.0
        gap[own] /= max(gap[own].sum(), 1e-300)
    weight = gap * np.exp(log)
    return np.asarray(weight / weight.sum())


def _chance(unit: Floats, basis: Floats, explained: float, seed: int) -> float:
    """Chance that steady normal noise shows a change that explains as large a share."""
    rng = np.random.default_rng([seed, 1])
    noise = rng.standard_normal((unit.shape[1], _SIMULATED))
    noise -= basis @ (basis.T @ noise)
    share = ((unit @ noise) ** 2).max(axis=0) / (noise**2).sum(axis=0)
    return float((1 + (share >= explained).sum()) / (1 + _SIMULATED))


def _draw(
    kinds: Floats, first: Floats, day: Floats, effect: Floats, sd: Floats, weight: Floats, dof: int, seed: int
) -> Floats:
    """Draws of (creep?, first day, effect); a step's day lies anywhere since the check before."""
    rng = np.random.default_rng([seed, 2])
    edges = np.cumsum(weight)
    chosen = np.searchsorted(edges, (np.arange(DRAWS) + rng.random()) / DRAWS * edges[-1])
    chosen = np.minimum(chosen, len(weight) - 1)
    before = np.unique(day)[np.maximum(np.searchsorted(np.unique(day), first[chosen]) - 1, 0)]
    begun = first[chosen] - rng.random(DRAWS) * (first[chosen] - before) * (kinds[chosen] == 0.0)
    moved = effect[chosen] + sd[chosen] * stats.t.rvs(dof, size=DRAWS, random_state=rng)
    return np.column_stack([kinds[chosen], begun, moved])


def _told(draws: Floats, creep_chance: float, last: float, p_value: float) -> Change:
    creeps, first, effect = draws.T
    kind: Kind = "creep" if creep_chance >= SURE else "step" if creep_chance <= 1.0 - SURE else "unclear"
    told = creeps > 0.0 if kind == "creep" else creeps == 0.0 if kind == "step" else np.ones(len(draws), bool)
    low, middle, high = (
        pd.Timestamp(np.datetime64(round(q), "D")) for q in np.quantile(first[told], (0.025, 0.5, 0.975))
    )
    rate = _span(effect[creeps > 0.0])
    size = _span(effect[creeps == 0.0])
    now = _span(np.where(creeps > 0.0, effect * np.maximum(last - first, 0.0) / _DAYS_A_WEEK, effect))
    return Change(kind, creep_chance, middle, low, high, *rate, *size, *now, p_value, draws)


def _span(values: Floats) -> tuple[float, float, float]:
    """Median and 95 % limits; NaN where that kind has hardly a chance."""
    if len(values) < 40:
        return (float("nan"),) * 3
    low, middle, high = np.quantile(values, (0.025, 0.5, 0.975))
    return float(middle), float(low), float(high)

"""How noisy readings were in each quarter of a bench's life, learnt from sound units' residuals.

An instrument goes out of true, a new hand reads worse: readings then scatter more, for a while, while units
are as alike as ever.  In quarter p and link j the reading noise is k times what repeats tell on the whole:

    log k = c + e,   c ~ N(0, ρτ²) of the quarter, e ~ N(0, (1 − ρ)τ²) of the quarter's link

with τ and ρ integrated out on a grid, and c and e too (derived); one e in twenty may be of any size, as one
instrument can go wrong by itself.  A link whose noise is small beside what units differ by tells next to
nothing of it, and leans on the others.  Where nothing changed, all k stay near 1.  Residuals beyond the
robust cut may be faulty units' and tell nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.estimation.family_spread import RHO, TAU
from fleet.house_model.chain import JUDGED, SAG_READ, YEARS, noise_matrix
from fleet.house_model.house import CUT_SIGMAS
from fleet.house_model.loo_residuals import Brief, Residuals
from fleet.house_model.variance_function import EXCESS, PRIOR_LOG_SD
from fleet.rows import Floats, distinct

Quarters = tuple[list[tuple[str, float]], NDArray[np.int64]]
"""Benches with quarters, in order, and which of them each sheet is of."""
LOG_TIMES: Final = np.linspace(-2.0, 4.0, 25)
"""What log k may be."""
PRIOR_BETWEEN: Final = 0.15
"""Prior guess of the sd of log k between quarters."""
SMALLEST: Final = 0.05
"""Of a residual's variance: no less is left where the noise is."""
SLAB: Final = 0.05
"""Share of a quarter's links whose noise changed by itself, and the sd of log k then."""
SLAB_SD: Final = 1.2
PASSES: Final = 2
"""Rounds of leaving out what lies beyond the cut."""
RECENT: Final = -1.0
"""The quarter before the newest sheet's."""
SHOWS: Final = {
    "sra_static_deg": "sag",
    "sra_dynamic_deg": "sag",
    SAG_READ: "sag",
    "vta_dynamic_deg": "tracking",
    "zenith_deg": "zenith",
    "azimuth_optical_deg": "azimuth_seen",
    "azimuth_electrical_deg": "azimuth_electrical",
    "channel_balance_db": "balance",
}
"""The link that shows most of each reading's noise."""
APART: Final = LOG_TIMES[:, None] - LOG_TIMES


@dataclass(frozen=True, eq=False)
class NoisePeriods:
    """How many times as large the variance of reading noise was, by bench and quarter.

    Attributes
    ----------
    quarters : (p,) benches and quarters, counted back from the fleet's newest sheet
    times : (p, 8) factor of each of the `JUDGED` links
    noise : (8, 8) covariance of the reading noise on the whole
    sheets : (p,) sheets of each
    late : (8,) factor of a sheet of the last half year whose quarter is not among them
    """

    quarters: list[tuple[str, float]]
    times: Floats
    noise: Floats
    sheets: Floats
    late: Floats

    def apply(self, resid: Residuals) -> Residuals:
        """The same residuals by the noise of their own quarters; by the whole of old ones never seen."""
        return _renoised(resid, self.noise, np.vstack([self.times, self.late]), self._place(resid))

    def apply_briefly(self, resid: Brief) -> Brief:
        """The same of residuals whose covariances are not written out yet."""
        times, place = np.vstack([self.times, self.late]), self._place(resid)
        added = (np.vstack([times, np.ones(len(JUDGED))]) - 1.0) * np.diag(self.noise)
        variance = np.maximum(resid.variance + added[place], SMALLEST * resid.variance)
        return replace(
            resid, variance=variance, finish=lambda x, rows: _renoised(x, self.noise, times, place[rows])
        )

    def _place(self, resid: Residuals | Brief) -> NDArray[np.intp]:
        known = {quarter: i for i, quarter in enumerate(self.quarters)}
        there, code = _quarters(resid)
        place = np.array([known.get(quarter, -1) for quarter in there], dtype=np.int64)[code]
        place[(place < 0) & _recent(resid)] = len(self.times)
        return place

    def now(self) -> dict[str, float]:
        """Each reading's standard deviation in the last half year, over that on the whole."""
        recent = np.array([quarter for _, quarter in self.quarters]) >= RECENT
        if not recent.any():
            return {}
        log_times = np.log(self.times)
        log_times -= np.average(log_times, axis=0, weights=self.sheets)
        root = np.exp(0.5 * np.average(log_times[recent], axis=0, weights=self.sheets[recent]))
        return {reading: float(root[JUDGED.index(link)]) for reading, link in SHOWS.items()}


def learn_periods(
    noise: Mapping[str, float], resid: Residuals, late: Mapping[str, float] | None = None
) -> NoisePeriods:
    """How noisy each quarter's readings are; where all sheets are of one, there is nothing to tell apart.

    Parameters
    ----------
    noise : standard deviation per reading, on the whole
    resid : residuals of sheets, one a unit
    late : standard deviation per reading of late, for quarters not among these; as on the whole without it
    """
    found = learn_quarters(noise, resid.value, resid.variance, _quarters(resid))
    seen = slice(0 if len(found.quarters) < 2 else None)
    return replace(
        found,
        quarters=found.quarters[seen],
        times=found.times[seen],
        sheets=found.sheets[seen],
        late=_times(noise, late or noise),
    )


def of_late(resid: Residuals, noise: Mapping[str, float], late: Mapping[str, float]) -> Residuals:
    """The same residuals, of sheets of the last half year with the noise of late.

    Parameters
    ----------
    resid : residuals under the noise on the whole
    noise, late : standard deviation per reading, on the whole and of late
    """
    place = np.where(_recent(resid), 0, -1)
    return _renoised(resid, noise_matrix(JUDGED, noise), _times(noise, late)[None], place)


def _recent(resid: Residuals | Brief) -> NDArray[np.bool_]:
    """Which sheets are of the last half year, or of no day."""
    return _quarter(np.asarray(resid.observed[YEARS], dtype=float)) >= RECENT


def _times(noise: Mapping[str, float], late: Mapping[str, float]) -> Floats:
    """How many times the variance of a `JUDGED` link's noise of late is that on the whole (8,)."""
    whole, now = (np.diag(noise_matrix(JUDGED, dict(sds))) for sds in (noise, late))
    return np.divide(now, whole, out=np.ones(len(JUDGED)), where=whole > 0.0)


def _renoised(resid: Residuals, noise: Floats, times: Floats, place: NDArray[np.intp]) -> Residuals:
    """Residuals whose covariances hold the noise of their own period; those of period -1 as they are."""
    if (times == 1.0).all() or (place < 0).all():
        return resid
    root = np.sqrt(np.vstack([times, np.ones(len(JUDGED))])).T
    whole = np.moveaxis(resid.covariance, 0, -1).copy()
    for i, j in zip(*np.nonzero(noise), strict=True):
        whole[i, j] += (noise[i, j] * (root[i] * root[j] - 1.0)).take(place)
    before = resid.variance
    for j in range(len(JUDGED)):
        np.maximum(whole[j, j], SMALLEST * before[:, j], out=whole[j, j])
    after = np.einsum("iim->mi", whole)
    share = np.minimum(resid.share * before / after, 1.0)
    return replace(resid, covariance=np.moveaxis(whole, -1, 0), share=share)


def learn_quarters(
    noise: Mapping[str, float], value: Floats, variance: Floats, quarter: Quarters
) -> NoisePeriods:
    """The same from residuals (m, 8), their variances under one noise for all time, and their quarters."""
    whole = noise_matrix(JUDGED, noise)
    quarters, code = quarter
    own = np.diag(whole)
    times = np.ones((len(quarters), len(JUDGED)))
    for _ in range(PASSES if len(quarters) > 1 else 0):
        total = np.maximum(variance + (times[code] - 1.0) * own, SMALLEST * variance)
        inside = np.abs(value) <= CUT_SIGMAS * np.sqrt(total)
        times = _pooled(_log_likelihood(np.where(inside, value, np.nan), variance, own, code))
    sheets = np.bincount(code, minlength=len(quarters)).astype(np.float64)
    return NoisePeriods(quarters, times, whole, sheets, np.ones(len(JUDGED)))


def _quarters(resid: Residuals | Brief) -> Quarters:
    return quarters_of(resid.observed["bench"], np.asarray(resid.observed[YEARS], dtype=float))


def quarters_of(bench: Any, years: Floats) -> Quarters:
    """Bench and quarter of each sheet; one without a day counts as of now, as the drift takes it."""
    code, benches = distinct(bench)
    names, place = np.unique([str(x) for x in benches], return_inverse=True)
    ends, quarter = np.unique(_quarter(years), return_inverse=True)
    found, code = np.unique(place[code] * len(ends) + quarter, return_inverse=True)
    return [(str(names[i // len(ends)]), float(ends[i % len(ends)])) for i in found], code


def _quarter(years: Floats) -> Floats:
    return np.asarray(np.ceil(years * 4.0 - 1e-6))


def _log_likelihood(value: Floats, variance: Floats, noise: Floats, code: NDArray[np.int64]) -> Floats:
    """Of each quarter's residuals in each link at every k of the grid (p, 8, grid)."""
    out = np.empty((code.max() + 1, len(noise), len(LOG_TIMES)))
    square = value**2
    for g, log_times in enumerate(LOG_TIMES):
        total = np.maximum(variance + np.expm1(log_times) * noise, SMALLEST * variance)
        each = np.nan_to_num(-0.5 / EXCESS * (np.log(total) + square / total))
        for j in range(len(noise)):
            out[:, j, g] = np.bincount(code, each[:, j])
    return out


def _pooled(log_lik: Floats) -> Floats:
    """Each quarter's and link's k (p, 8), its log averaged over all that c, e, τ and ρ may be."""
    likelihood = np.exp(log_lik - log_lik.max(axis=-1, keepdims=True))
    weights, means = [], []
    for tau in TAU[::2]:
        log_prior = -0.5 * (np.log(tau / PRIOR_BETWEEN) / PRIOR_LOG_SD) ** 2
        for rho in RHO:
            own = (1.0 - SLAB) * _normal(APART, tau * np.sqrt(1.0 - rho)) + SLAB * _normal(APART, SLAB_SD)
            given = likelihood @ own.T  # of each link, given the quarter's c
            whole = np.log(given).sum(axis=1) + np.log(_normal(LOG_TIMES, tau * np.sqrt(rho)) + 1e-300)
            top = whole.max(axis=-1, keepdims=True)
            weights.append(log_prior + float((top[:, 0] + np.log(np.exp(whole - top).sum(axis=-1))).sum()))
            others = np.exp(whole - top)[:, None] / given
            log_times = (likelihood * LOG_TIMES) @ own.T
            means.append((others * log_times).sum(axis=-1) / (others * given).sum(axis=-1))
    weight = np.exp(np.array(weights) - max(weights))
    return np.exp(np.tensordot(weight / weight.sum(), np.array(means), 1))


def _normal(away: Floats, sd: float) -> Floats:
    """Shares of the grid's points under a normal centred at 0, each row's sum 1."""
    step = LOG_TIMES[1] - LOG_TIMES[0]
    density = np.exp(-0.5 * (away / max(sd, 0.4 * step)) ** 2)
    return np.asarray(density / density.sum(axis=-1, keepdims=True))

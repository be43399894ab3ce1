"""Variance components of a gauge study by restricted likelihood, with intervals of its profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats

from fleet.statistics.gram import Gram, Term
from fleet.statistics.reml import criterion_slopes, fit_reml, gram_of_frame
from fleet.statistics.solves import one_blas_thread

Floats = NDArray[np.float64]
Spread = Callable[[float, Floats], Floats]
"""The four variances (unit, operator, interaction, repeatability) at a quantity's value and free numbers:
other variances, or shares (of reproducibility in the gauge, of the interaction in reproducibility).
Variances, not sds: a likelihood has no slope at a sd of 0."""
_SLACK: Final = 0.02
_PARTS: Final = ("unit", "operator", "interaction", "repeatability")
TERMS: Final = (Term(("unit",)), Term(("operator",)), Term(("unit", "operator")))


@dataclass(frozen=True)
class Reml:
    """A fit.

    Attributes
    ----------
    variances : (4,) unit, operator, interaction, repeatability
    criterion : -2 × restricted log-likelihood
    intervals : by quantity (`unit`, `operator`, `interaction`, `repeatability`, `reproducibility`, `gauge`,
        `total`: sds; `share`: gauge sd over total sd), both ends
    """

    variances: Floats
    criterion: float
    intervals: dict[str, tuple[float, float]]


def reml(frame: pd.DataFrame, reading: str, *, level: float = 0.95) -> Reml:
    """Fit ``reading ~ 1 + (1|unit) + (1|operator) + (1|unit:operator)``.

    Parameters
    ----------
    frame : `unit`, `operator`, the reading; some cell read more than once
    reading : which column
    level : of the intervals
    """
    data = frame[["unit", "operator", reading]].astype({"unit": str, "operator": str})
    repeated = data.groupby(["unit", "operator"]).size().max() > 1
    terms = TERMS if repeated else TERMS[:2]
    gram, _ = gram_of_frame(data, reading, random=terms)
    fit = fit_reml(gram)
    sds = np.zeros(4)
    sds[: len(terms)], sds[3] = fit.sds, fit.sigma
    cut = float(stats.chi2.ppf(level, 1))
    with one_blas_thread():
        profile = _Profile(gram, sds**2, len(terms), fit.criterion)
        intervals = {name: profile.interval(name, cut) for name in _SPREADS}
    return Reml(sds**2, fit.criterion, intervals)


def _component(i: int) -> Spread:
    def spread(value: float, free: Floats) -> Floats:
        return np.asarray(np.insert(free, i, value**2))

    return spread


def _reproducibility(value: float, free: Floats) -> Floats:
    unit, mutual, repeat = free
    return np.array([unit, value**2 * (1.0 - mutual), value**2 * mutual, repeat])


def _gauge(value: float, free: Floats) -> Floats:
    unit, between, mutual = free
    shared = value**2 * between
    return np.array([unit, shared * (1.0 - mutual), shared * mutual, value**2 * (1.0 - between)])


def _total(value: float, free: Floats) -> Floats:
    units, between, mutual = free
    return _gauge(value * np.sqrt(1.0 - units), np.array([value**2 * units, between, mutual]))


def _share(value: float, free: Floats) -> Floats:
    total, between, mutual = free
    return _gauge(np.sqrt(total) * value, np.array([total * (1.0 - value**2), between, mutual]))


_SPREADS: Final[dict[str, Spread]] = {
    "unit": _component(0),
    "operator": _component(1),
    "interaction": _component(2),
    "repeatability": _component(3),
    "reproducibility": _reproducibility,
    "gauge": _gauge,
    "total": _total,
    "share": _share,
}


class _Profile:
    """The criterion over one quantity, the rest at their best."""

    def __init__(self, gram: Gram, variances: Floats, terms: int, best: float) -> None:
        self.gram, self.variances, self.terms, self.best = gram, variances, terms, best
        self.total = float(variances.sum())

    def value(self, variances: Floats) -> tuple[float, Floats]:
        """Criterion at four variances and its slopes by them."""
        least = 1e-8 * max(float(self.variances[3]), 1e-12 * self.total)
        v, slopes = np.maximum(variances, 0.0), np.zeros(4)
        square = max(float(v[3]), least)
        theta = np.sqrt(v[: self.terms] / square)
        try:
            value, by_theta, by_sigma = criterion_slopes(self.gram, theta, square**0.5)
        except np.linalg.LinAlgError:
            return self.best + 1e6, slopes
        slopes[: self.terms] = by_theta / square
        if v[3] > least:
            slopes[3] = (by_sigma - by_theta @ theta**2) / square
        return value, slopes

    def start(self, name: str) -> tuple[float, Floats]:
        """The quantity and the free numbers at the optimum."""
        u, o, i, e = self.variances
        shared = o + i
        gauge = shared + e
        between, mutual = shared / gauge, i / shared if shared > 0.0 else 0.5
        known: dict[str, tuple[float, list[float]]] = {
            "reproducibility": (shared, [u, mutual, e]),
            "gauge": (gauge, [u, between, mutual]),
            "total": (self.total, [u / self.total, between, mutual]),
            "share": (gauge / self.total, [self.total, between, mutual]),
        }
        if name in known:
            square, free = known[name]
            return float(np.sqrt(square)), np.array(free)
        place = _PARTS.index(name)
        return float(np.sqrt(self.variances[place])), np.delete(self.variances, place)

    def bounds(self, name: str) -> list[tuple[float, float]]:
        """Limits of the free numbers."""
        part, size = (0.0, 1.0), (0.0, 1e6 * self.total)
        mutual = (0.0, 0.0) if self.terms < len(TERMS) else part
        found = {
            "reproducibility": [size, mutual, size],
            "gauge": [size, part, mutual],
            "total": [(0.0, 1.0 - 1e-9), part, mutual],
            "share": [size, part, mutual],
        }.get(name)
        if found is not None:
            return found
        sizes = [size, size, (0.0, 0.0) if self.terms < len(TERMS) else size, size]
        return [b for i, b in enumerate(sizes) if i != _PARTS.index(name)]

    def interval(self, name: str, cut: float) -> tuple[float, float]:
        """Where the profile stays within the cut of its lowest."""
        if name == "interaction" and self.terms < len(TERMS):
            return 0.0, float("nan")
        spread, (centre, free) = _SPREADS[name], self.start(name)
        limits = np.array(self.bounds(name))
        scale = np.where(limits[:, 1] > 1.0, self.total, 1.0)
        first = np.clip(free, *limits.T) / scale
        other = np.clip(np.where(scale > 1.0, free, 0.5), *limits.T) / scale
        last = first

        steps = 1e-20j * np.diag(scale)

        def sloped(x: Floats, value: float) -> tuple[float, Floats]:
            found, slopes = self.value(spread(value, x * scale))
            return found, np.array([spread(value, x * scale + step).imag @ slopes for step in steps]) / 1e-20

        def lowest(value: float, begin: Floats) -> tuple[float, Floats]:
            done = optimize.minimize(
                sloped, begin, args=(value,), jac=True, bounds=limits / scale[:, None],
                method="L-BFGS-B", options={"maxiter": 60, "ftol": 1e-7},
            )  # fmt: skip
            return float(done.fun) - self.best - cut, done.x

        known: dict[float, float] = {}

        def near(value: float) -> float:  # from where the last one ended, so each value is kept
            nonlocal last
            if value not in known:
                known[value], last = lowest(value, last)
            return known[value]

        def sure(value: float) -> float:
            return min(lowest(value, begin)[0] for begin in (first, other))

        def end(limit: float) -> float:
            nonlocal last
            last = first
            found = _edge(near, centre, limit, unit)
            if found not in (limit, centre) and sure(found) < -_SLACK:  # a lower way round was missed
                return _edge(sure, centre, limit, unit)
            return found

        unit = float(np.sqrt(self.total))
        top = 1.0 - 1e-9 if name == "share" else 1e3 * unit
        return end(0.0), end(top)


def _edge(excess: Callable[[float], float], centre: float, end: float, unit: float) -> float:
    """The value between the centre and an end at which the excess passes 0; the end if it doesn't."""
    if centre == end:
        return end
    inner, step = centre, 0.25 * max(centre, 0.02 * unit)
    down = end < centre
    while True:
        outer = max(inner - step, end) if down else min(inner + step, end)
        if excess(outer) > 0.0:
            return float(optimize.brentq(excess, *sorted((inner, outer)), xtol=1e-4 * unit, rtol=2e-4))
        if outer == end:
            return end
        inner, step = outer, step * (1.0 if down else 2.0)

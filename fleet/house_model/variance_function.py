"""How far sound units scatter about their expectation: by link, sag scale, assembly source and family.

Variance of a reading's residual = reading noise + g_source × h_family × base, or growth × S² in sag.
The noise is known from repeats; base or growth is fitted to the residuals' mean squares; the factors g of
sources and h of families are pooled: one with few units stays near 1, and one never seen is drawn from the
spread between its like.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fleet.rows import Columns, Floats, distinct

if TYPE_CHECKING:
    import pandas as pd

    Names = NDArray[np.object_] | pd.Categorical
Factors = Mapping[str, tuple[float, float]]
PRIOR_BETWEEN = 0.45
"""Prior guess of the sd of log g between sources (spreads of two sources typically differ by a quarter)."""
PRIOR_BETWEEN_FAMILIES = 0.15
"""The same of log h between families."""
PRIOR_LOG_SD = 0.7
EXCESS = 1.3
"""Unit scatter has somewhat heavier tails than a normal: sampling variance of a mean square, over 2 m²/n."""
SMALLEST = 1e-6
ROUNDS = 8


@dataclass(frozen=True)
class VarianceFunction:
    """Variance of one link's residuals.

    Attributes
    ----------
    noise : variance of the reading noise in the response
    base, growth : unit variance = g × h × (base + growth × S²); one is 0, but in models kept earlier
    factors : per source (mean of log g, sd of log g)
    between : sd of log g between sources, for one never seen
    families : per family (mean of log h, sd of log h)
    between_families : sd of log h between families, for one never seen
    told : per family log h as its own rows have it and the sampling variance of that; not kept
    """

    noise: float
    base: float
    growth: float
    factors: Factors
    between: float
    families: Factors = field(default_factory=dict)
    between_families: float = 0.0
    told: Factors = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def of(cls, noise: float, variance: float, *, scaled: bool = False) -> VarianceFunction:
        """Of sources and families that are all alike."""
        return cls(noise, 0.0 if scaled else variance, variance if scaled else 0.0, {}, 0.0)

    def unit_variance(self, s2: Floats, source: Names, family: Names | None = None) -> Floats:
        """Variance between true units at squared sag scale ``s2``; without families, of one whose h is 1."""
        if family is None:
            log_factor = _look_up(self.factors, source, self.between)[:, 0]
        else:
            log_factor, _ = self.log_factors(source, family)
        return np.asarray(np.exp(log_factor) * self.plain(s2))

    def plain(self, s2: Floats) -> Floats:
        """Unit variance of a source and family whose factors are 1."""
        return np.asarray(np.maximum(self.base + self.growth * s2, SMALLEST))

    def total(self, s2: Floats, source: Names, family: Names | None = None) -> Floats:
        """Variance of a reading's residual: unit variance plus reading noise."""
        return self.noise + self.unit_variance(s2, source, family)

    def to_list(self) -> list[Any]:
        """Plain lists and dictionaries that `of_list` turns back into the same function."""
        factors, families = ({k: list(v) for k, v in x.items()} for x in (self.factors, self.families))
        return [
            self.noise, self.base, self.growth, factors, self.between, families, self.between_families
        ]  # fmt: skip

    @classmethod
    def of_list(cls, parts: Sequence[Any]) -> VarianceFunction:
        """What `to_list` took apart; an older one knows no families."""
        noise, base, growth, factors, between, families, between_families = [*parts, {}, 0.0][:7]
        pairs = [{k: (float(a), float(b)) for k, (a, b) in x.items()} for x in (factors, families)]
        return cls(noise, base, growth, pairs[0], between, pairs[1], between_families)

    def log_factors(self, source: Names, family: Names) -> tuple[Floats, Floats]:
        """Mean and sd of log g·h of each; what was never seen has mean 0 and the sd between its like."""
        g, sd_g = _look_up(self.factors, source, self.between).T
        h, sd_h = _look_up(self.families, family, self.between_families).T
        return g + h, np.hypot(sd_g, sd_h)


def _look_up(factors: Factors, names: Names, between: float) -> Floats:
    """Mean and sd of the log factor of each name; one never seen has mean 0 and the sd between its like."""
    code, found = distinct(names)
    return np.array([factors.get(str(x), (0.0, between)) for x in found], dtype=float).reshape(-1, 2)[code]


def fit_variances(
    squares: Columns,
    s2_of_class: Floats,
    *,
    noise: float,
    scaled: bool = False,
    prior: tuple[float, float] = (SMALLEST, 0.0),
) -> VarianceFunction:
    """Fit the variance function to mean squares of residuals.

    Parameters
    ----------
    squares : columns source, family, scale_class, n (effective number), m2 (mean square of residuals)
    s2_of_class : mean squared sag scale of each class
    noise : variance of the reading noise in the response
    scaled : whether units scatter in proportion to the sag scale
    prior : believed unit variance (at a sag scale of 1), and the number of rows it counts for
    """
    d = {name: np.asarray(squares[name]) for name in ("source", "family", "scale_class", "n", "m2")}
    kept = d["n"] > 0.0
    d = {name: column[kept] for name, column in d.items()}
    believed, rows = prior
    if not kept.any():
        none = VarianceFunction.of(noise, believed, scaled=scaled)
        return replace(none, between=PRIOR_BETWEEN, between_families=PRIOR_BETWEEN_FAMILIES)
    n = d["n"].astype(float)
    excess = d["m2"].astype(float) - noise
    shape = s2_of_class[d["scale_class"].astype(int)] if scaled else np.ones(len(n))
    groups = [
        _Pool(d["source"].astype(str), PRIOR_BETWEEN),
        _Pool(d["family"].astype(str), PRIOR_BETWEEN_FAMILIES),
    ]
    variance = float(np.average(excess, weights=n) / np.average(shape, weights=n))
    all_n, all_excess, all_shape = (
        np.append(x, own) for x, own in ((n, rows), (excess, believed), (shape, 1.0))
    )
    for _ in range(ROUNDS):
        column = np.append(np.exp(groups[0].each + groups[1].each), 1.0) * all_shape
        root = np.sqrt(all_n) / (noise + column * max(variance, SMALLEST))
        variance = float((root**2 * column) @ all_excess / ((root * column) @ (root * column)))
        plain = max(variance, SMALLEST) * shape
        for own, other in (groups, groups[::-1]):
            own.pool(n, excess, np.exp(other.each) * plain, noise)
    source, family = groups
    return replace(
        VarianceFunction.of(noise, max(variance, SMALLEST), scaled=scaled),
        factors=source.pairs,
        between=source.between,
        families=family.pairs,
        between_families=family.between,
        told=family.told,
    )


class _Pool:
    """Log factors of the levels of one grouping, shrunk toward 0 by their sampling variances."""

    def __init__(self, labels: NDArray[np.object_], guess: float) -> None:
        self.names, self.code = np.unique(labels, return_inverse=True)
        self.guess = self.between = guess
        self.log, self.sd = np.zeros(len(self.names)), np.zeros(len(self.names))
        self.raw = self.variance = self.log

    @property
    def each(self) -> Floats:
        """Log factor of every row."""
        return self.log[self.code]

    @property
    def told(self) -> dict[str, tuple[float, float]]:
        """Per level its log factor as its own rows have it, and the sampling variance of that."""
        both = zip(self.names, np.log(self.raw), self.variance, strict=True)
        return {str(x): (float(a), float(b)) for x, a, b in both}

    @property
    def pairs(self) -> dict[str, tuple[float, float]]:
        """Per level mean and sd of its log factor."""
        return {str(x): (float(a), float(b)) for x, a, b in zip(self.names, self.log, self.sd, strict=True)}

    def pool(self, n: Floats, excess: Floats, plain: Floats, noise: float) -> None:
        """Estimate the factors on ``plain``, the unit variance of each row without them."""
        code, k = self.code, len(self.names)
        weight = n * plain / (noise + np.exp(self.each) * plain) ** 2
        top = np.bincount(code, weight * excess, minlength=k)
        low = np.bincount(code, weight * plain, minlength=k)
        raw = np.clip(top / np.maximum(low, 1e-300), 0.05, 20.0)
        part = plain * raw[code] / (noise + raw[code] * plain)
        variance = 2.0 * EXCESS / np.maximum(np.bincount(code, n * part**2, minlength=k), 1e-9)
        self.raw, self.variance = raw, variance
        if k == 1:
            self.sd = np.sqrt(np.minimum(variance, self.guess**2))
        else:
            self.log, self.sd, self.between = _shrink(np.log(raw), variance, self.guess)


def _shrink(log_raw: Floats, variance: Floats, guess: float) -> tuple[Floats, Floats, float]:
    """Posterior mean and sd of each log factor, the sd between sources integrated out on a grid.

    ``guess`` is what it is believed to be.
    """
    grid = np.exp(np.linspace(np.log(0.03), np.log(2.0), 40))[:, None]
    total = grid**2 + variance
    log_lik = -0.5 * (np.log(total) + log_raw**2 / total).sum(axis=1)
    log_prior = -0.5 * (np.log(grid[:, 0] / guess) / PRIOR_LOG_SD) ** 2
    weight = np.exp(log_lik + log_prior - (log_lik + log_prior).max())
    weight /= weight.sum()
    keep = grid**2 / total
    mean = weight @ (keep * log_raw)
    second = weight @ (keep * variance + (keep * log_raw) ** 2)
    return mean, np.sqrt(np.maximum(second - mean**2, 1e-6)), float(np.sqrt(weight @ grid[:, 0] ** 2))


def nearest_covariance(matrix: Floats, *, floor: float = 0.0) -> Floats:
    """Nearest positive semidefinite matrix, eigenvalues held at ``floor``; batched on leading axes."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + np.swapaxes(matrix, -1, -2)))
    values = np.maximum(values, floor)
    return np.asarray(np.einsum("...ij,...j,...kj->...ik", vectors, values, vectors))


def cholesky_factors(cov: Floats) -> Floats:
    """Lower Cholesky factors of covariances (m, d, d), made safely positive definite.

    Each entry's m figures lie together in memory, so that whole vectors are added up.
    """
    part, d = np.moveaxis(cov, 0, -1), cov.shape[-1]
    scale = np.sqrt(np.einsum("mii->im", cov))
    lower, sound = np.zeros((d, d, len(cov))), np.ones(len(cov), dtype=bool)
    with np.errstate(invalid="ignore", divide="ignore"):
        for j in range(d):
            for i in range(j, d):
                left = part[i, j] / (scale[i] * scale[j]) + (1e-9 if i == j else 0.0)
                for k in range(j):
                    left -= lower[i, k] * lower[j, k]
                lower[i, j] = np.sqrt(left) if i == j else left / lower[j, j]
            sound &= lower[j, j] > 0.0
        lower *= scale[:, None]
    if not sound.all():
        own, sd = cov[~sound], scale[:, ~sound].T
        correlation = nearest_covariance(own / sd[:, :, None] / sd[:, None, :], floor=1e-6)
        factor = np.linalg.cholesky(correlation + 1e-9 * np.eye(d)) * sd[:, :, None]
        lower[..., ~sound] = np.moveaxis(factor, 0, -1)
    return np.moveaxis(lower, -1, 0)

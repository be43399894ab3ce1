"""How far sound units scatter about their expectation: by link, sag scale and assembly source.

Variance of a reading's residual = reading noise + g_source × (base + growth × S²).  The noise is known from
repeats; base and growth are fitted to the residuals' mean squares; the sources' factors g are pooled: a
source with few units stays near 1, and a source never seen is drawn from the spread between sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize

Floats = NDArray[np.float64]
PRIOR_BETWEEN = 0.45
"""Prior guess of the sd of log g between sources (spreads of two sources typically differ by a quarter)."""
PRIOR_LOG_SD = 0.7
EXCESS = 1.3
"""Unit scatter has somewhat heavier tails than a normal: sampling variance of a mean square, over 2 m²/n."""
SMALLEST = 1e-6


@dataclass(frozen=True)
class VarianceFunction:
    """Variance of one link's residuals.

    Attributes
    ----------
    noise : variance of the reading noise in the response
    base, growth : unit variance = g × (base + growth × S²)
    factors : per source (mean of log g, sd of log g)
    between : sd of log g between sources, for one never seen
    """

    noise: float
    base: float
    growth: float
    factors: Mapping[str, tuple[float, float]]
    between: float

    def unit_variance(self, s2: Floats, source: NDArray[np.object_]) -> Floats:
        """Variance between true units at squared sag scale ``s2`` for each source (its mean log factor)."""
        code, names = pd.factorize(source)
        return np.asarray(self.source_factors(names)[code] * self.plain(s2))

    def source_factors(self, names: NDArray[np.object_]) -> Floats:
        """Factor g of each of these sources (its mean log factor)."""
        log_g = np.array([self.factors.get(str(x), (0.0, 0.0))[0] for x in names], dtype=float)
        return np.asarray(np.exp(log_g))

    def plain(self, s2: Floats) -> Floats:
        """Unit variance of a source whose factor is 1."""
        return np.asarray(np.maximum(self.base + self.growth * s2, SMALLEST))

    def total(self, s2: Floats, source: NDArray[np.object_]) -> Floats:
        """Variance of a reading's residual: unit variance plus reading noise."""
        return self.noise + self.unit_variance(s2, source)

    def log_factor(self, source: str) -> tuple[float, float]:
        """Mean and sd of log g of a source; a source never seen has mean 0 and the sd between sources."""
        return self.factors.get(source, (0.0, self.between))


def fit_variances(
    squares: pd.DataFrame,
    s2_of_class: Floats,
    *,
    noise: float,
    scale: str = "none",
    prior: tuple[float, float, float] | None = None,
) -> VarianceFunction:
    """Fit the variance function to mean squares of residuals.

    Parameters
    ----------
    squares : columns source, scale_class, n (effective number), m2 (mean square of residuals)
    s2_of_class : mean squared sag scale of each class
    noise : variance of the reading noise in the response
    scale : ``none`` keeps ``growth`` at 0, ``whole`` keeps ``base`` at 0, ``part`` fits both
    prior : believed base and growth, and the number of rows they count for
    """
    d = squares[squares["n"] > 0.0]
    believed_base, believed_growth, rows = prior or (SMALLEST, 0.0, 0.0)
    if d.empty:
        return VarianceFunction(noise, believed_base, believed_growth, {}, PRIOR_BETWEEN)
    n = d["n"].to_numpy(dtype=float)
    excess = d["m2"].to_numpy(dtype=float) - noise
    s2 = s2_of_class[d["scale_class"].to_numpy(dtype=int)]
    names, code = np.unique(d["source"].astype(str).to_numpy(), return_inverse=True)
    log_g, sd_g, between = np.zeros(len(names)), np.zeros(len(names)), PRIOR_BETWEEN
    base, growth = max(float(np.average(excess, weights=n)), SMALLEST), 0.0
    all_s2, all_n = np.append(s2, [1.0, 4.0]), np.append(n, [0.5 * rows, 0.5 * rows])
    all_excess = np.append(excess, believed_base + believed_growth * all_s2[-2:])
    for _ in range(8):
        g = np.append(np.exp(log_g)[code], [1.0, 1.0])
        total = noise + g * np.maximum(base + growth * all_s2, SMALLEST)
        root = np.sqrt(all_n) / total
        columns = np.stack([g * (scale != "whole"), g * all_s2 * (scale != "none")], axis=1)
        fitted, _ = optimize.nnls(columns * root[:, None], all_excess * root)
        base, growth = float(fitted[0]), float(fitted[1])
        plain = np.maximum(base + growth * s2, SMALLEST)
        log_g, sd_g, between = _pool(code, len(names), n, excess, plain, noise, log_g)
    pairs = {str(s): (float(a), float(b)) for s, a, b in zip(names, log_g, sd_g, strict=True)}
    return VarianceFunction(noise, max(base, SMALLEST if growth == 0.0 else 0.0), growth, pairs, between)


def _pool(
    code: NDArray[np.int64], k: int, n: Floats, excess: Floats, plain: Floats, noise: float, old: Floats
) -> tuple[Floats, Floats, float]:
    """Shrink the sources' log factors toward 0 by their sampling variances."""
    weight = n * plain / (noise + np.exp(old)[code] * plain) ** 2
    top = np.bincount(code, weight * excess, minlength=k)
    low = np.bincount(code, weight * plain, minlength=k)
    raw = np.clip(top / np.maximum(low, 1e-300), 0.05, 20.0)
    info = np.bincount(code, n * (plain / (noise + raw[code] * plain)) ** 2 * raw[code] ** 2, minlength=k)
    variance = 2.0 * EXCESS / np.maximum(info, 1e-9)
    if k == 1:
        return np.zeros(1), np.sqrt(np.minimum(variance, PRIOR_BETWEEN**2)), PRIOR_BETWEEN
    return _shrink(np.log(raw), variance)


def _shrink(log_raw: Floats, variance: Floats) -> tuple[Floats, Floats, float]:
    """Posterior mean and sd of each log factor, the sd between sources integrated out on a grid."""
    grid = np.exp(np.linspace(np.log(0.03), np.log(2.0), 40))[:, None]
    total = grid**2 + variance
    log_lik = -0.5 * (np.log(total) + log_raw**2 / total).sum(axis=1)
    log_prior = -0.5 * (np.log(grid[:, 0] / PRIOR_BETWEEN) / PRIOR_LOG_SD) ** 2
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

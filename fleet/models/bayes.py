"""Bayes on the exact restricted likelihood of a mixed model, by importance sampling.

The only unknowns that need sampling are the standard deviations; coefficients are integrated out in closed
form.  Each sd enters as ``v = asinh(theta / unit)`` so that a sd near zero and a large one are both easy,
with the density folded at zero; the proposal is a split Student t around the mode, the draws a scrambled
Sobol set with a fixed seed, the weights Pareto-smoothed.

References
----------
Gelman 2006, Bayesian Analysis 1(3): half-t priors on standard deviations of hierarchical models.
Vehtari, Simpson, Gelman, Yao & Gabry 2024, JMLR 25(72): Pareto smoothed importance sampling, k ≤ 0.7.
Neal 2003, Annals of Statistics 31(3): slice sampling (the fallback).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from fleet.models.gram import Floats, Gram
from fleet.models.mixed import LOG_2PI, RemlFit, criterion_and_gradient, fit_reml, full_inverse, solve
from fleet.models.psis import smooth_weights
from fleet.models.threads import one_blas_thread

LogPrior = Callable[[Floats, float], float]
DEFAULT_DRAWS = 512
KEPT = 160
K_LIMIT = 0.7
ESS_LIMIT = 100.0
T_DF = 6.0


def half_t_prior(scale: float, *, df: float = 4.0) -> LogPrior:
    """Half-t prior on every standard deviation, flat on log sigma.

    Parameters
    ----------
    scale : scale of the half-t, in units of the response
    df : degrees of freedom
    """

    def log_prior(sds: Floats, sigma: float) -> float:
        kernel = -0.5 * (df + 1.0) * np.log1p((sds / scale) ** 2 / df)
        return float(kernel.sum()) - float(np.log(sigma))

    return log_prior


@dataclass(frozen=True)
class Posterior:
    """Equally weighted draws of the standard deviations, with the coefficients in closed form at each.

    Attributes
    ----------
    sds : (r, terms) draws of the random terms' standard deviations
    sigma : (r,) draws of the residual standard deviation
    k : Pareto k of the importance weights (nan when the fallback sampler was used)
    ess : effective sample size of the weights
    raw_sds, raw_sigma, raw_weights : the weighted set itself, for means with the full precision
    method : ``importance`` or ``slice``
    """

    gram: Gram
    sds: Floats
    sigma: Floats
    k: float
    ess: float
    raw_sds: Floats
    raw_sigma: Floats
    raw_weights: Floats
    method: str

    def coefficients(self) -> tuple[Floats, Floats]:
        """Per draw the mean (r, q+p) and covariance (r, q+p, q+p) of all coefficients, in response units."""
        return coefficient_posterior(self.gram, self.sds, self.sigma)

    def mean(self, function: Callable[[Floats, Floats], Floats]) -> Floats:
        """Posterior mean of a function of (sds, sigma), by the smoothed weights."""
        values = function(self.raw_sds, self.raw_sigma)
        return np.asarray(np.tensordot(self.raw_weights, values, axes=(0, 0)))


def coefficient_posterior(gram: Gram, sds: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of all coefficients at each draw of (sds, sigma).

    Returns
    -------
    mean : (r, q + p) array
    cov : (r, q + p, q + p) array
    """
    r, size = len(sigma), gram.a.shape[0]
    mean, cov = np.empty((r, size)), np.empty((r, size, size))
    with one_blas_thread():
        for i in range(r):
            s = solve(gram, sds[i] / sigma[i])
            mean[i] = s.coef * s.scale
            scale = s.scale * sigma[i]
            cov[i] = full_inverse(s.factor) * scale * scale[:, None]
    return mean, cov


def response_sd(gram: Gram) -> float:
    """Weighted standard deviation of the response about its mean (about zero without an intercept)."""
    total = gram.yy
    if "1" in gram.design.fixed:
        j = gram.design.q + gram.design.fixed.index("1")
        weight = gram.a[j, j]
        return float(np.sqrt(max(total - gram.b[j] ** 2 / weight, 1e-12) / weight))
    return float(np.sqrt(max(total, 1e-12) / gram.n))


class _Target:
    """Log posterior density in (v_1..v_F, log sigma), or (v_1..v_F) for a known sigma."""

    def __init__(self, gram: Gram, prior: LogPrior, sigma: float | None) -> None:
        self.gram, self.prior, self.sigma = gram, prior, sigma
        self.unit = 1.0 / np.sqrt(np.maximum(gram.rows_per_level, 1e-12))
        self.terms = len(self.unit)
        self.dim = self.terms + (sigma is None)

    def split(self, x: Floats) -> tuple[Floats, float]:
        theta = self.unit * np.sinh(np.abs(x[: self.terms]))
        return theta, float(np.exp(x[-1])) if self.sigma is None else self.sigma

    def _outer(self, x: Floats) -> float:
        """Prior and Jacobian."""
        theta, sigma = self.split(x)
        jacobian = float(np.log(sigma * self.unit * np.cosh(x[: self.terms])).sum())
        return self.prior(theta * sigma, sigma) + jacobian + (float(x[-1]) if self.sigma is None else 0.0)

    def value(self, x: Floats) -> float:
        theta, sigma = self.split(x)
        s = solve(self.gram, theta)
        dof = self.gram.n - self.gram.p
        deviance = s.log_det + dof * (LOG_2PI + 2.0 * np.log(sigma)) + s.r2 / sigma**2 - self.gram.log_w
        return -0.5 * float(deviance) + self._outer(x)

    def negative(self, x: Floats) -> tuple[float, Floats]:
        """Negative log density and its gradient (prior part by differences)."""
        theta, sigma = self.split(x)
        value, d_theta, s = criterion_and_gradient(self.gram, theta, sigma=sigma)
        gradient = np.zeros(self.dim)
        v = x[: self.terms]
        gradient[: self.terms] = -0.5 * d_theta * self.unit * np.cosh(v) * np.where(v < 0.0, -1.0, 1.0)
        if self.sigma is None:
            gradient[-1] = -(self.gram.n - self.gram.p) + s.r2 / sigma**2
        for i in range(self.dim):
            h = 1e-5
            up, down = x.copy(), x.copy()
            up[i] += h
            down[i] -= h
            gradient[i] += (self._outer(up) - self._outer(down)) / (2.0 * h)
        return 0.5 * value - self._outer(x), -gradient


@dataclass(frozen=True)
class _Proposal:
    """Split Student t along the eigenvectors of the curvature at the mode, folded at zero for the sds."""

    mode: Floats
    vectors: Floats
    left: Floats
    right: Floats
    terms: int

    def draw(self, n: int, seed: int) -> Floats:
        dim = len(self.mode)
        u = stats.qmc.Sobol(dim, scramble=True, rng=np.random.default_rng(seed)).random(n)
        u = np.clip(u, 1e-9, 1.0 - 1e-9)
        p_left = self.left / (self.left + self.right)
        on_left = u < p_left
        half = np.where(on_left, 0.5 * u / p_left, 0.5 + 0.5 * (u - p_left) / (1.0 - p_left))
        z = stats.t.ppf(half, T_DF) * np.where(on_left, self.left, self.right)
        x = self.mode + z @ self.vectors.T
        x[:, : self.terms] = np.abs(x[:, : self.terms])
        return np.asarray(x)

    def log_density(self, x: Floats) -> Floats:
        total = np.full(len(x), -np.inf)
        for flip in range(2**self.terms):
            signs = np.ones(x.shape[1])
            signs[: self.terms] = [-1.0 if flip >> i & 1 else 1.0 for i in range(self.terms)]
            z = (x * signs - self.mode) @ self.vectors
            scale = np.where(z < 0.0, self.left, self.right)
            log_t = stats.t.logpdf(z / scale, T_DF) + np.log(2.0 / (self.left + self.right))
            total = np.logaddexp(total, log_t.sum(axis=1))
        return total


def fit_bayes(
    gram: Gram,
    *,
    prior: LogPrior | None = None,
    sigma: float | None = None,
    draws: int | None = None,
    kept: int = KEPT,
    seed: int = 20,
    reml: RemlFit | None = None,
) -> Posterior:
    """Posterior of the standard deviations of a mixed model.

    Parameters
    ----------
    gram : Gram
    prior : log density of (sds, sigma); default half-t(4) on the sds with scale 0.5 × sd of the response,
        flat on log sigma.  Fixed effects are flat and integrated out.
    sigma : known residual standard deviation, else sampled
    draws : size of the importance sample (a power of two); default 512, or 1024 below 150 rows
    kept : number of equally weighted draws kept for predictions
    seed : seed of the scrambled Sobol set

    Returns
    -------
    Posterior

    Notes
    -----
    With Pareto k > 0.7 or an effective sample below 100 the sample is doubled around a proposal refitted to
    the weighted draws; if that is still poor, a slice sampler takes over.
    """
    with one_blas_thread():
        reml = reml or fit_reml(gram, sigma=sigma)
        prior = prior or half_t_prior(0.5 * response_sd(gram))
        target = _Target(gram, prior, sigma)
        if target.dim == 0:
            raise ValueError("got no random term and a known sigma, expected something to estimate")
        n = draws or (DEFAULT_DRAWS if gram.n >= 150 else 2 * DEFAULT_DRAWS)
        proposal = _at_mode(target, reml)
        sample = _importance(target, proposal, n, seed)
        if (sample.k > K_LIMIT and sample.ess < 0.8 * n) or sample.ess < ESS_LIMIT:
            proposal = _refit(proposal, sample)
            sample = _importance(target, proposal, 2 * n, seed + 1)
        method = "importance"
        if (sample.k > K_LIMIT and sample.ess < 0.8 * 2 * n) or sample.ess < ESS_LIMIT:
            sample, method = _slice(target, proposal.mode, seed), "slice"
    theta = target.unit * np.sinh(np.abs(sample.x[:, : target.terms]))
    sig = np.exp(sample.x[:, -1]) if sigma is None else np.full(len(sample.x), sigma)
    sds = theta * sig[:, None]
    pick = _systematic(sample.weights, kept)
    return Posterior(gram, sds[pick], sig[pick], sample.k, sample.ess, sds, sig, sample.weights, method)


@dataclass(frozen=True)
class _Sample:
    x: Floats
    weights: Floats
    k: float
    ess: float


def _at_mode(target: _Target, reml: RemlFit) -> _Proposal:
    start = np.empty(target.dim)
    start[: target.terms] = np.maximum(np.arcsinh(reml.sds / reml.sigma / target.unit), 0.3)
    bounds: list[tuple[float, float]] = [(0.0, 14.0)] * target.terms
    if target.sigma is None:
        start[-1] = np.log(reml.sigma)
        bounds.append((start[-1] - 3.0, start[-1] + 3.0))
    mode = optimize.minimize(target.negative, start, jac=True, method="L-BFGS-B", bounds=bounds).x
    hessian = np.empty((target.dim, target.dim))
    for i in range(target.dim):
        h = 1e-3
        up, down = mode.copy(), mode.copy()
        up[i] += h
        down[i] -= h
        hessian[i] = (target.negative(up)[1] - target.negative(down)[1]) / (2.0 * h)
    values, vectors = np.linalg.eigh(0.5 * (hessian + hessian.T))
    guess = 1.0 / np.sqrt(np.clip(values, 0.05, None))
    top = target.value(mode)
    sides = np.array(
        [
            [_side(target, mode, sign * vectors[:, i], guess[i], top) for i in range(target.dim)]
            for sign in (-1.0, 1.0)
        ]
    )
    return _Proposal(mode, vectors, sides[0], sides[1], target.terms)


def _side(target: _Target, mode: Floats, direction: Floats, guess: float, top: float) -> float:
    """Scale at which the log density falls like a normal's, measured near two of its own sds."""
    scale = guess
    for _ in range(4):
        drop = top - target.value(mode + 2.0 * scale * direction)
        ratio = np.sqrt(2.0 / max(drop, 0.08))
        scale *= float(np.clip(ratio, 0.4, 2.5))
        if 0.8 < ratio < 1.25:
            break
    return float(np.clip(scale, 0.2 * guess, 6.0 * guess))


def _refit(old: _Proposal, sample: _Sample) -> _Proposal:
    mean = sample.weights @ sample.x
    centred = sample.x - mean
    cov = (centred * sample.weights[:, None]).T @ centred + 1e-8 * np.eye(len(mean))
    values, vectors = np.linalg.eigh(cov)
    scale = np.sqrt(values)
    return _Proposal(mean, vectors, scale, scale, old.terms)


def _importance(target: _Target, proposal: _Proposal, n: int, seed: int) -> _Sample:
    x = proposal.draw(n, seed)
    log_p = np.full(n, -np.inf)
    for i in range(n):
        if np.abs(x[i, : target.terms]).max(initial=0.0) < 20.0:
            try:
                log_p[i] = target.value(x[i])
            except np.linalg.LinAlgError:
                continue
    weights, k = smooth_weights(log_p - proposal.log_density(x))
    return _Sample(x, weights, k, float(1.0 / (weights**2).sum()))


def _slice(target: _Target, start: Floats, seed: int, *, sweeps: int = 1500, warm: int = 200) -> _Sample:
    """Coordinate-wise slice sampling with stepping out (Neal 2003, figures 3 and 5)."""
    rng = np.random.default_rng(seed)
    x, level = start.copy(), target.value(start)
    kept = np.empty((sweeps, target.dim))
    width = np.ones(target.dim)
    for sweep in range(warm + sweeps):
        for i in range(target.dim):
            height = level - rng.exponential()
            low = x[i] - width[i] * rng.random()
            high = low + width[i]
            probe = x.copy()
            for sign in (-1, 1):
                for _ in range(20):
                    probe[i] = low if sign < 0 else high
                    if target.value(probe) <= height:
                        break
                    low, high = (low - width[i], high) if sign < 0 else (low, high + width[i])
            while True:
                probe[i] = low + (high - low) * rng.random()
                value = target.value(probe)
                if value > height:
                    break
                low, high = (probe[i], high) if probe[i] < x[i] else (low, probe[i])
            x, level = probe.copy(), value
        if sweep >= warm:
            kept[sweep - warm] = x
            kept[sweep - warm, : target.terms] = np.abs(x[: target.terms])
    weights = np.full(sweeps, 1.0 / sweeps)
    return _Sample(kept, weights, float("nan"), _chain_ess(kept))


def _chain_ess(chain: Floats) -> float:
    """Smallest effective sample size over the coordinates, by initial positive autocorrelations."""
    n = len(chain)
    worst = float(n)
    for column in chain.T:
        centred = column - column.mean()
        power = np.abs(np.fft.rfft(centred, 2 * n)) ** 2
        auto = np.fft.irfft(power)[:n]
        if auto[0] <= 0.0:
            continue
        rho = auto / auto[0]
        stop = int(np.argmax(rho < 0.05)) if np.any(rho < 0.05) else n
        worst = min(worst, n / (1.0 + 2.0 * float(rho[1:stop].sum())))
    return worst


def _systematic(weights: Floats, kept: int) -> NDArrayInt:
    """Systematic resampling: indices of ``kept`` equally weighted draws."""
    positions = (np.arange(kept) + 0.5) / kept
    return np.minimum(np.searchsorted(np.cumsum(weights), positions), len(weights) - 1)


NDArrayInt = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

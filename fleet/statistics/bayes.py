"""Bayes on the exact restricted likelihood of a mixed model, by importance sampling.

The only unknowns that need sampling are the standard deviations; coefficients are integrated out in closed
form.  Each sd enters as ``v = asinh(theta / unit)`` so that a sd near zero and a large one are both easy,
with the density folded at zero, and sigma as its distance from the best value for those sds.  The proposal
is a split Student t around the mode, and several where that isn't enough; the draws are a scrambled Sobol set
with a fixed seed.

References
----------
Gelman 2006, Bayesian Analysis 1(3): half-t priors on standard deviations of hierarchical models.
Cornuet, Marin, Mira & Robert 2012, Scand. J. Statistics 39(4): weighing all samples against their mixture.
Owen & Zhou 2000, JASA 95(449): a broad part in the mixture keeps the weights bounded.
Neal 2003, Annals of Statistics 31(3): slice sampling (the fallback).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fleet.statistics.gram import Floats, Gram, Ints
from fleet.statistics.reml import LOG_2PI, TOO_FAR, Local, RemlFit, by_v, derivatives, descend, fit_reml
from fleet.statistics.sampling import SplitT, chain_ess, slice_chain
from fleet.statistics.solves import criterion_parts, one_blas_thread, solve, theta_unit
from fleet.statistics.solves import response_sd as response_sd  # also looked for here

LogPrior = Callable[[Floats, Floats], Floats]
"""Log density of (..., terms) standard deviations and (...) sigmas, one a point."""
DEFAULT_DRAWS = 512
KEPT = 160
STACK_NUMBERS = 250_000
"""So many numbers of matrices are inverted at a time: they stay in the processor's cache."""
ESS_LIMIT = 100.0
V_LIMIT, FARTHEST = 16.0, 14.0
"""Largest v looked at (theta there is four million times 1 / sqrt(rows per level)), and largest of a mode."""
SIGMA_FLOOR = 0.05
ROUNDS = 8
CLOSE = 1e-6
"""Share of the log density that a step toward the mode must promise."""
BROAD = (1.5, 1.5)
"""Middle and scale of v in the broad proposal: sds from a fifth to ten times 1 / sqrt(rows per level)."""
SWEEPS, WARM = 1500, 200


def half_t_prior(scale: float | Floats, *, df: float = 4.0) -> LogPrior:
    """Half-t prior on every standard deviation, flat on log sigma.

    Parameters
    ----------
    scale : scale of the half-t, in units of the response, or one for each term
    df : degrees of freedom
    """

    def log_prior(sds: Floats, sigma: Floats) -> Floats:
        kernel = -0.5 * (df + 1.0) * np.log1p((sds / scale) ** 2 / df)
        return np.asarray(kernel.sum(axis=-1) - np.log(sigma))

    return log_prior


@dataclass(frozen=True)
class Posterior:
    """Equally weighted draws of the standard deviations, with the coefficients in closed form at each.

    Attributes
    ----------
    sds : (r, terms) draws of the random terms' standard deviations
    sigma : (r,) draws of the residual standard deviation
    ess : effective sample size of the weights
    raw_sds, raw_sigma, raw_weights : the weighted set itself, for means with the full precision
    method : ``importance`` or ``slice``
    short_by : of the search that the sampling began with (see `RemlFit`)
    """

    gram: Gram
    sds: Floats
    sigma: Floats
    ess: float
    raw_sds: Floats
    raw_sigma: Floats
    raw_weights: Floats
    method: str
    short_by: float = 0.0

    def coefficients(self) -> tuple[Floats, Floats]:
        """Per draw the mean (r, q+p) and covariance (r, q+p, q+p) of all coefficients, in response units."""
        return coefficient_posterior(self.gram, self.sds, self.sigma)

    def mean(self, function: Callable[[Floats, Floats], Floats]) -> Floats:
        """Posterior mean of a function of (sds, sigma), by the weights."""
        values = function(self.raw_sds, self.raw_sigma)
        return np.asarray(np.tensordot(self.raw_weights, values, axes=(0, 0)))


def coefficient_posterior(gram: Gram, sds: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of all coefficients at each draw of (sds, sigma).

    Returns mean (r, q + p) and covariance (r, q + p, q + p).  Many draws at a time, a term of many levels
    eliminated first (see `fleet.statistics.reml.solve`).
    """
    size = len(gram.b)
    mean, cov = np.empty((len(sigma), size)), np.empty((len(sigma), size, size))
    with one_blas_thread():
        step = max(STACK_NUMBERS // size**2, 1)
        for start in range(0, len(sigma), step):
            now = slice(start, start + step)
            theta = sds[now] / sigma[now, None]
            scale = np.append(theta[:, gram.design.owner], np.ones((len(theta), gram.p)), axis=1)
            inverse = _inverses(gram, scale)
            mean[now] = scale * (inverse @ (scale * gram.b)[:, :, None])[:, :, 0]
            scale *= sigma[now, None]
            cov[now] = inverse * scale[:, :, None] * scale[:, None, :]
    return mean, cov


def _inverses(gram: Gram, scale: Floats) -> Floats:
    """C⁻¹ (r, q + p, q + p) at theta per random column and 1 per fixed one (r, q + p)."""
    parts, q = gram.parts, gram.design.q
    own, rest = parts.own, parts.rest
    s, t = scale[:, rest, None], scale[:, None, own]
    c = parts.inner[:-1, :-1] * s * s.transpose(0, 2, 1)
    c[:, range(q - len(own)), range(q - len(own))] += 1.0
    spare = 1.0 / (1.0 + t * t * parts.diagonal)
    cross = parts.cross[:-1] * s * t
    inverse = np.linalg.inv(c - cross * spare @ cross.transpose(0, 2, 1))
    inverse = 0.5 * (inverse + inverse.transpose(0, 2, 1))
    if not len(own):
        return np.asarray(inverse)
    turn = np.zeros((len(scale), len(rest), scale.shape[1]))
    turn[:, range(len(rest)), rest] = 1.0
    turn[:, :, own] = -cross * spare
    out = turn.transpose(0, 2, 1) @ (inverse @ turn)
    out[:, own, own] += spare[:, 0]
    return np.asarray(out)


class _Target:
    """Log posterior density in ``(v_1..v_F, t)``, or in ``(v_1..v_F)`` alone for a known sigma.

    ``t = log(sigma / sigma_hat(theta))`` with ``sigma_hat² = r²(theta) / (n - p)``: measured from its own
    best value sigma hardly depends on the other sds, even where few units share their kind with another.
    """

    def __init__(self, gram: Gram, prior: LogPrior, sigma: float | None, floor: float) -> None:
        self.gram, self.prior, self.sigma, self.floor = gram, prior, sigma, floor
        self.unit = theta_unit(gram)
        self.terms = len(self.unit)
        self.dim = self.terms + (sigma is None)
        self.dof = gram.n - gram.p

    def theta(self, x: Floats) -> Floats:
        return np.asarray(self.unit * np.sinh(np.abs(x[..., : self.terms])))

    def log_sigma(self, x: Floats, r2: Floats) -> Floats:
        if self.sigma is not None:
            return np.full_like(r2, np.log(self.sigma))
        return np.asarray(x[..., -1] + 0.5 * np.log(r2 / self.dof))

    def _outer(self, v: Floats, log_sigma: Floats) -> Floats:
        """Prior and Jacobian of (sds, sigma) -> (v, t)."""
        sigma = np.exp(log_sigma)
        each = np.expand_dims(sigma, -1) * self.unit
        total = self.prior(each * np.sinh(np.abs(v)), sigma) + np.log(each * np.cosh(v)).sum(axis=-1)
        if self.sigma is None:
            total = total + log_sigma - 0.5 * np.log1p((self.floor / sigma) ** 2)
        return np.asarray(total)

    def _deviance(self, log_det: Floats, r2: Floats, log_sigma: Floats) -> Floats:
        misfit = r2 * np.exp(-2.0 * log_sigma)
        return np.asarray(log_det + self.dof * (LOG_2PI + 2.0 * log_sigma) + misfit - self.gram.log_w)

    def evaluate(self, x: Floats) -> tuple[Floats, Floats]:
        """Log density and sigma of each row; -inf and 1 where theta is too large for the factorisation."""
        value, sigma = np.full(len(x), -np.inf), np.ones(len(x))
        near = np.flatnonzero(np.abs(x[:, : self.terms]).max(axis=1, initial=0.0) <= V_LIMIT)
        log_det, r2 = criterion_parts(self.gram, self.theta(x[near]))
        found = near[np.isfinite(log_det)]
        x, log_det, r2 = x[found], log_det[np.isfinite(log_det)], r2[np.isfinite(log_det)]
        log_sigma = self.log_sigma(x, r2)
        value[found] = self._outer(x[:, : self.terms], log_sigma) - 0.5 * self._deviance(
            log_det, r2, log_sigma
        )
        sigma[found] = np.exp(log_sigma)
        return value, sigma

    def value(self, x: Floats) -> float:
        """Log density of one point."""
        return float(self.evaluate(x[None])[0][0])

    def negative(self, x: Floats) -> Local:
        """Negative log density, its gradient and curvature (the prior's own part by differences)."""
        v = x[: self.terms]
        try:
            s = solve(self.gram, self.theta(x))
        except np.linalg.LinAlgError:
            return TOO_FAR, np.zeros(self.dim), np.eye(self.dim)
        log_sigma = self.log_sigma(x, np.asarray(s.r2))
        value = 0.5 * self._deviance(np.asarray(s.log_det), np.asarray(s.r2), log_sigma)
        outer, d_outer, d2_outer = self._differences(v, log_sigma)
        gradient, curvature = (0.5 * d for d in by_v(self.unit, v, *derivatives(s, self.sigma)))
        turn = np.eye(self.terms + 1, self.dim)  # of (v, t) into (v, log sigma)
        if self.sigma is None:
            # With t fixed the misfit is too: what is left is half the profiled criterion, and t's own part.
            misfit = self.dof * float(np.exp(-2.0 * x[-1]))
            gradient, curvature = np.append(gradient, self.dof - misfit), _bordered(curvature, 2.0 * misfit)
            r2, r22 = s.slopes[1] / s.r2, s.curvature[1] / s.r2
            moved, bent = by_v(self.unit, v, 0.5 * r2, 0.5 * (r22 - r2[:, None] * r2))
            turn[-1, :-1] = moved
            curvature[:-1, :-1] -= d_outer[-1] * bent
        return float(value - outer), gradient - d_outer @ turn, curvature - turn.T @ d2_outer @ turn

    def _differences(self, v: Floats, log_sigma: Floats) -> tuple[Floats, Floats, Floats]:
        """`_outer`, its gradient and its curvature in each v and, last, in log sigma."""
        h, size = 1e-4, self.terms + 1
        i, j = np.triu_indices(size)
        one = h * np.eye(size)
        step = np.concatenate([[np.zeros(size)], one, -one, one[i] + one[j], -one[i] - one[j]])
        f = self._outer(v + step[:, :-1], log_sigma + step[:, -1])
        up, down = f[1 : 2 * size + 1].reshape(2, -1)
        both = f[2 * size + 1 :].reshape(2, -1).sum(axis=0)
        single = up + down
        curvature = np.empty((size, size))
        curvature[i, j] = curvature[j, i] = (both - single[i] - single[j] + 2.0 * f[0]) / (2.0 * h * h)
        return f[0], (up - down) / (2.0 * h), curvature


def _bordered(square: Floats, corner: float) -> Floats:
    out = np.zeros((len(square) + 1, len(square) + 1))
    out[:-1, :-1], out[-1, -1] = square, corner
    return out


def fit_bayes(
    gram: Gram,
    *,
    prior: LogPrior | None = None,
    sigma: float | None = None,
    sigma_floor: float | None = None,
    draws: int | None = None,
    kept: int = KEPT,
    seed: int = 20,
    sweeps: int = SWEEPS,
    reml: RemlFit | None = None,
) -> Posterior:
    """Posterior of the standard deviations of a mixed model.

    Parameters
    ----------
    gram : Gram
    prior : log density of (sds, sigma); default half-t(4) on the sds with scale 0.5 × sd of the response,
        flat on log sigma.  Fixed effects are flat and integrated out.
    sigma : known residual standard deviation, else sampled
    sigma_floor : below it the prior density of sigma is levelled off by the factor
        ``(1 + (sigma_floor / sigma)²)^(-1/2)``; default `SIGMA_FLOOR` × the response's sd, 0 leaves the prior
        alone.  Without it a fleet in which every sheet is the only one of its kind would drive sigma to 0,
        where a flat prior on log sigma has no end.
    draws : size of the importance sample (a power of two); default 512, or 1024 below 150 rows
    kept : number of equally weighted draws kept for predictions
    seed : seed of the scrambled Sobol set
    sweeps : of the slice sampler, should it have to take over

    Returns
    -------
    Posterior

    Notes
    -----
    With an effective sample below 100 more draws follow: of all that the sds may be, as the density may lie
    in several places, then of proposals refitted to the weighted draws so far.  All are weighed against the
    mixture of what they were drawn from, so none is lost.  After `ROUNDS` samples a slice sampler takes over.
    """
    with one_blas_thread():
        reml = reml or fit_reml(gram, sigma=sigma)
        if reml.sigma_known:
            sigma = reml.sigma
        spread = response_sd(gram)
        prior = prior or half_t_prior(0.5 * spread)
        if sigma_floor is None:
            sigma_floor = SIGMA_FLOOR * spread * float(np.sqrt(gram.typical_weight))
        target = _Target(gram, prior, sigma, sigma_floor)
        if target.dim == 0:
            raise ValueError("got no random term and a known sigma, expected something to estimate")
        n = draws or (DEFAULT_DRAWS if gram.n >= 150 else 2 * DEFAULT_DRAWS)
        mode, method = _at_mode(target, reml), "importance"
        proposals, sample = [mode], _importance(target, [mode], n, seed)
        while sample.ess < ESS_LIMIT and len(proposals) < ROUNDS:
            proposals.append(_refit(mode, sample) if len(proposals) > 1 else _broad(mode))
            sample = _importance(target, proposals, n, seed, sample)
        if sample.ess < ESS_LIMIT:
            sample, method = _slice(target, proposals[-1].mode, seed, sweeps), "slice"
    sds = target.theta(sample.x) * sample.sigma[:, None]
    pick = _systematic(sample.weights, kept)
    kept_sds, kept_sigma, weights = sds[pick], sample.sigma[pick], sample.weights
    return Posterior(
        gram, kept_sds, kept_sigma, sample.ess, sds, sample.sigma, weights, method, reml.short_by
    )


@dataclass(frozen=True)
class _Sample:
    x: Floats
    log_p: Floats
    sigma: Floats
    weights: Floats
    ess: float


def _at_mode(target: _Target, reml: RemlFit) -> SplitT:
    """Split t's round the mode, their sides measured along the axes of its curvature."""
    start = np.zeros(target.dim)
    start[: target.terms] = np.maximum(np.arcsinh(reml.sds / reml.sigma / target.unit), 0.3)
    mode = descend(target.negative, start, np.arange(target.dim), CLOSE)[0]
    mode[: target.terms] = np.minimum(np.abs(mode[: target.terms]), FARTHEST)
    mode[target.terms :] = np.clip(mode[target.terms :], -3.0, 3.0)
    top, _, curvature = target.negative(mode)
    values, vectors = np.linalg.eigh(curvature)
    guess = 1.0 / np.sqrt(np.clip(values, 0.05, None))
    scale = _sides(target, mode, np.append(-vectors.T, vectors.T, axis=0), np.tile(guess, 2), -top)
    return SplitT(mode, vectors, scale[: target.dim], scale[target.dim :], target.terms)


def _sides(target: _Target, mode: Floats, directions: Floats, guess: Floats, top: float) -> Floats:
    """Scales at which the log density falls like a normal's, measured near two of its own sds."""
    scale, left = guess.copy(), np.arange(len(guess))
    for _ in range(4):
        drop = top - target.evaluate(mode + 2.0 * scale[left, None] * directions[left])[0]
        ratio = np.sqrt(2.0 / np.maximum(drop, 0.08))
        scale[left] *= np.clip(ratio, 0.4, 2.5)
        left = left[(ratio <= 0.8) | (ratio >= 1.25)]
        if not left.size:
            break
    return np.asarray(np.clip(scale, 0.2 * guess, 6.0 * guess))


def _broad(mode: SplitT) -> SplitT:
    """All that the sds may be, for where they lie in several places, of which the mode is one."""
    middle, scale = mode.mode.copy(), np.sqrt(mode.vectors**2 @ np.maximum(mode.left, mode.right) ** 2)
    middle[: mode.terms], scale[: mode.terms] = BROAD
    return SplitT(middle, np.eye(len(middle)), scale, scale, mode.terms)


def _refit(old: SplitT, sample: _Sample) -> SplitT:
    mean = sample.weights @ sample.x
    centred = sample.x - mean
    cov = (centred * sample.weights[:, None]).T @ centred + 1e-8 * np.eye(len(mean))
    values, vectors = np.linalg.eigh(cov)
    scale = np.sqrt(values)
    return SplitT(mean, vectors, scale, scale, old.terms)


def _importance(
    target: _Target, proposals: Sequence[SplitT], n: int, seed: int, before: _Sample | None = None
) -> _Sample:
    """Draws of the newest proposal beside those before, all weighed against the mixture of all proposals."""
    x = proposals[-1].draw(n, seed + len(proposals) - 1)
    log_p, sigma = target.evaluate(x)
    if before is not None:
        x, log_p = np.vstack([before.x, x]), np.append(before.log_p, log_p)
        sigma = np.append(before.sigma, sigma)
    mixture = np.logaddexp.reduce([p.log_density(x) for p in proposals]) - np.log(len(proposals))
    ratio = np.exp(log_p - mixture - (log_p - mixture).max())
    weights = ratio / ratio.sum()
    return _Sample(x, log_p, sigma, weights, float(1.0 / (weights**2).sum()))


def _slice(target: _Target, start: Floats, seed: int, sweeps: int) -> _Sample:
    widths = np.ones(target.dim)
    if target.sigma is None:
        widths[-1] = min(1.0, 3.0 / np.sqrt(2.0 * target.dof))
    rng = np.random.default_rng(seed)
    x = slice_chain(target.value, start, widths, sweeps=sweeps, warm=min(WARM, sweeps), rng=rng)
    x[:, : target.terms] = np.abs(x[:, : target.terms])
    log_p, sigma = target.evaluate(x)
    return _Sample(x, log_p, sigma, np.full(sweeps, 1.0 / sweeps), chain_ess(x))


def _systematic(weights: Floats, kept: int) -> Ints:
    """Systematic resampling: indices of ``kept`` equally weighted draws."""
    positions = (np.arange(kept) + 0.5) / kept
    return np.minimum(np.searchsorted(np.cumsum(weights), positions), len(weights) - 1)

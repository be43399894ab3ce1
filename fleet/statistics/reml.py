"""Linear mixed models with crossed random terms, by restricted maximum likelihood, from a Gram matrix.

Model: ``y = X beta + sum_f Z_f u_f + e``, ``u_f ~ N(0, sd_f² I)``, ``e ~ N(0, sigma² / w)``.

With ``theta_f = sd_f / sigma`` and ``S = diag(theta)`` the matrix

    C = [[S Z'WZ S + I, S Z'WX], [X'WZ S, X'WX]]

holds everything: ``log|C|`` and the penalised residual sum of squares ``r² = y'Wy - c'C⁻¹c`` give the
restricted likelihood, and ``C⁻¹`` the uncertainty of every coefficient.  The cost depends on the number of
levels, not on the number of rows: on its cube, but for the term with most levels, which is eliminated first.

References
----------
Bates, Mächler, Bolker & Walker 2015, J. Stat. Software 67(1): penalised least squares form of the criterion.
Patterson & Thompson 1971, Biometrika 58: restricted maximum likelihood.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import scipy

from fleet.errors import FleetError
from fleet.statistics.blas_threads import one_blas_thread
from fleet.statistics.gram import Floats, Gram, Ints, Parts, Term, response_sd, theta_unit
from fleet.statistics.gram import gram_of_frame as gram_of_frame  # also looked for here

LOG_2PI = float(np.log(2.0 * np.pi))
RESOLUTION = 1e-6
"""A residual sd below this share of the response's is rounding, not scatter."""
HELD = 1e-5
"""Where such a residual is held: small enough to mean none, large enough for sound arithmetic."""
TOO_FAR = 1e300
STACK = 64  # matrices factorised at a time: they stay in the processor's cache
INSIDE = 0.01
"""A v below this is looked at as a zero."""
RELEASED = (0.3, 1.0, 2.0, 3.5)
"""Where a term at 0 is tried."""
STEP, FLAT, LONGEST, SHORTEST, MOST_STEPS, TRIALS = 1e-4, 1e-4, 2.0, 1e-5, 60, 12
"""Differences that give the curvature, the least curvature believed, steps at most; then trials of zeros."""
ENOUGH, NEARLY, SHORT = 1e-13, 1e-8, 1e-3
"""Share of the criterion that a step must promise, what a term at 0 may cost, what a search may lack."""


@dataclass(frozen=True)
class Solved:
    """One factorisation: what the model says at given relative standard deviations.

    Attributes
    ----------
    log_det : log determinant of C
    r2 : penalised residual sum of squares
    coef : (q + p,) solution, random part in units of S (spherical)
    scale : (q + p,) theta per random column, 1 per fixed column
    parts : how the Gram matrix was taken apart
    factor : lower Cholesky factor of what is left of C without the term with most levels
    spare : (q + p,) what that term adds to the diagonal of C⁻¹ by itself
    """

    log_det: float
    r2: float
    coef: Floats
    scale: Floats
    parts: Parts
    factor: Floats
    spare: Floats

    @cached_property
    def root(self) -> Floats:
        """(rest, q + p) matrix U with C⁻¹ = U'U + diag(`spare`)."""
        own, rest = self.parts.own, self.parts.rest
        inverse, _ = scipy.linalg.lapack.dtrtri(self.factor, lower=1)  # above the diagonal both hold 0
        if not len(own):
            return np.asarray(inverse)
        out = np.zeros((len(rest), len(self.scale)))
        out[:, rest] = inverse
        left = inverse * self.scale[rest] @ self.parts.cross[:-1]
        out[:, own] = -left * self.scale[own] * self.spare[own]
        return out

    def inverse_diagonal(self) -> Floats:
        """Diagonal of C⁻¹."""
        return np.asarray(np.einsum("ij,ij->j", self.root, self.root) + self.spare)

    def inverse(self) -> Floats:
        """C⁻¹."""
        if len(self.parts.own):
            return np.asarray(self.root.T @ self.root + np.diag(self.spare))
        inverse = scipy.linalg.lapack.dpotri(self.factor, lower=1)[0]
        return np.asarray(np.tril(inverse) + np.tril(inverse, -1).T)


def solve(gram: Gram, theta: Floats) -> Solved:
    """Factorise C at ``theta`` (one relative standard deviation per term), a term of many levels first."""
    parts = gram.parts
    q, size = gram.design.q, len(gram.b)
    scale = np.ones(size)
    scale[:q] = theta[gram.design.owner]
    s, t = scale[parts.rest], scale[parts.own]
    pivot = 1.0 + t * t * parts.diagonal
    weight = t * t / pivot
    left = parts.inner - parts.cross * weight @ parts.cross.T
    c = left[:-1, :-1] * s * s[:, None]
    c.flat[: (q - len(t)) * len(s) : len(s) + 1] += 1.0
    factor, info = scipy.linalg.lapack.dpotrf(c, lower=1, overwrite_a=1)
    if info != 0:
        raise np.linalg.LinAlgError("theta is too large, or the fixed columns are not independent")
    own, _ = scipy.linalg.lapack.dpotrs(factor, left[-1, :-1] * s, lower=1)
    coef, spare = np.empty(size), np.zeros(size)
    coef[parts.rest], spare[parts.own] = own, 1.0 / pivot
    coef[parts.own] = t / pivot * (parts.cross[-1] - (s * own) @ parts.cross[:-1])
    log_det = 2.0 * float(np.log(np.diag(factor)).sum()) + float(np.log(pivot).sum())
    r2 = max(gram.yy - float(gram.b * scale @ coef), 1e-300)
    return Solved(log_det, r2, coef, scale, parts, factor, spare)


def criterion_parts(gram: Gram, theta: Floats) -> tuple[Floats, Floats]:
    """``log|C|`` and ``r²`` at many (rows of) theta, inf and 1 where C can't be factorised.

    C is bordered by its right-hand side (and a corner that is large enough): the last row of the factor is
    then ``L⁻¹ S b``, whose square is what the coefficients explain.  One term is eliminated, as in `solve`.
    """
    if len(theta) > STACK:
        return _joined(gram, np.array_split(theta, -(-len(theta) // STACK)))
    parts, width, scale = gram.parts, len(gram.parts.rest), np.ones((len(theta), len(gram.parts.rest) + 1))
    random = parts.rest[parts.rest < gram.design.q]
    scale[:, : len(random)] = theta[:, gram.design.owner[random]]
    square = (theta[:, parts.term] ** 2)[:, None] if len(parts.own) else np.zeros((len(theta), 0))
    pivot = 1.0 + square * parts.diagonal
    weight = square / pivot
    c = parts.inner - (weight @ parts.products).reshape(-1, width + 1, width + 1)
    c *= scale[:, :, None]
    c *= scale[:, None, :]
    c[:, range(len(random)), range(len(random))] += 1.0
    try:
        factor = np.linalg.cholesky(c)
    except np.linalg.LinAlgError:
        return (np.array([np.inf]), np.ones(1)) if len(theta) == 1 else _joined(gram, theta[:, None])
    log_det = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)[:, :width]).sum(axis=1)
    explained = weight @ parts.cross[-1] ** 2 + (factor[:, width, :width] ** 2).sum(axis=1)
    return log_det + np.log(pivot).sum(axis=1), np.maximum(gram.yy - explained, 1e-300)


def _joined(gram: Gram, parts: Iterable[Floats]) -> tuple[Floats, Floats]:
    log_det, r2 = zip(*(criterion_parts(gram, part) for part in parts), strict=True)
    return np.concatenate(log_det), np.concatenate(r2)


def criterion(gram: Gram, theta: Floats, *, sigma: float | None = None) -> float:
    """REML criterion: -2 × restricted log-likelihood, sigma profiled out unless given."""
    s = solve(gram, theta)
    return float(_criterion(gram, s.log_det, s.r2, sigma))


def _criterion(gram: Gram, log_det: Any, r2: Any, sigma: float | None) -> Any:
    dof = gram.n - gram.p
    if sigma is None:
        return log_det + dof * (1.0 + LOG_2PI + np.log(r2 / dof)) - gram.log_w
    return log_det + dof * (LOG_2PI + 2.0 * np.log(sigma)) + r2 / sigma**2 - gram.log_w


def criterion_and_gradient(
    gram: Gram, theta: Floats, *, sigma: float | None = None
) -> tuple[float, Floats, Solved]:
    """REML criterion, its gradient with respect to ``theta``, and the factorisation."""
    s = solve(gram, theta)
    d_log_det, d_r2 = slopes(gram, s)
    precision = (gram.n - gram.p) / s.r2 if sigma is None else 1.0 / sigma**2
    return float(_criterion(gram, s.log_det, s.r2, sigma)), d_log_det + precision * d_r2, s


def slopes(gram: Gram, s: Solved) -> tuple[Floats, Floats]:
    """Derivatives of ``log|C|`` and of ``r²`` with respect to theta, (terms,) each.

    A random column's share of the first is ``2 (1 - [C⁻¹]_ii) / theta``: only C⁻¹'s diagonal is needed.
    """
    q, owner, terms = gram.design.q, gram.design.owner, len(gram.design.terms)
    theta, x = s.scale[:q], s.scale * s.coef
    share = np.divide(1.0 - s.inverse_diagonal()[:q], theta, out=np.zeros(q), where=theta > 0.0)
    resid = gram.b[:q] - (s.parts.times(x)[:q] if len(s.parts.own) else gram.a[:q] @ x)
    d_log_det = np.bincount(owner, 2.0 * share, minlength=terms)
    d_r2 = np.bincount(owner, -2.0 * s.coef[:q] * resid, minlength=terms)
    return d_log_det.astype(np.float64), d_r2.astype(np.float64)


@dataclass(frozen=True)
class RemlFit:
    """A restricted maximum likelihood fit.

    Attributes
    ----------
    sds : (terms,) standard deviations of the random terms; exactly 0 on the boundary
    sigma : residual standard deviation (of a row of weight 1)
    criterion : -2 × restricted log-likelihood at the optimum
    fixed, fixed_se : (p,) fixed coefficients and their standard errors
    random : (q,) conditional modes of the random coefficients, in the design's column order
    slope_at_zero : (terms,) derivative of the criterion in theta²; ≥ 0 where a sd is 0 (0 elsewhere)
    short_by : what the last Newton step promised to take off the criterion; above `SHORT` it ended early
    sigma_known : sigma was given, or held because the data show no residual at all
    """

    gram: Gram
    sds: Floats
    sigma: float
    criterion: float
    fixed: Floats
    fixed_se: Floats
    random: Floats
    slope_at_zero: Floats
    short_by: float = 0.0
    sigma_known: bool = False

    def effects(self, term: int) -> pd.Series:
        """Conditional modes of one random term, indexed by its levels."""
        sizes = self.gram.design.sizes
        start = sum(sizes[:term])
        keys = [":".join(k) for k in self.gram.design.levels[term]]
        return pd.Series(self.random[start : start + sizes[term]], index=keys)


def fit_reml(gram: Gram, *, sigma: float | None = None, start: Floats | None = None) -> RemlFit:
    """Fit by REML: damped Newton steps, then every zero judged by the criterion itself.

    Parameters
    ----------
    gram : Gram
    sigma : a known residual standard deviation; None profiles it out
    start : (terms,) first guess of theta

    Raises
    ------
    FleetError
        If there are no more rows than fixed columns, or the fixed columns say the same.

    Notes
    -----
    In ``v = asinh(theta / unit)`` the criterion is even: no bound is needed, and 0 is always stationary.  So
    each term is tried at 0, and one that is 0 away from it, until neither lowers the criterion.  Where no
    residual is left, sigma has no maximum; it is then held at `HELD` times the response's sd.
    """
    if gram.n < gram.p or (sigma is None and gram.n <= gram.p):
        raise FleetError(f"got {gram.n:.0f} rows for {gram.p} fixed columns, expected more rows than columns")
    with one_blas_thread():
        _check_fixed(gram)
        fit = _fit_reml(gram, sigma, start)
        spread = response_sd(gram) * float(np.sqrt(gram.typical_weight))
        if sigma is None and not fit.sigma > RESOLUTION * spread:
            fit = _fit_reml(gram, HELD * spread, None)
    return fit


def _check_fixed(gram: Gram) -> None:
    """Refuse fixed columns of which one follows from the others."""
    x = gram.a[gram.design.q :, gram.design.q :]
    length = np.sqrt(np.where(np.diag(x) > 0.0, np.diag(x), 1.0))
    factor, info = scipy.linalg.lapack.dpotrf(x / length / length[:, None], lower=1)
    independent = np.diag(factor) > 1e-6 if info == 0 else np.arange(gram.p) < info - 1
    if not independent.all():
        name = gram.design.fixed[int(np.argmin(independent))]
        raise FleetError(f"fixed column {name!r} says no more than the ones before it: leave it out")


def _fit_reml(gram: Gram, sigma: float | None, start: Floats | None) -> RemlFit:
    search = _Search(gram, sigma)
    first = np.maximum(0.5, search.unit) if start is None else np.maximum(start, 0.3 * search.unit)
    v = search.settle(np.where(gram.rows_per_level > 0.0, np.arcsinh(first / search.unit), 0.0))
    theta = search.unit * np.sinh(v)
    value, _, s = criterion_and_gradient(gram, theta, sigma=sigma)
    scale = float(np.sqrt(s.r2 / (gram.n - gram.p))) if sigma is None else sigma
    q = gram.design.q
    coef, se = s.coef * s.scale, np.sqrt(s.inverse_diagonal()[q:]) * scale
    beside = np.reshape([search.at(v + INSIDE * e)[1] for e in np.eye(len(v))], (len(v), len(v)))
    slope = np.where(v == 0.0, np.diag(beside) / (2.0 * INSIDE * search.unit**2), 0.0)
    return RemlFit(
        gram, theta * scale, scale, value, coef[q:], se, coef[:q], slope, search.short_by, sigma is not None
    )


class _Search:
    """The least criterion over ``v = asinh(theta / unit)``, in which it is even and has no bounds."""

    def __init__(self, gram: Gram, sigma: float | None) -> None:
        self.gram, self.sigma = gram, sigma
        self.unit = theta_unit(gram)
        self.short_by = 0.0

    def at(self, v: Floats) -> tuple[float, Floats]:
        """Criterion and gradient; none where no residual is left, as a profiled sigma has no maximum."""
        try:
            value, gradient, _ = criterion_and_gradient(
                self.gram, self.unit * np.sinh(abs(v)), sigma=self.sigma
            )
        except np.linalg.LinAlgError:
            return TOO_FAR, np.zeros_like(v)
        gradient = gradient * self.unit * np.cosh(v) * np.where(v < 0.0, -1.0, 1.0)
        return value, np.where(np.abs(gradient) < 1e200, gradient, 0.0)

    def together(self, vs: Floats) -> Floats:
        """Criterion of each row."""
        parts = criterion_parts(self.gram, self.unit * np.sinh(vs))
        return np.asarray(_criterion(self.gram, *parts, self.sigma))

    def settle(self, v: Floats) -> Floats:
        """The minimum from a first guess; a term at 0 there is held, as it has no data."""
        informed = np.flatnonzero(v)
        v, value = self.descend(v)
        for _ in range(TRIALS if informed.size else 0):
            places = [(i, at) for i in informed for at in ((0.0,) if v[i] > 0.0 else RELEASED)]
            trials = np.tile(v, (len(places), 1))
            trials[range(len(places)), [i for i, _ in places]] = [at for _, at in places]
            found = self.together(trials)
            if not found.min() < value - NEARLY:
                break
            v, value = self.descend(trials[int(found.argmin())])
        return v

    def descend(self, v: Floats) -> tuple[Floats, float]:
        """The bottom below v, and its criterion; terms at 0 stay there, one that ends near 0 is put there."""
        value, gradient = self.at(v)
        free, self.short_by = np.flatnonzero(v), 0.0
        for _ in range(MOST_STEPS if free.size else 0):
            beside = [self.at(v + STEP * e)[1] for e in np.eye(len(v))[free]]
            hessian = np.array([(b - gradient)[free] / STEP for b in beside])
            values, vectors = np.linalg.eigh(0.5 * (hessian + hessian.T))
            step = _newton(values, vectors, gradient, free)
            self.short_by = 0.5 * float(-gradient @ step)
            if self.short_by < ENOUGH * (1.0 + abs(value)):
                v = v + step
                v = v + _newton(values, vectors, self.at(v)[1], free)
                break
            step *= min(1.0, LONGEST / float(np.abs(step).max()))
            while (new := self.at(v + step))[0] > value + 1e-4 * float(gradient @ step):
                step *= 0.3
                if np.abs(step).max() < SHORTEST:
                    return np.abs(v), value
            v, (value, gradient) = v + step, new
        v = np.abs(v)
        snapped = np.where(v < INSIDE, 0.0, v)
        if (snapped != v).any() and (at := float(self.together(snapped[None])[0])) <= value + NEARLY:
            return snapped, at
        return v, value


def _newton(values: Floats, vectors: Floats, gradient: Floats, free: Ints) -> Floats:
    pull = vectors.T @ gradient[free]
    step = np.zeros_like(gradient)
    step[free] = -vectors @ (pull / np.maximum(np.abs(values), FLAT))
    return step


def fit_frame(
    frame: pd.DataFrame,
    response: str,
    *,
    random: Sequence[Term],
    fixed: Sequence[str] = (),
    weights: Floats | None = None,
    sigma: float | None = None,
) -> RemlFit:
    """Fit a mixed model to any data frame by REML: the statistician's front door.

    Parameters
    ----------
    frame : one row per observation
    response : name of the response column
    random : random terms, e.g. ``[Term(("plate",)), Term(("sample",))]`` or ``Term(("subject",), "days")``
    fixed : numeric columns with fixed slopes; an intercept is always there
    weights : (n,) residual weights
    sigma : known residual standard deviation, else estimated

    Returns
    -------
    RemlFit
        ``fixed[0]`` is the intercept at zero covariates, ``fixed[1:]`` the slopes.

    Examples
    --------
    >>> import pandas as pd
    >>> d = pd.DataFrame({"y": [1.0, 2.0, 2.0, 4.0, 6.0, 5.0], "g": list("aabbcc")})
    >>> fit = fit_frame(d, "y", random=[Term(("g",))])
    >>> round(float(fit.fixed[0]), 3)
    3.333
    """
    gram, shifts = gram_of_frame(frame, response, random=random, fixed=fixed, weights=weights)
    fit = fit_reml(gram, sigma=sigma)
    slopes = fit.fixed[1:]
    centre = shifts[1 : 1 + len(fixed)]
    intercept = fit.fixed[0] + shifts[-1] - float(slopes @ centre)
    cov = solve(gram, fit.sds / fit.sigma).inverse()[gram.design.q :, gram.design.q :] * fit.sigma**2
    at_zero = np.eye(len(cov))
    at_zero[0, 1:] = -centre
    se = np.sqrt(np.diag(at_zero @ cov @ at_zero.T))
    return replace(fit, fixed=np.concatenate([[intercept], slopes]), fixed_se=se)

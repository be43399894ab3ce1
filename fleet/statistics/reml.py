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

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from fleet.errors import FleetError
from fleet.statistics.gram import Cells, Floats, Gram, Ints, Term, build_gram
from fleet.statistics.solves import (
    Solved,
    criterion_parts,
    one_blas_thread,
    response_sd,
    solve,
    theta_unit,
)

if TYPE_CHECKING:
    import pandas as pd

LOG_2PI = float(np.log(2.0 * np.pi))
RESOLUTION = 1e-6
"""A residual sd below this share of the response's is rounding, not scatter."""
NOTHING = 1e-100
"""A misfit below this share of the response's square is none at all."""
HELD = 1e-5
"""Where such a residual is held: small enough to mean none, large enough for sound arithmetic."""
TOO_FAR = 1e300
INSIDE = 0.01
"""A v below this is looked at as a zero."""
RELEASED = (0.05, 0.15, 0.4, 1.0, 2.0, 3.5)
"""Where a term at 0 is tried."""
FLAT, LONGEST, SHORTEST, MOST_STEPS, TRIALS = 1e-4, 2.0, 1e-5, 60, 12
"""The least curvature believed, the longest and the shortest step, steps at most; then trials of zeros."""
ENOUGH, NEARLY, SHORT = 1e-13, 1e-8, 1e-3
"""Share of the criterion that a step must promise, what a term at 0 may cost, what a search may lack."""


def criterion(gram: Gram, theta: Floats, *, sigma: float | None = None) -> float:
    """REML criterion: -2 × restricted log-likelihood, sigma profiled out unless given."""
    s = solve(gram, theta)
    return float(_criterion(gram, s.log_det, s.r2, sigma))


def criterion_slopes(gram: Gram, theta: Floats, sigma: float) -> tuple[float, Floats, float]:
    """REML criterion, its slopes by theta² (terms,), and by sigma² times that."""
    s = solve(gram, theta)
    log_det, r2 = s.slopes
    by_sigma = gram.n - gram.p - s.r2 / sigma**2
    return float(_criterion(gram, s.log_det, s.r2, sigma)), log_det + r2 / sigma**2, by_sigma


def _criterion(gram: Gram, log_det: Any, r2: Any, sigma: float | None) -> Any:
    dof = gram.n - gram.p
    if sigma is None:
        return log_det + dof * (1.0 + LOG_2PI + np.log(r2 / dof)) - gram.log_w
    return log_det + dof * (LOG_2PI + 2.0 * np.log(sigma)) + r2 / sigma**2 - gram.log_w


def derivatives(s: Solved, sigma: float | None) -> tuple[Floats, Floats]:
    """Gradient (terms,) and curvature (terms, terms) of the criterion by theta²."""
    (log_det, r2), (log_det2, r22) = s.slopes, s.curvature
    if sigma is not None:
        return log_det + r2 / sigma**2, log_det2 + r22 / sigma**2
    precision = (s.gram.n - s.gram.p) / s.r2
    return log_det + precision * r2, log_det2 + precision * (r22 - r2[:, None] * r2 / s.r2)


def by_v(unit: Floats, v: Floats, gradient: Floats, curvature: Floats) -> tuple[Floats, Floats]:
    """Derivatives by theta² turned into those by ``v = asinh(theta / unit)``."""
    first, second = unit**2 * np.sinh(2.0 * v), 2.0 * unit**2 * np.cosh(2.0 * v)
    return gradient * first, curvature * first[:, None] * first + np.diag(gradient * second)


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
        import pandas as pd

        return pd.Series(self.random[start : start + sizes[term]], index=keys)


def fit_reml(gram: Gram, *, sigma: float | None = None, start: Floats | None = None) -> RemlFit:
    """Fit by REML: damped Newton steps, then every zero judged by the criterion itself.

    Parameters
    ----------
    gram : Gram
    sigma : a known residual standard deviation; None profiles it out
    start : (terms,) first guess of theta; a term that it puts at 0 is tried away from there last

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
    left = x / length / length[:, None]
    for j, name in enumerate(gram.design.fixed):
        if not left[j, j] > 1e-12:  # what is left of its square once those before it are taken out
            raise FleetError(f"fixed column {name!r} says no more than the ones before it: leave it out")
        left = left - np.outer(left[:, j], left[j]) / left[j, j]


def _fit_reml(gram: Gram, sigma: float | None, start: Floats | None) -> RemlFit:
    search = _Search(gram, sigma)
    first = np.maximum(0.5, search.unit) if start is None else start
    v = search.settle(np.where(search.informed, np.arcsinh(first / search.unit), 0.0))
    s = solve(gram, search.unit * np.sinh(v))
    scale = float(np.sqrt(s.r2 / (gram.n - gram.p))) if sigma is None else sigma
    se, coef = np.sqrt(s.fixed_covariance.diagonal()) * scale, s.coef
    with np.errstate(over="ignore"):  # where no residual is left
        slope = np.where(v == 0.0, s.slopes[0] + s.slopes[1] / scale**2, 0.0)
    value, q = float(_criterion(gram, s.log_det, s.r2, sigma)), gram.design.q
    return RemlFit(
        gram, s.theta * scale, scale, value, coef[q:], se, coef[:q], slope, search.short_by, sigma is not None
    )


class _Search:
    """The least criterion over ``v = asinh(theta / unit)``, in which it is even and has no bounds."""

    def __init__(self, gram: Gram, sigma: float | None) -> None:
        self.gram, self.sigma = gram, sigma
        self.unit, self.informed = theta_unit(gram), gram.rows_per_level > 0.0
        self.short_by = 0.0

    def at(self, v: Floats) -> Local:
        """Criterion, gradient and curvature; none where no residual is left, as sigma has no maximum."""
        try:
            s = solve(self.gram, self.unit * np.sinh(v))
        except np.linalg.LinAlgError:
            return TOO_FAR, np.zeros_like(v), np.eye(len(v))
        value = float(_criterion(self.gram, s.log_det, s.r2, self.sigma))
        if self.sigma is None and s.r2 <= NOTHING * self.gram.yy:
            return value, np.zeros_like(v), np.eye(len(v))
        return value, *by_v(self.unit, v, *derivatives(s, self.sigma))

    def together(self, vs: Floats) -> Floats:
        """Criterion of each row."""
        parts = criterion_parts(self.gram, self.unit * np.sinh(vs))
        return np.asarray(_criterion(self.gram, *parts, self.sigma))

    def settle(self, v: Floats) -> Floats:
        """The minimum from a first guess; a term at 0 is tried away from it if there are data about it."""
        informed = np.flatnonzero(self.informed)
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
        v, value, self.short_by = descend(self.at, v, np.flatnonzero(v), ENOUGH)
        v = np.abs(v)
        snapped = np.where(v < INSIDE, 0.0, v)
        if (snapped != v).any() and (at := float(self.together(snapped[None])[0])) <= value + NEARLY:
            return snapped, at
        return v, value


Local = tuple[float, Floats, Floats]
"""What a function is at a place, its gradient and its curvature."""


def descend(
    at: Callable[[Floats], Local], x: Floats, free: Ints, enough: float
) -> tuple[Floats, float, float]:
    """The bottom below x by damped Newton steps, its value, and what the last step promised.

    Parameters
    ----------
    at : the function
    x : where to begin
    free : which coordinates may move
    enough : share of the value that a step must promise
    """
    (value, gradient, curvature), short_by = at(x), 0.0
    for _ in range(MOST_STEPS if free.size else 0):
        values, vectors = np.linalg.eigh(curvature[free[:, None], free])
        step = _newton(values, vectors, gradient, free)
        short_by = 0.5 * float(-gradient @ step)
        if short_by < enough * (1.0 + abs(value)):
            return x + step, value, short_by
        step *= min(1.0, LONGEST / float(np.abs(step).max()))
        while (new := at(x + step))[0] > value + 1e-4 * float(gradient @ step):
            step *= 0.3
            if np.abs(step).max() < SHORTEST:
                return x, value, short_by
        x, (value, gradient, curvature) = x + step, new
    return x, value, short_by


def _newton(values: Floats, vectors: Floats, gradient: Floats, free: Ints) -> Floats:
    pull = vectors.T @ gradient[free]
    step = np.zeros_like(gradient)
    step[free] = -vectors @ (pull / np.maximum(np.abs(values), FLAT))
    return step


def gram_of_frame(
    frame: pd.DataFrame,
    response: str,
    *,
    random: Sequence[Term],
    fixed: Sequence[str] = (),
    weights: Floats | None = None,
) -> tuple[Gram, Floats]:
    """Gram matrix of a data frame and the shifts of its columns ``(1, covariates..., response)``.

    Random slopes keep their own zero: a covariate that carries a random term is not shifted.
    """
    slopes = {t.covariate for t in random if t.covariate != "1"}
    covariates = [*fixed, *sorted(slopes - set(fixed))]
    factors = sorted({f for t in random for f in t.factors})
    cells, shifts = Cells.from_frame(
        frame, response, factors=factors, covariates=covariates, weights=weights, unshifted=sorted(slopes)
    )
    return build_gram(cells, random, ("1", *fixed)), shifts


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
    cov = solve(gram, fit.sds / fit.sigma).fixed_covariance * fit.sigma**2
    at_zero = np.eye(len(cov))
    at_zero[0, 1:] = -centre
    se = np.sqrt(np.diag(at_zero @ cov @ at_zero.T))
    return replace(fit, fixed=np.concatenate([[intercept], slopes]), fixed_se=se)

"""Each operator's own scatter, from repeats that mix operators.

A pair read by two hands shows the mean of their variances, whoever was off: residuals alone would share it
out evenly.  So each operator's sum of squared residuals is set equal to its expectation under all the
operators' variances (C. R. Rao's MINQUE with equal prior weights, J. Multivariate Analysis 1 (1971) 257);
degrees of freedom are those of a χ² with the same variance (Satterthwaite).
"""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]
_SEPARABLE: Final = 1e-6
_NORMAL: Final = 1.959963984540054


def operator_variances(
    rest: Floats, operator: NDArray[np.str_], episode: NDArray[np.int64], left: float
) -> dict[str, tuple[float, float, float, float]]:
    """Variance of each operator's readings, its degrees of freedom and 95 % limits.

    Parameters
    ----------
    rest : (n,) residuals after episodes' means and operators' habits
    operator, episode : (n,) who read, and which readings are of one unit at one time
    left : degrees of freedom of all residuals

    Returns
    -------
    dict
        By operator (variance, dof); left out where operators can't be told apart or the equations give
        nothing.
    """
    names, code = np.unique(operator, return_inverse=True)
    made = _compositions(code, episode)
    k = len(names)
    design, free = np.zeros((k, k)), 0.0
    for members, count in made.items():
        centre2, owner = _centre(len(members)) ** 2, _owners(members, k)
        design += count * owner.T @ centre2 @ owner
        free += count * (len(members) - 1)
    if left <= 0.0 or np.linalg.cond(design) > 1.0 / _SEPARABLE:
        return {}
    squares = np.bincount(code, rest**2, minlength=k) * (free / left)
    variance = np.linalg.solve(design, squares)
    typical = float((rest**2).sum()) / left
    usable = np.maximum(variance, typical)
    inverse = np.linalg.inv(design)
    error = np.sqrt(np.einsum("ij,jk,ik->i", inverse, _scatter(made, usable), inverse))
    dof = 2.0 * (usable / np.maximum(error, 1e-300)) ** 2
    return {
        str(name): (max(float(v), 0.0), float(d), *_limits(float(v), float(e), float(d), typical))
        for name, v, e, d in zip(names, variance, error, dof, strict=True)
    }


def _limits(variance: float, error: float, dof: float, typical: float) -> tuple[float, float]:
    """95 % limits: χ² where the variance stands out of what the others add, else the normal's, from 0 up."""
    if variance >= 0.5 * typical:
        high, low = stats.chi2.ppf((0.025, 0.975), dof)
        return variance * dof / float(low), variance * dof / float(high)
    return max(variance - _NORMAL * error, 0.0), max(variance, 0.0) + _NORMAL * error


def _compositions(code: NDArray[np.intp], episode: NDArray[np.int64]) -> Counter[tuple[int, ...]]:
    """How many episodes were read by which hands."""
    order = np.lexsort((code, episode))
    edges = np.flatnonzero(np.diff(episode[order])) + 1
    return Counter(tuple(int(c) for c in part) for part in np.split(code[order], edges))


def _centre(size: int) -> Floats:
    return np.eye(size) - 1.0 / size


def _owners(members: tuple[int, ...], k: int) -> Floats:
    return np.asarray(np.eye(k)[list(members)])


def _scatter(made: Counter[tuple[int, ...]], variance: Floats) -> Floats:
    """Covariance of the operators' sums of squares, were these the variances."""
    k = len(variance)
    out = np.zeros((k, k))
    for members, count in made.items():
        centre, owner = _centre(len(members)), _owners(members, k)
        moved = centre @ np.diag(variance[list(members)]) @ centre
        out += 2.0 * count * owner.T @ moved**2 @ owner
    return out

"""Tracking and built-in angle as two combinations that can be fitted one at a time.

Family by family the two angles go against each other, unit by unit they hardly do.  Fitting each alone
throws away what one tells about the other; what loses nothing is to fit the two combinations for which both
the covariance between families and the covariance between units are diagonal (the generalised eigenvectors
of the two matrices).

References
----------
Searle, Casella & McCulloch 1992, Variance Components, ch. 9: best linear prediction; the canonical
transformation of two covariance matrices is standard linear algebra (derived here).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import linalg

from fleet.house_model.cell_sums import Sums
from fleet.house_model.chain import PAIR_COVARIATES, PAIRED, RAKE
from fleet.statistics.gram import Floats

LARGEST_CORRELATION = 0.9
JOINT = "+".join(PAIRED)


def canonical_rows(family: Floats, unit: Floats) -> Floats:
    """Rows ``a`` (2, 2) such that ``a @ (tracking, built_in)`` is uncorrelated at both levels.

    Parameters
    ----------
    family, unit : (2, 2) covariances between families and between units of a family

    Returns
    -------
    (2, 2) array, each row of length 1
    """
    floor = 1e-6 * np.trace(unit)
    _, vectors = linalg.eigh(family, unit + floor * np.eye(2))
    rows = vectors.T
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))


def covariance_from_sums(var_a: float, var_b: float, var_sum: float) -> Floats:
    """Covariance matrix of two quantities from their variances and that of their sum.

    The three come from three separate fits, so the correlation is held within ±0.9.
    """
    a, b = max(var_a, 1e-9), max(var_b, 1e-9)
    limit = LARGEST_CORRELATION * np.sqrt(a * b)
    cov = float(np.clip(0.5 * (var_sum - a - b), -limit, limit))
    return np.array([[a, cov], [cov, b]])


def combine(joint: Sums, weights: Floats, name: str) -> Sums:
    """Moments of one combination ``weights @ (tracking, built_in)`` from the joint moments, no new scan."""
    k = 1 + len(PAIR_COVARIATES)
    turn = np.zeros((k + 1, k + 2))
    turn[:k, :k] = np.eye(k)
    turn[k, k:] = weights
    moments = np.einsum("ai,mij,bj->mab", turn, joint.moments, turn)
    return Sums(("1", *PAIR_COVARIATES, name), moments, joint.counts)


def lone_sums(sums: Mapping[str, Sums]) -> dict[str, Sums]:
    """Moments of the rows that read the tracking angle without a rake, and a rake without that angle."""
    joint, tracking = sums[JOINT], sums[PAIRED[0]]
    both = combine(joint, np.array([1.0, 0.0]), PAIRED[0])
    moments, counts = tracking.moments - both.moments, tracking.counts - both.counts
    empty = Sums(tracking.columns, np.zeros_like(moments), np.zeros_like(counts))
    return {PAIRED[0]: Sums(tracking.columns, moments, counts), RAKE: sums.get(RAKE, empty)}


def added(one: Sums, other: Sums) -> Sums:
    """Moments of the rows of both."""
    return Sums(one.columns, one.moments + other.moments, one.counts + other.counts)

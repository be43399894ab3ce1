"""Tracking and built-in angle as two combinations that go their own ways."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.house_model.canonical_variates import (
    JOINT,
    LARGEST_CORRELATION,
    canonical_rows,
    combine,
    covariance_from_sums,
)
from fleet.house_model.cell_sums import Sums


def test_the_combinations_are_uncorrelated_between_families_and_between_units() -> None:
    """Both covariance matrices become diagonal at once, rows of length one."""
    family = np.array([[2.25, -1.46], [-1.46, 1.6]])
    unit = np.array([[1.5, -0.2], [-0.2, 0.95]])
    a = canonical_rows(family, unit)
    for matrix in (family, unit):
        turned = a @ matrix @ a.T
        assert turned[0, 1] == pytest.approx(0.0, abs=1e-5)
    assert np.linalg.norm(a, axis=1) == pytest.approx([1.0, 1.0])


def test_a_covariance_comes_from_the_variance_of_a_sum() -> None:
    """Cov = (Var(a + b) − Var a − Var b) / 2, held within ±0.9 in correlation."""
    assert covariance_from_sums(2.0, 1.0, 2.2) == pytest.approx(np.array([[2.0, -0.4], [-0.4, 1.0]]))
    wild = covariance_from_sums(1.0, 1.0, 9.0)
    assert wild[0, 1] == pytest.approx(LARGEST_CORRELATION)


def test_moments_of_a_combination_need_no_new_scan() -> None:
    """Sums of 0.6 t − 0.8 b taken from the joint sums equal those of the rows."""
    rng = np.random.default_rng(1)
    rows = [np.column_stack([np.ones(n), *rng.normal(size=(4, n))]) for n in (5, 9)]
    joint = Sums(
        ("1", "warm", "aged", "tracking", "built_in"),
        np.stack([r.T @ r for r in rows]),
        np.array([5.0, 9.0]),
    )
    assert JOINT == "tracking+built_in"
    got = combine(joint, np.array([0.6, -0.8]), "pair_1")
    for k, r in enumerate(rows):
        turned = np.column_stack([r[:, :3], 0.6 * r[:, 3] - 0.8 * r[:, 4]])
        assert got.moments[k] == pytest.approx(turned.T @ turned)
    assert got.columns == ("1", "warm", "aged", "pair_1")

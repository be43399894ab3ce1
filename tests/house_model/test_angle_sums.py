"""Tracking and built-in angle as two combinations that go their own ways."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.house_model.angle_sums import (
    JOINT,
    add_sums,
    combine,
    lone_sums,
    separate_rows,
)
from fleet.house_model.cell_sums import Sums
from fleet.house_model.chain import PAIR_COVARIATES


@pytest.mark.parametrize("first", ["rake", "tracking"])
def test_the_second_combination_tells_what_the_first_does_not(first: str) -> None:
    """The first is what a sheet reads; the second is uncorrelated with it, unit by unit."""
    unit = np.array([[1.5, -0.2], [-0.2, 0.95]])
    rows = separate_rows(unit, first)
    assert rows[0].tolist() == ([1.0, 1.0] if first == "rake" else [1.0, 0.0])
    assert (rows @ unit @ rows.T)[0, 1] == pytest.approx(0.0, abs=1e-12)
    assert abs(np.linalg.det(rows)) == pytest.approx(1.0)


def test_what_one_alone_read_is_all_less_what_both_read() -> None:
    """Lone rows and those that read both add up to all rows of the tracking angle."""
    rng = np.random.default_rng(2)
    both = np.column_stack([np.ones(6), *rng.normal(size=(5, 6))])
    lone = np.column_stack([np.ones(3), *rng.normal(size=(4, 3))])
    columns = ("1", *PAIR_COVARIATES)
    every = both[:, :5].T @ both[:, :5] + lone.T @ lone
    sums = {
        JOINT: Sums((*columns, "tracking", "built_in"), (both.T @ both)[None], np.array([6.0])),
        "tracking": Sums((*columns, "tracking"), every[None], np.array([9.0])),
    }
    found = lone_sums(sums)
    assert found["tracking"].moments[0] == pytest.approx(lone.T @ lone)
    assert found["tracking"].counts.tolist() == [3.0]
    assert found["rake"].counts.tolist() == [0.0]
    back = add_sums(found["tracking"], combine(sums[JOINT], np.array([1.0, 0.0]), "tracking"))
    assert back.moments[0] == pytest.approx(every)


def test_moments_of_a_combination_need_no_new_scan() -> None:
    """Sums of 0.6 t − 0.8 b taken from the joint sums equal those of the rows."""
    rng = np.random.default_rng(1)
    rows = [np.column_stack([np.ones(n), *rng.normal(size=(5, n))]) for n in (5, 9)]
    joint = Sums(
        ("1", *PAIR_COVARIATES, "tracking", "built_in"),
        np.stack([r.T @ r for r in rows]),
        np.array([5.0, 9.0]),
    )
    assert JOINT == "tracking+built_in"
    got = combine(joint, np.array([0.6, -0.8]), "pair_1")
    for k, r in enumerate(rows):
        turned = np.column_stack([r[:, :4], 0.6 * r[:, 4] - 0.8 * r[:, 5]])
        assert got.moments[k] == pytest.approx(turned.T @ turned)
    assert got.columns == ("1", *PAIR_COVARIATES, "pair_1")

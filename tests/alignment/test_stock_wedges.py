"""Wedge drawer: the dynamic programme against every possible choice, and what its curve says."""

import itertools

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.stock_wedges import left_over, wedge_drawer
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.policy.remedies import made_wedge

DEFAULT = Policy()


def exhaustive(tilt, weight, policy, k):
    """Largest share of the wedge work that any k angles of the step serve: all of them are tried."""
    needs = made_wedge(tilt, policy)
    size, weight = np.abs(tilt[needs]), weight[needs]
    reach = max(abs(end) for end in policy.wedge_range_deg)
    top = min(reach, size.max() + policy.stock_tolerance_deg)
    angles = np.arange(0, int(np.floor(top / policy.wedge_step_deg + 1e-9)) + 1) * policy.wedge_step_deg
    served = np.abs(size - angles[:, None]) <= policy.stock_tolerance_deg + 1e-9
    best = max(
        weight[served[list(pick)].any(axis=0)].sum() for pick in itertools.combinations(range(len(angles)), k)
    )
    return best / weight.sum()


@pytest.mark.parametrize("seed", range(12))
def test_equals_exhaustive_search(seed):
    """For random tilts, weights, tolerances and steps, 1 to 3 wedges serve exactly what the best
    possible do."""
    rng = np.random.default_rng(seed)
    policy = DEFAULT.but(
        wedge_step_deg=float(rng.choice([0.25, 0.4, 0.5])),
        stock_tolerance_deg=float(rng.choice([0.1, 0.25, 0.3, 0.6])),
        wedge_range_deg=(-5.0, float(rng.choice([4.0, 20.0]))),
    )
    tilt = rng.normal(1.5, 2.0, 40).round(int(rng.choice([1, 3])))
    weight = rng.uniform(0.2, 3.0, 40)
    curve = wedge_drawer(tilt, policy, most=3, weight=weight).curve
    for _, row in curve.iterrows():
        if row["wedges"]:
            assert row["served"] == pytest.approx(exhaustive(tilt, weight, policy, row["wedges"]), abs=1e-12)
    assert len(curve) >= 2


def test_served_is_what_the_policy_would_serve():
    """The curve's share made to measure equals `made_wedge` under a policy with that drawer."""
    tilt = np.random.default_rng(1).normal(1.0, 1.8, 5_000).round(3)
    drawer = wedge_drawer(tilt, DEFAULT, most=6)
    for _, row in drawer.curve.iterrows():
        stocked = DEFAULT.but(stock_wedges_deg=row["angles_deg"])
        assert made_wedge(tilt, stocked).mean() == pytest.approx(row["made_to_measure"], abs=1e-12)
    assert drawer.arm_only == pytest.approx((np.abs(tilt) <= 1).mean())
    assert drawer.policy == DEFAULT.label


def test_curve_rises_and_flattens():
    """More wedges never serve less; every angle is of the step and differs from the others."""
    tilt = np.random.default_rng(2).normal(1.0, 1.8, 5_000)
    curve = wedge_drawer(tilt, DEFAULT, most=8).curve
    assert (curve["gain"].iloc[1:] > 0).all()
    assert list(curve["wedges"]) == list(range(len(curve)))
    for angles in curve["angles_deg"]:
        assert len(set(angles)) == len(angles)
        assert np.allclose(np.round(np.array(angles) / 0.1) * 0.1, angles)


def test_two_heaps_by_hand():
    """Half the work near 2 deg, a quarter near -3, a quarter by the arm: wedges of 2 and 3, one after
    the other."""
    tilt = np.repeat([1.9, 2.1, -2.9, -3.1, 0.5], [2, 2, 1, 1, 2])
    drawer = wedge_drawer(tilt, DEFAULT)
    assert list(drawer.curve["angles_deg"]) == [(), (2.0,), (2.0, 3.0)]
    assert list(drawer.curve["served"]) == pytest.approx([0.0, 2 / 3, 1.0])
    assert list(drawer.curve["made_to_measure"]) == pytest.approx([0.75, 0.25, 0.0])
    assert drawer.arm_only == pytest.approx(0.25)
    assert "2°, 3°" in drawer.sentence


def test_what_no_wedge_can_do():
    """Tilts beyond the wedge range are told apart and never served."""
    policy = DEFAULT.but(wedge_range_deg=(-3.0, 3.0))
    drawer = wedge_drawer([2.0, 6.0], policy)
    assert drawer.out_of_range == 0.5
    assert drawer.curve["served"].max() == 0.5


def test_arm_alone():
    """Where the arm does everything there is nothing to keep in a drawer."""
    drawer = wedge_drawer([0.2, -0.5, np.nan], DEFAULT)
    assert len(drawer.curve) == 1
    assert drawer.arm_only == 1.0
    assert "100 %" in drawer.sentence


def test_a_wedge_turned_round():
    """A wedge of 2 deg serves -2 deg as well."""
    curve = wedge_drawer([2.0, -2.0], DEFAULT).curve
    assert curve["served"].iloc[1] == 1.0
    assert not made_wedge([-2.0, 2.0], DEFAULT.but(stock_wedges_deg=(2.0,))).any()


def test_left_over():
    """What is still made to measure is listed by angle, the commonest first."""
    tilt = [2.0, 2.02, -3.5, -3.52, 3.48, 4.0, 0.3]
    table = left_over(tilt, [2.0], DEFAULT)
    want = pd.DataFrame({"angle_deg": [3.5, 4.0], "share": [3 / 7, 1 / 7]})
    pd.testing.assert_frame_equal(table, want)


def test_a_million_draws():
    """A million draws are taken to thousandths and solved exactly all the same."""
    tilt = np.random.default_rng(3).normal(1.0, 1.8, 1_000_000)
    curve = wedge_drawer(tilt, DEFAULT, most=8).curve
    assert curve["wedges"].iloc[-1] == 8
    assert curve["served"].iloc[-1] > 0.85


def test_refusals():
    """No tilts, or no wedge allowed, is one clear line."""
    with pytest.raises(FleetError, match="no tilts are known"):
        wedge_drawer([np.nan], DEFAULT)
    with pytest.raises(FleetError, match="at least one wedge"):
        wedge_drawer([2.0], DEFAULT, most=0)

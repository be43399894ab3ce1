"""The trade-off line: chances at each tilt, by hand and against the closed-form tilt."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.alignment.tilt import reach
from fleet.alignment.tradeoff import trade_off
from fleet.policy.policy import Policy


def test_one_certain_pickup_is_a_step() -> None:
    """Rake 90, tracking 21, room 3: rake is met from +0.5 to +2.5, tracking up to +1, both from 0.5 to 1."""
    found = trade_off([90.0], [21.0], [3.0], Policy())
    table = found.table.set_index("tilt_deg")
    assert table.index[table["p_rake"] == 1.0][[0, -1]].tolist() == [0.5, 2.5]
    assert table.index[table["p_tracking"] == 1.0].max() == 1.0
    assert table.index[table["p_both"] == 1.0][[0, -1]].tolist() == [0.5, 1.0]
    assert 0.5 <= found.best_tilt_deg <= 1.0
    assert table.index.min() == -5.0
    assert table.index.max() == 3.0


def test_a_tilt_fixed_beforehand_never_beats_one_chosen_afterwards() -> None:
    """The best chance on the line is at most the share of draws in which some allowed tilt meets both."""
    rng = np.random.default_rng(5)
    sra, vta, room = rng.normal(90.0, 1.2, 800), rng.normal(21.5, 1.5, 800), rng.normal(3.0, 0.3, 800)
    policy = Policy()
    found = trade_off(sra, vta, room, policy)
    afterwards = reach(sra, vta, room, policy).both.mean()
    assert 0.05 < found.table["p_both"].max() <= afterwards


def test_room_counts_against_a_tilt() -> None:
    """Where only half the bodies have the room, a tilt beyond it is met in at most half the draws."""
    table = trade_off([88.0, 88.0], [15.0, 15.0], [1.0, 4.0], Policy()).table.set_index("tilt_deg")
    assert table.loc[3.0, "p_both"] == pytest.approx(0.5)
    assert table.loc[3.0, "p_room"] == pytest.approx(0.5)


def test_a_spherical_stylus_is_judged_by_tracking_alone() -> None:
    """Without a rake, both means tracking, and the rake's chance stays empty."""
    found = trade_off([np.nan] * 3, [21.0, 22.5, 24.0], [3.0] * 3, Policy())
    table = found.table.set_index("tilt_deg")
    assert table["p_rake"].isna().all()
    assert table.loc[-0.5, "p_both"] == pytest.approx(2 / 3)
    assert "the tracking limit" in found.sentence
    steep = trade_off([np.nan], [40.0], [3.0], Policy()).sentence
    assert steep == "No tilt that was tried meets the tracking limit in any draw."


def test_hopeless_cases_are_said() -> None:
    """A built-in angle of 60° is beyond any tilt, and the sentence says so."""
    assert trade_off([90.0], [30.0], [3.0], Policy()).sentence.startswith("No tilt")

"""What a turn of the body costs, checked by hand: skew between the channels against tracking distortion."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.alignment.zenith import (
    ZenithCost,
    cost_sentence,
    groove_limits,
    sense_from_above,
    turn_cost,
    usual_alignment,
)
from fleet.errors import FleetError
from fleet.physics import arm_geometry, distortion


def cost(
    turn: float,
    zenith: float,
    *,
    profile: str | None = None,
    setting: arm_geometry.Alignment | None = None,
    span: arm_geometry.GrooveLimits | None = None,
) -> ZenithCost:
    """Of a turn on a usual arm."""
    return turn_cost(turn, zenith, setting or usual_alignment(), span or groove_limits("iec"), profile)


def test_the_sense_is_told_in_words():
    """A turn clockwise from above is above nought."""
    assert [sense_from_above(x) for x in (1.5, -1.5, 0.0)] == [
        "1.50° clockwise", "1.50° anticlockwise", "0.00° (straight)"
    ]  # fmt: skip


def test_cost_of_a_turn_is_skew_against_tracking():
    """Curing a 3 degree twist of a sharp edge trades skew for distortion; both are told."""
    before, after = cost(0.0, 3.0), cost(3.0, 3.0)
    assert after.skew_worst_us < 0.5 * before.skew_worst_us
    assert after.tracking_rms > 2.0 * before.tracking_rms
    told = cost_sentence(before, after)
    assert "skew between the channels shrinks" in told
    assert "tracking distortion rises" in told


def test_cost_at_a_hair_of_a_side_agrees_with_the_tables():
    """On one groove at a null radius: before 6.33 us and no distortion, after no skew and 2.489 %.

    Derived table rows for 3 degrees at 60.325 mm, sharp edge with contacts 25.46 um apart, 10 cm/s. The
    second harmonic is below its index by 5/24 m^2 of it.
    """
    span = arm_geometry.GrooveLimits(60.325, 60.325 + 1e-6, "one groove")
    setting = arm_geometry.alignment_for_nulls(230.0, 60.325, 120.0)
    before, after = (cost(turn, 3.0, setting=setting, span=span) for turn in (0.0, 3.0))
    assert before.skew_worst_us == pytest.approx(6.33, abs=0.006)
    assert before.phase_worst_deg == pytest.approx(22.8, abs=0.06)
    assert before.tracking_worst == pytest.approx(0.0, abs=1e-6)
    assert after.skew_worst_us == pytest.approx(0.0, abs=1e-3)
    assert 100 * after.tracking_worst == pytest.approx(2.489, abs=1e-3)


def test_lucky_sense_can_lessen_both():
    """Where the arm's own offset is wrong by as much, curing the zenith cures the tracking too."""
    right = usual_alignment()
    wrong = arm_geometry.Alignment(230.0, right.overhang_mm, right.offset_deg - 2.0)
    before, after = (cost(turn, 2.0, setting=wrong) for turn in (0.0, 2.0))
    assert after.tracking_rms < before.tracking_rms
    assert "tracking distortion falls" in cost_sentence(before, after)


def test_blunter_profiles_make_less_skew():
    """The same twist costs a fine edge more than an elliptical tip, by 1 - r/R; a sphere none."""
    skew = {p: cost(0.0, 2.0, profile=p).skew_worst_us for p in ("elliptical", "narrow_edge", "spherical")}
    assert skew["elliptical"] / skew["narrow_edge"] == pytest.approx((1 - 7 / 18) / (1 - 3 / 70))
    assert skew["spherical"] == 0.0


def test_unknown_groove_limits_get_one_line():
    """A user's slip is named, with what to do."""
    with pytest.raises(FleetError, match="groove limits 'moon' are not known; use one of iec, din, jis"):
        groove_limits("moon")


def test_edge_angle_along_the_side_counts_the_tracking_error():
    """The skew told is that of the edge against the groove: zenith plus tracking error, at its worst."""
    side = arm_geometry.side_distortion(usual_alignment(), groove_limits("iec"))
    width = distortion.contact_separation_um(18.0)
    shift = distortion.edge_shift_um(1.0 + side.error_deg, separation_um=width)
    worst = np.max(np.abs(distortion.channel_skew_us(shift, radius_mm=side.radius_mm)))
    assert cost(0.0, 1.0).skew_worst_us == pytest.approx(worst)

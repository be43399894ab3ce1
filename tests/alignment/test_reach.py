"""Reach: settings found really give the alignment, ranges are kept, misses and their cost are told."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.alignment.reach import Arm, judge_reach
from fleet.errors import FleetError
from fleet.physics import arm_geometry

NULLS = arm_geometry.equal_peak_nulls_mm(60.325, 146.05)
BUILT = arm_geometry.alignment_for_nulls(230.0, *NULLS)


def arm(**freedom):
    """A 230 mm arm built to the equal-peak alignment for a distance of 9.5 mm."""
    return Arm(
        effective_length_mm=230.0,
        pivot_to_spindle_mm=BUILT.pivot_to_spindle_mm,
        offset_deg=BUILT.offset_deg,
        **freedom,
    )


def tip_by_complex_numbers(tip_to_mount, an_arm, advice):
    """Alignment worked out apart, with complex numbers: holes, then tip along the twisted body axis."""
    slots = np.exp(-1j * np.radians(an_arm.offset_deg))
    axis = np.exp(-1j * np.radians(an_arm.offset_deg + advice.twist_deg))
    holes = an_arm.effective_length_mm + (advice.slot_mm - an_arm.tip_to_mount_nominal_mm) * slots
    tip = holes + tip_to_mount * axis
    return abs(tip), np.degrees(np.angle(tip / axis)), abs(tip) - advice.pivot_to_spindle_mm


def test_pickup_of_the_nominal_distance_needs_nothing():
    """No slot, no twist: it is set as the arm is built, at the published offset and overhang."""
    advice = judge_reach(9.5, arm())
    assert advice.possible
    assert (advice.slot_mm, advice.twist_deg) == (0.0, 0.0)
    assert (advice.attained.offset_deg, advice.attained.overhang_mm) == pytest.approx(
        (23.9715, 18.0533), abs=6e-5
    )
    assert advice.sentence.startswith("Can be set: holes in the middle of the slots")


@pytest.mark.parametrize("distance", [7.0, 8.0, 11.0, 12.0])
def test_another_distance_is_taken_up_by_the_slots(distance):
    """A longer nose moves the holes to the tail by as much, a shorter one to the nose."""
    advice = judge_reach(distance, arm(slot_forward_mm=3, slot_back_mm=3))
    assert advice.possible
    assert advice.slot_mm == pytest.approx(9.5 - distance, abs=1e-6)
    assert advice.attained.null_radii_mm == pytest.approx(NULLS, abs=1e-4)
    assert ("towards the nose" in advice.sentence) == (distance < 9.5)


@pytest.mark.parametrize(("distance", "offset"), [(6.0, 21.0), (9.5, 26.0), (13.0, 24.5)])
def test_setting_found_gives_the_null_radii_wanted(distance, offset):
    """An arm built to another offset and length is set right by slot and twist; checked apart."""
    odd = Arm(
        effective_length_mm=231.5,
        pivot_to_spindle_mm=212.0,
        offset_deg=offset,
        slot_forward_mm=9,
        slot_back_mm=9,
        twist_deg=6,
    )
    advice = judge_reach(distance, odd)
    length, turned, overhang = tip_by_complex_numbers(distance, odd, advice)
    assert advice.possible
    assert (length, turned, overhang) == pytest.approx(
        (
            advice.attained.effective_length_mm,
            advice.attained.offset_deg,
            advice.attained.overhang_mm,
        ),
        abs=1e-9,
    )
    assert arm_geometry.null_radii_mm(length, overhang, turned) == pytest.approx(NULLS, abs=1e-6)


def test_short_slot_tells_what_it_lacks_and_what_that_costs():
    """A 5 mm nose on 3 mm of slot: 1.5 mm lacking, best twist used, more distortion than wanted."""
    advice = judge_reach(5.0, arm(slot_forward_mm=3, slot_back_mm=3, twist_deg=2))
    assert not advice.possible
    assert advice.slot_short_mm == pytest.approx(1.5, abs=1e-6)
    assert advice.slot_mm == 3.0
    assert abs(advice.twist_deg) < 2.0
    assert advice.overhang_miss_mm < -1.0
    assert advice.attained_side.worst > advice.wanted_side.worst
    assert "1.50 mm of slot towards the nose" in advice.sentence


@pytest.mark.parametrize(("aim", "figure"), [("equal_peak", "worst"), ("least_square", "rms")])
def test_twist_is_the_best_within_its_range(aim, figure):
    """No other twist in the range has a lower worst (or rms) distortion at that place in the slots."""
    an_arm = arm(slot_forward_mm=2, slot_back_mm=3, twist_deg=2)
    advice = judge_reach(5.0, an_arm, aim=aim)
    span = arm_geometry.GROOVE_LIMITS["iec"]
    for twist in np.linspace(-2, 2, 401):
        axis = np.exp(-1j * np.radians(an_arm.offset_deg + twist))
        holes = 230.0 + (advice.slot_mm - 9.5) * np.exp(-1j * np.radians(an_arm.offset_deg))
        tip = holes + 5.0 * axis
        other = arm_geometry.Alignment(
            float(abs(tip)),
            float(abs(tip) - advice.pivot_to_spindle_mm),
            float(np.degrees(np.angle(tip / axis))),
        )
        found = getattr(arm_geometry.side_distortion(other, span), figure)
        assert getattr(advice.attained_side, figure) <= found + 1e-9


def test_pivot_moves_only_when_the_slots_do_not_suffice():
    """With slots enough the pivot stays; without, it moves in by just what is lacking."""
    stays = judge_reach(8.0, arm(slot_forward_mm=3, pivot_in_mm=5))
    assert stays.pivot_to_spindle_mm == BUILT.pivot_to_spindle_mm
    moves = judge_reach(5.0, arm(slot_forward_mm=3, pivot_in_mm=5, twist_deg=1))
    assert moves.possible
    assert moves.slot_mm == pytest.approx(3.0, abs=1e-6)
    assert 1.0 < BUILT.pivot_to_spindle_mm - moves.pivot_to_spindle_mm < 2.0
    assert moves.attained.null_radii_mm == pytest.approx(NULLS, abs=1e-4)
    out = judge_reach(14.0, arm(slot_back_mm=3, pivot_out_mm=5, twist_deg=1))
    assert out.possible
    assert out.pivot_to_spindle_mm > BUILT.pivot_to_spindle_mm


def test_fixed_holes_and_fixed_pivot_take_what_comes():
    """No freedom at all: a 5 mm nose loses overhang by its shortness times cos(offset)."""
    advice = judge_reach(5.0, arm())
    expected = -4.5 * np.cos(np.radians(BUILT.offset_deg))
    assert advice.overhang_miss_mm == pytest.approx(expected, abs=0.05)
    assert advice.slot_short_mm == pytest.approx(4.5, abs=1e-6)


def test_hairs_breadth_is_not_called_a_miss():
    """An arm drawn to hundredths of a millimetre passes; what no one can set by hand isn't lacking."""
    rounded = Arm(effective_length_mm=230.0, pivot_to_spindle_mm=211.95, offset_deg=23.97)
    assert judge_reach(9.5, rounded).possible
    assert not judge_reach(9.5, rounded, near_mm=1e-6, near_deg=1e-6).possible


def test_least_square_aim_wants_the_published_radii():
    """The other pair of null radii by name: 70.285 and 116.604 mm."""
    advice = judge_reach(9.5, arm(slot_forward_mm=3, twist_deg=2), aim="least_square")
    assert advice.wanted.null_radii_mm == pytest.approx((70.285, 116.604), abs=6e-4)
    assert advice.possible


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: judge_reach(float("nan"), arm()), "tip_to_mount_mm is nan"),
        (
            lambda: judge_reach(9.5, arm(), aim="best"),
            "aim 'best' is not known; use one of equal_peak, least_square",
        ),
        (lambda: judge_reach(9.5, arm(), limits="moon"), "groove limits 'moon'"),
        (lambda: arm(slot_back_mm=-1.0), "must be numbers of 0 or more"),
        (
            lambda: Arm(effective_length_mm=200.0, pivot_to_spindle_mm=210.0, offset_deg=23.0),
            "must be greater",
        ),
        (
            lambda: Arm(effective_length_mm=230.0, pivot_to_spindle_mm=210.0, offset_deg=-2.0),
            "offset angle is -2",
        ),
    ],
)
def test_slips_get_one_line(make, words):
    """A user's slip is named, with what to do."""
    with pytest.raises(FleetError, match=words):
        make()

"""Zenith advice: both figures in both senses, the words, and a cost that can be checked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.alignment.zenith import judge_zenith
from fleet.errors import FleetError
from fleet.physics import arm_geometry, distortion, geometry


@pytest.mark.parametrize(("zenith", "word"), [(1.5, "1.50° clockwise"), (-1.5, "1.50° anticlockwise")])
def test_body_turns_the_way_the_reading_says(zenith, word):
    """A reading clockwise from the record's side is cured by a turn clockwise from above; words agree."""
    advice = judge_zenith(zenith, vta_deg=22.0)
    assert advice.body_turn_deg == zenith
    assert f"Turn the body {word}, seen from above" in advice.sentence


@pytest.mark.parametrize("roll", [2.0, -2.0])
def test_cantilever_figure_adds_what_the_roll_feigns(roll):
    """The cantilever stands at the reading plus atan(tan VTA sin roll): 0.8078 for 2 at 22 (derived)."""
    advice = judge_zenith(1.0, vta_deg=22.0, roll_deg=roll)
    assert advice.cantilever_stands_deg == pytest.approx(1.0 + np.sign(roll) * 0.80783, abs=6e-6)
    assert advice.cantilever_stands_unrolled_deg == 1.0
    assert advice.roll_share_deg == pytest.approx(np.sign(roll) * 0.80783, abs=6e-6)
    assert f"0.81° {'clockwise' if roll > 0 else 'anticlockwise'}" in advice.sentence


def test_following_the_advice_straightens_the_edge_in_space():
    """Rotating the real vectors by the body figure leaves the edge straight across the groove."""
    advice = judge_zenith(2.0, vta_deg=22.0, roll_deg=3.0)
    flat = np.degrees(np.arctan(np.tan(np.radians(2.0)) * np.cos(np.radians(3.0))))
    cured = geometry.stance(22.0, zenith_deg=flat, roll_deg=3.0, yaw_deg=-advice.body_turn_deg)
    assert cured.zenith_deg == pytest.approx(0.0, abs=1e-12)
    assert -cured.cantilever_yaw_deg == pytest.approx(advice.cantilever_stands_deg, abs=1e-12)


def test_cost_of_a_turn_is_skew_against_tracking():
    """Following a 3 degree reading of a sharp edge trades skew for distortion; both are told."""
    advice = judge_zenith(3.0)
    assert advice.after.skew_worst_us < 0.5 * advice.before.skew_worst_us
    assert advice.after.tracking_rms > 2.0 * advice.before.tracking_rms
    assert "skew between the channels shrinks" in advice.sentence
    assert "tracking distortion rises" in advice.sentence


def test_cost_at_a_hair_of_a_side_agrees_with_the_tables():
    """On one groove at a null radius: before 6.33 us and no distortion, after no skew and 2.489 %.

    Derived table rows for 3 degrees at 60.325 mm, sharp edge with contacts 25.46 um apart, 10 cm/s. The
    second harmonic is below its index by 5/24 m^2 of it.
    """
    here = arm_geometry.GrooveLimits(60.325, 60.325 + 1e-6, "one groove")
    arm = arm_geometry.alignment_for_nulls(230.0, 60.325, 120.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(arm_geometry.GROOVE_LIMITS, "here", here)
        advice = judge_zenith(3.0, alignment=arm, limits="here")
    assert advice.before.skew_worst_us == pytest.approx(6.33, abs=0.006)
    assert advice.before.phase_worst_deg == pytest.approx(22.8, abs=0.06)
    assert advice.before.tracking_worst == pytest.approx(0.0, abs=1e-6)
    assert advice.after.skew_worst_us == pytest.approx(0.0, abs=1e-3)
    assert 100 * advice.after.tracking_worst == pytest.approx(2.489, abs=1e-3)


def test_lucky_sense_can_lessen_both():
    """Where the arm's own offset is wrong by as much, curing the zenith cures the tracking too."""
    nulls = arm_geometry.equal_peak_nulls_mm(60.325, 146.05)
    right = arm_geometry.alignment_for_nulls(230.0, *nulls)
    wrong = arm_geometry.Alignment(230.0, right.overhang_mm, right.offset_deg - 2.0)
    advice = judge_zenith(2.0, alignment=wrong)
    assert advice.after.tracking_rms < advice.before.tracking_rms
    assert "tracking distortion falls" in advice.sentence


def test_blunter_profiles_make_less_skew():
    """The same twist costs a fine edge more than an elliptical tip, in proportion to 1 - r/R."""
    skew = {
        p: judge_zenith(2.0, stylus_profile=p).before.skew_worst_us for p in ("elliptical", "narrow_edge")
    }
    assert skew["elliptical"] / skew["narrow_edge"] == pytest.approx((1 - 7 / 18) / (1 - 3 / 70))


def test_curve_joins_before_and_after():
    """The trade-off starts at the figures before and ends at those after."""
    advice = judge_zenith(-2.0)
    assert (advice.curve_turn_deg[0], advice.curve_turn_deg[-1]) == (0.0, -2.0)
    assert advice.curve_skew_us[0] == advice.before.skew_worst_us
    assert advice.curve_tracking_rms[-1] == advice.after.tracking_rms
    assert np.all(np.isfinite(advice.curve_skew_us))


def test_spherical_stylus_has_nothing_to_align():
    """No zenith, no figure, no skew, and a sentence that says so."""
    advice = judge_zenith(float("nan"), stylus_profile="spherical")
    assert np.isnan(advice.body_turn_deg)
    assert np.isnan(advice.cantilever_stands_deg)
    assert advice.before.skew_worst_us == 0.0
    assert "no zenith" in advice.sentence


def test_straight_stylus_needs_no_turn():
    """A zenith of nil says to leave the body, and still says what a roll feigns."""
    advice = judge_zenith(0.0, vta_deg=22.0, roll_deg=1.0)
    assert advice.sentence.startswith("The zenith is straight: leave the body")
    assert "0.40° clockwise" in advice.sentence


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({"zenith_deg": float("nan")}, "zenith was not read"),
        ({"zenith_deg": 1.0, "vta_deg": float("nan")}, "must be numbers"),
        (
            {"zenith_deg": 1.0, "limits": "moon"},
            "groove limits 'moon' are not known; use one of iec, din, jis",
        ),
    ],
)
def test_slips_get_one_line(call, words):
    """A user's slip is named, with what to do."""
    with pytest.raises(FleetError, match=words):
        judge_zenith(**call)


def test_edge_angle_along_the_side_counts_the_tracking_error():
    """The skew told is that of the edge against the groove: zenith plus tracking error, at its worst."""
    nulls = arm_geometry.equal_peak_nulls_mm(60.325, 146.05)
    side = arm_geometry.side_distortion(
        arm_geometry.alignment_for_nulls(230.0, *nulls), arm_geometry.GROOVE_LIMITS["iec"]
    )
    width = distortion.contact_separation_um(18.0)
    shift = distortion.edge_shift_um(1.0 + side.error_deg, separation_um=width)
    worst = np.max(np.abs(distortion.channel_skew_us(shift, radius_mm=side.radius_mm)))
    assert judge_zenith(1.0).before.skew_worst_us == pytest.approx(worst)

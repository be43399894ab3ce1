"""Signs of every angle in both senses, and how the figures hang together."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.physics import geometry
from fleet.physics.geometry import stance


@pytest.mark.parametrize("tilt", [2.0, -2.0])
def test_tail_up_raises_rake_and_tracking_one_for_one(tilt):
    """A tilt adds itself to SRA and VTA alike, in both senses."""
    read = stance(22.0, 92.0, tilt_deg=tilt)
    assert read.sra_deg == pytest.approx(92.0 + tilt, abs=1e-12)
    assert read.vta_deg == pytest.approx(22.0 + tilt, abs=1e-12)


@pytest.mark.parametrize("roll", [1.5, -1.5])
def test_clockwise_roll_leans_the_top_away_from_the_disc_centre(roll):
    """A clockwise roll (facing the nose) takes the top towards +y, and reads as azimuth of its own sign."""
    top = geometry.rotate([0.0, 0.0, 1.0], roll_deg=roll)
    assert np.sign(top[1]) == np.sign(roll)
    assert stance(0.0, 90.0, roll_deg=roll).azimuth_deg == pytest.approx(roll, abs=1e-12)


@pytest.mark.parametrize("canted", [1.5, -1.5])
def test_body_roll_undoes_a_canted_stylus(canted):
    """A stylus canted by an angle stands upright after the opposite body roll."""
    read = stance(22.0, 90.0, azimuth_deg=canted, roll_deg=-canted)
    assert read.azimuth_deg == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_zenith_sense_is_that_of_the_eye_at_the_stylus(turn):
    """Positive zenith = clockwise from the record's side = anticlockwise from above in play.

    From above (x to the right, y up) anticlockwise takes the outer end of the edge towards -x.
    """
    outer_end = geometry.rotate([0.0, 1.0, 0.0], yaw_deg=turn)
    assert np.sign(outer_end[0]) == -np.sign(turn)
    assert stance(20.0, zenith_deg=turn).zenith_deg == pytest.approx(turn, abs=1e-12)
    assert stance(20.0, yaw_deg=turn).zenith_deg == pytest.approx(turn, abs=1e-12)


@pytest.mark.parametrize("roll", [2.0, -2.0])
def test_rolled_cantilever_seems_turned_the_other_way(roll):
    """A clockwise roll makes the cantilever seem turned by -psi in the zenith's sense."""
    psi = np.degrees(np.arctan(np.tan(np.radians(22.0)) * np.sin(np.radians(roll))))
    assert geometry.apparent_yaw_deg(22.0, roll) == pytest.approx(-psi, abs=1e-12)
    assert np.sign(psi) == np.sign(roll)


@pytest.mark.parametrize("zenith", [2.5, -2.5])
@pytest.mark.parametrize("roll", [1.0, 0.0, -3.0])
def test_alignment_figures_cure_the_zenith_in_the_full_rotation(zenith, roll):
    """Turn the rolled body clockwise from above by the first figure: edge straight, cantilever at the second.

    Clockwise from above is a negative yaw here. The zenith is the one read on the rolled body.
    """
    flat = np.degrees(np.arctan(np.tan(np.radians(zenith)) * np.cos(np.radians(roll))))
    assert stance(22.0, zenith_deg=flat, roll_deg=roll).zenith_deg == pytest.approx(zenith, abs=1e-12)
    body, cantilever = geometry.zenith_alignment_deg(zenith, 22.0, roll)
    cured = stance(22.0, zenith_deg=flat, roll_deg=roll, yaw_deg=-body)
    assert body == zenith
    assert cured.zenith_deg == pytest.approx(0.0, abs=1e-12)
    assert -cured.cantilever_yaw_deg == pytest.approx(cantilever, abs=1e-12)


def test_without_roll_both_alignment_figures_are_the_reading():
    """On an upright body it makes no odds whether one aligns at the body or at the cantilever."""
    assert geometry.zenith_alignment_deg([1.0, -2.0], 22.0)[1] == pytest.approx([1.0, -2.0])


def test_apparent_yaw_after_a_tilt_uses_the_tilted_slope():
    """Tilting after the roll steepens the seen cantilever: 0.81369 instead of 0.80783 (derived table)."""
    assert geometry.apparent_yaw_deg(22.0, -2.0, tilt_deg=1.0) == pytest.approx(0.81369, abs=6e-6)


def test_arm_height_and_tilt_are_inverse_in_both_senses():
    """Height from tilt and tilt from height undo each other, up and down, from a sloping start."""
    tilt = np.array([-3.0, -0.2, 0.0, 1.0, 4.0])
    height = geometry.arm_height_change_mm(tilt, 230.0, start_deg=1.5)
    assert np.all(np.sign(height) == np.sign(tilt))
    assert geometry.tilt_from_arm_height_deg(height, 230.0, start_deg=1.5) == pytest.approx(tilt, abs=1e-10)


def test_height_beyond_the_arm_is_nan():
    """No tilt lifts a bearing by more than the arm is long."""
    assert np.isnan(geometry.tilt_from_arm_height_deg(300.0, 230.0))


def test_nan_blanks_only_what_depends_on_it():
    """A missing rake leaves the tracking angle and the yaw readable."""
    read = stance([20.0, 22.0], [np.nan, 92.0], roll_deg=1.0)
    assert np.isnan(read.sra_deg).tolist() == [True, False]
    assert np.isfinite(read.vta_deg).all()

"""Distortion, skew and arm geometry: edges, signs, errors, and a rigid-contact simulation of the groove."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.errors import FleetError
from fleet.physics import arm_geometry, distortion


def test_index_beyond_one_has_no_harmonics():
    """Where the groove would be read backwards there is no figure; nor below zero."""
    assert np.isnan(distortion.harmonic_ratio([1.0, -0.1, np.nan])).all()
    assert distortion.harmonic_ratio(0.0) == 0.0


def test_sphere_has_no_skew_and_sign_follows_the_zenith():
    """Equal radii feel no twist; a sharp edge shifts in the sign of its error."""
    assert distortion.edge_shift_um(3.0, separation_um=25, scanning_radius_um=18, across_radius_um=18) == 0.0
    sharp = distortion.edge_shift_um([3.0, -3.0], separation_um=25)
    assert sharp[0] == -sharp[1] > 0


def _rigid_contact(zenith_deg, *, across=18.0, along=5.0, radius=60.325, samples=512):
    """Play a lateral 1 kHz groove at 10 cm/s with a rigid ellipsoid twisted about the vertical axis.

    Each wall holds the tip at the height where its slices first touch: the largest, over the places along
    the groove, of wall displacement plus the ellipsoid's support in that slice. Returns complex harmonics
    of the lateral output and the vertical fundamental, velocities over the lateral fundamental.
    """
    speed = float(distortion.groove_speed_mm_s(radius)) * 1e3  # um/s
    k = 2 * np.pi * 1000.0 / speed  # per um
    amplitude = 1e5 / (2 * np.pi * 1000.0)  # um, of 10 cm/s
    c, s = np.cos(np.radians(zenith_deg)), np.sin(np.radians(zenith_deg))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    shape = turn @ np.diag([along * across, across**2, across**2]) @ turn.T
    u = np.linspace(-4.0, 4.0, 4001)
    x = np.arange(samples) * 2 * np.pi / k / samples
    heights = []
    for side in (1.0, -1.0):
        # The wall on the left (+1) or right faces into the groove and up; its inner normal:
        normal = np.array([0.0, -side, 1.0]) / np.sqrt(2)
        q = -normal
        skew, lead, own = (shape @ q)[0], shape[0, 0], q @ shape @ q
        support = skew / lead * u + np.sqrt(own - skew**2 / lead) * np.sqrt(1 - u**2 / lead)
        wall = normal[1] * amplitude * np.sin(k * (x[:, None] + u[None, :]))
        total = wall + support[None, :]
        top = total.argmax(axis=1)
        assert 0 < top.min() <= top.max() < u.size - 1
        left, mid, right = (total[np.arange(samples), top + i] for i in (-1, 0, 1))
        heights.append(mid - (right - left) ** 2 / (8 * (left - 2 * mid + right)))
    lateral, vertical = (heights[1] - heights[0]) / np.sqrt(2), (heights[0] + heights[1]) / np.sqrt(2)
    order = np.arange(8)
    a, b = np.fft.rfft(lateral)[:8] * order, np.fft.rfft(vertical)[:8] * order
    return a / a[1], b / a[1]


@pytest.mark.parametrize(
    ("zenith", "hd2", "db"), [(1, 0.023, -46.50), (2, 0.047, -40.48), (3, 0.070, -36.97), (5, 0.117, -32.55)]
)
def test_twisted_edge_in_a_rigid_contact_simulation(zenith, hd2, db):
    """A twisted contact edge makes quadrature crosstalk as the formula says, and hardly any distortion.

    Ellipsoid 18 um across, 5 um along, 60.325 mm. Table (derived, another simulation of the same groove):
    lateral second harmonic in per cent and crosstalk. The formula leaves the groove's finite slope out.
    """
    lateral, vertical = _rigid_contact(zenith)
    assert 100 * abs(lateral[2]) == pytest.approx(hd2, abs=0.001)
    assert 20 * np.log10(abs(vertical[1])) == pytest.approx(db, abs=0.03)
    assert abs(np.degrees(np.angle(vertical[1]))) == pytest.approx(90.0, abs=1.0)
    shift = distortion.edge_shift_um(
        zenith,
        separation_um=distortion.contact_separation_um(18.0),
        scanning_radius_um=5.0,
        across_radius_um=18.0,
    )
    phase = distortion.skew_phase_deg(distortion.channel_skew_us(shift, radius_mm=60.325), 1000.0)
    formula = 20.0 * np.log10(abs(np.tan(np.radians(0.5 * phase))))
    assert formula == pytest.approx(db, abs=0.16)


def test_yawing_the_whole_pickup_costs_far_more_than_twisting_its_edge():
    """3 degrees of tracking error: 2.49 per cent; 3 degrees of twisted edge, same groove: under 0.1."""
    whole = 100 * distortion.lateral_distortion(3.0, radius_mm=60.325)
    lateral, _ = _rigid_contact(3.0)
    assert whole == pytest.approx(2.49, abs=0.006)
    assert 100 * abs(lateral[2]) < whole / 30


def test_nulls_and_alignment_are_inverse():
    """Null radii asked for are the null radii got."""
    a = arm_geometry.alignment_for_nulls(239.3, 63.1, 119.2)
    assert a.null_radii_mm == pytest.approx((63.1, 119.2), abs=1e-9)
    assert a.pivot_to_spindle_mm == pytest.approx(239.3 - a.overhang_mm)


def test_too_little_offset_leaves_no_null():
    """A straight arm with overhang crosses zero nowhere on the positive side; NaN says so."""
    inner, outer = arm_geometry.null_radii_mm(230.0, 18.0, 10.0)
    assert np.isnan(inner)
    assert np.isnan(outer)


def test_impossible_nulls_are_refused_in_one_line():
    """An arm too short for the radii wanted is a user's mistake, said in one line."""
    with pytest.raises(FleetError, match="no offset of an arm of 60 mm"):
        arm_geometry.alignment_for_nulls(60.0, 66.0, 120.9)


def test_clockwise_turn_takes_itself_off_the_tracking_error():
    """Turning the body clockwise from above is more offset, so less tracking error, at every radius."""
    a = arm_geometry.alignment_for_nulls(230.0, *arm_geometry.equal_peak_nulls_mm(60.325, 146.05))
    limits = arm_geometry.GROOVE_LIMITS["iec"]
    straight = arm_geometry.side_distortion(a, limits)
    turned = arm_geometry.side_distortion(a, limits, turn_deg=1.5)
    assert turned.error_deg == pytest.approx(straight.error_deg - 1.5, abs=1e-12)


def test_sense_of_the_turn_by_construction():
    """The same by plane geometry: spindle at the origin, disc clockwise, arm pivot to the right.

    At the stylus the groove runs clockwise about the spindle; the pickup's axis points from the pivot
    through the tip, its nose turned clockwise by the offset.
    """
    a = arm_geometry.alignment_for_nulls(230.0, 66.0, 120.9)
    r = 100.0
    pivot = np.array([a.pivot_to_spindle_mm, 0.0])
    cos_at_pivot = (230.0**2 + a.pivot_to_spindle_mm**2 - r**2) / (2 * 230.0 * a.pivot_to_spindle_mm)
    for side in (1.0, -1.0):
        swing = side * np.arccos(cos_at_pivot)
        tip = pivot + 230.0 * np.array([-np.cos(swing), np.sin(swing)])
        assert np.hypot(*tip) == pytest.approx(r)
        tangent = np.arctan2(-tip[0], tip[1])  # clockwise from above: (x, y) moves along (y, -x)
        away_from_pivot = np.arctan2(*(tip - pivot)[::-1])
        turned = np.radians(a.offset_deg)
        axis = away_from_pivot - turned
        error = np.degrees((axis - tangent + np.pi) % (2 * np.pi) - np.pi)
        if abs(error) < 30:
            formula = arm_geometry.tracking_error_deg(
                r, effective_length_mm=230.0, overhang_mm=a.overhang_mm, offset_deg=a.offset_deg
            )
            assert error == pytest.approx(formula, abs=1e-9)
            return
    pytest.fail("neither side of the disc has the groove run away from the pivot")

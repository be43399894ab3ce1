"""Check tables of the rigid-body effects: roll, arm height, combined turns, the window of both targets.

Source of all rows: derived. The rotation matrices are applied to the cantilever's direction, the contact
edge and the line across the groove; the figures were worked out apart from this code, in double
precision, and rounded to the digits shown. Tolerance = half a unit of the last digit.

The tables were made for a roll about the axis pointing *forward* out of the nose, and for an azimuth
positive towards the disc centre; both are minus the signs of the public API, so the tests turn them.
"""

from __future__ import annotations

import pytest

from fleet.physics import geometry

ROLL_TABLE = [
    # th, roll about +x, apparent yaw, true VTA, side-view VTA
    (18, 0.5, 0.162457, 17.999291, 17.999359),
    (20, 1, 0.363947, 19.996824, 19.997195),
    (20, 2, 0.727754, 19.987297, 19.988782),
    (20, 5, 1.816933, 19.920664, 19.929896),
    (22, 1, 0.403999, 21.996474, 21.996969),
    (22, 3, 1.211344, 21.968279, 21.972722),
    (25, 2, 0.932344, 24.983726, 24.986630),
    (26, -4, -1.948594, 25.931947, 25.944983),
    (30, 3, 1.730733, 29.954676, 29.965987),
]


@pytest.mark.parametrize(("th", "a", "yaw", "true_vta", "seen_vta"), ROLL_TABLE)
def test_roll_table(th, a, yaw, true_vta, seen_vta):
    """A rolled cantilever seems turned, and its true and seen inclination both shrink."""
    assert geometry.apparent_yaw_deg(th, -a) == pytest.approx(yaw, abs=6e-7)
    assert geometry.rolled_vta_deg(th, -a) == pytest.approx(true_vta, abs=6e-7)
    assert geometry.side_view_vta_deg(th, -a) == pytest.approx(seen_vta, abs=6e-7)


def test_roll_of_a_right_angle_lays_the_cantilever_flat():
    """Limit: rolled by 90 degrees the whole inclination has become yaw."""
    assert geometry.apparent_yaw_deg(20.0, -90.0) == pytest.approx(20.0, abs=1e-12)
    assert geometry.rolled_vta_deg(20.0, -90.0) == pytest.approx(0.0, abs=1e-12)
    assert geometry.side_view_vta_deg(20.0, -90.0) == pytest.approx(0.0, abs=1e-12)


ARM_HEIGHTS = {
    222: (0.9687, 1.9373, 3.8744, 7.7477, 11.6186),
    230: (1.0036, 2.0071, 4.0141, 8.0269, 12.0373),
    254: (1.1083, 2.2165, 4.4329, 8.8645, 13.2933),
    305: (1.3308, 2.6616, 5.3230, 10.6443, 15.9625),
}


@pytest.mark.parametrize("length", ARM_HEIGHTS)
def test_arm_height_table(length):
    """Rise of the bearing for 0.25, 0.5, 1, 2 and 3 degrees from level, four arm lengths [mm]."""
    rises = geometry.arm_height_change_mm([0.25, 0.5, 1, 2, 3], length)
    assert rises == pytest.approx(ARM_HEIGHTS[length], abs=6e-5)


@pytest.mark.parametrize(
    ("length", "deg_per_mm", "next_degree"),
    [(222, 0.25809, 3.8709), (230, 0.24911, 4.0104), (254, 0.22557, 4.4289), (305, 0.18786, 5.3181)],
)
def test_arm_height_per_millimetre_and_from_two_degrees(length, deg_per_mm, next_degree):
    """One millimetre of bearing height (or of record), and the degree after the second one."""
    assert geometry.tilt_from_arm_height_deg(1.0, length) == pytest.approx(deg_per_mm, abs=6e-6)
    rise = geometry.arm_height_change_mm(1.0, length, start_deg=2.0)
    assert rise == pytest.approx(next_degree, abs=6e-5)


COMBINED = [
    # VTA, SRA, zenith at rest; roll about +x, pitch, yaw; VTA, cantilever yaw, SRA, azimuth, zenith
    ((22, 92, 0), (0, 0, 0), (22.00000, 0, 92.00000, 0, 0)),
    ((22, 92, 0), (0, 1, 0), (23.00000, 0, 93.00000, 0, 0)),
    ((22, 92, 0), (2, 0, 0), (21.98590, 0.80783, 92.00122, 2.00000, 0)),
    ((22, 92, 0), (0, 0, 1), (22.00000, 1.00000, 91.99970, -0.03492, 1.00000)),
    ((22, 92, 0), (2, 1, 0), (22.98580, 0.81369, 93.00122, 2.00152, -0.03492)),
    ((22, 92, 1), (2, 1, -0.5), (22.98580, 0.31369, 92.98368, 2.02763, 0.46555)),
    ((20, 90, 0), (-3, -1.5, 0.8), (18.47169, -0.28136, 88.45824, -2.97984, 0.72140)),
    ((28, 93, -2), (1, 2, 1), (29.99527, 1.54205, 95.01706, 0.91482, -1.03395)),
]


@pytest.mark.parametrize(("rest", "motion", "read"), COMBINED)
def test_combined_turns_table(rest, motion, read):
    """Roll, then pitch, then yaw: all five angles as a fixed observer reads them."""
    th, sra, zenith = rest
    a, pitch, yaw = motion
    got = geometry.stance(th, sra, zenith_deg=zenith, roll_deg=-a, tilt_deg=pitch, yaw_deg=yaw)
    found = (got.vta_deg, got.cantilever_yaw_deg, got.sra_deg, -got.azimuth_deg, got.zenith_deg)
    assert [float(x) for x in found] == pytest.approx(read, abs=6e-6)


@pytest.mark.parametrize(
    ("sra", "vta", "window", "possible"),
    [
        (92, 22, (-1, 1), True),
        (90, 26, (1, -1), False),
        (94, 19, (1, -1), False),
        (88, 24, (3, 1), False),
        (89, 28, (2, -3), False),
        (96, 20, (0, -3), False),
    ],
)
def test_window_of_both_targets(sra, vta, window, possible):
    """Rake 91..93 with tracking 20..25: one tilt can serve both only if SRA - VTA lies in 66..73."""
    low, high = geometry.tilt_window_deg(sra, vta, rake_band_deg=(91, 93), tracking_band_deg=(20, 25))
    assert (low, high) == window
    assert bool(low <= high) == possible == (66 <= sra - vta <= 73)

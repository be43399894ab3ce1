"""Check tables of the rigid-body effects: roll, arm height, combined turns.

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
    # th, roll about +x, apparent yaw
    (18, 0.5, 0.162457),
    (20, 1, 0.363947),
    (20, 2, 0.727754),
    (20, 5, 1.816933),
    (22, 1, 0.403999),
    (22, 3, 1.211344),
    (25, 2, 0.932344),
    (26, -4, -1.948594),
    (30, 3, 1.730733),
    (20, 90, 20.0),
]


@pytest.mark.parametrize(("th", "a", "yaw"), ROLL_TABLE)
def test_roll_table(th, a, yaw):
    """A rolled cantilever seems turned; rolled by a right angle its whole inclination is yaw."""
    assert geometry.apparent_yaw_deg(th, -a) == pytest.approx(yaw, abs=6e-7)


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

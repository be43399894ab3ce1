"""What must hold for any angles, not only for the ones in the tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.physics import geometry
from fleet.physics.geometry import stance
from fleet.physics.sag import sag_exact_deg, sag_scale_deg, soften

slopes = st.floats(5.0, 40.0)
rakes = st.floats(80.0, 100.0)
small = st.floats(-8.0, 8.0)
unhurried = settings(deadline=None)


@unhurried
@given(slopes, rakes, small, small)
def test_built_in_angle_survives_every_tilt(vta, sra, tilt, more):
    """SRA - VTA is the maker's: no tilt changes it, and tilts add up."""
    once, twice = stance(vta, sra, tilt_deg=tilt), stance(vta, sra, tilt_deg=tilt + more)
    assert once.sra_deg - once.vta_deg == pytest.approx(sra - vta, abs=1e-9)
    assert twice.vta_deg - once.vta_deg == pytest.approx(more, abs=1e-9)


@unhurried
@given(slopes, rakes, small, small, small)
def test_mirror_image_changes_only_the_sideways_signs(vta, sra, roll, tilt, yaw):
    """Left and right are alike: opposite roll and yaw give opposite sideways angles, same SRA and VTA."""
    a = stance(vta, sra, roll_deg=roll, tilt_deg=tilt, yaw_deg=yaw)
    b = stance(vta, sra, roll_deg=-roll, tilt_deg=tilt, yaw_deg=-yaw)
    assert (a.vta_deg, a.sra_deg) == pytest.approx((b.vta_deg, b.sra_deg), abs=1e-9)
    sideways = (a.azimuth_deg, a.zenith_deg, a.cantilever_yaw_deg)
    assert sideways == pytest.approx((-b.azimuth_deg, -b.zenith_deg, -b.cantilever_yaw_deg), abs=1e-9)


@unhurried
@given(st.tuples(small, small, small), small, small, small)
def test_rotations_keep_lengths(vector, roll, tilt, yaw):
    """A rigid body stays rigid."""
    turned = geometry.rotate(vector, roll_deg=roll, tilt_deg=tilt, yaw_deg=yaw)
    assert np.linalg.norm(turned) == pytest.approx(np.linalg.norm(vector), abs=1e-9)


@unhurried
@given(slopes, st.floats(-30.0, 30.0), small)
def test_alignment_figures_differ_by_the_apparent_yaw(vta, roll, zenith):
    """Aligning at the cantilever and at the body differ by the turn that the roll feigns."""
    body, cantilever = geometry.zenith_alignment_deg(zenith, vta, roll)
    assert cantilever - body == pytest.approx(-geometry.apparent_yaw_deg(vta, roll), abs=1e-9)


@unhurried
@given(
    st.floats(5.0, 40.0),
    st.floats(2.0, 40.0),
    st.floats(3.0, 10.0),
    st.floats(12.0, 32.0),
    st.floats(0.05, 0.6),
)
def test_sag_grows_with_drag_and_vanishes_without(vtf, compliance, length, vta, drag):
    """No drag, no sag; more drag, more sag; exact and first order agree as both become small."""
    assert sag_exact_deg(vtf, compliance, length, vta, 0.0) == pytest.approx(0.0, abs=1e-9)
    exact = sag_exact_deg(vtf, compliance, length, vta, [drag, 1.1 * drag])
    assert 0.0 < exact[0] < exact[1]
    tiny = 1e-4
    ratio = sag_exact_deg(tiny * vtf, compliance, length, vta, drag) / (
        drag * sag_scale_deg(tiny * vtf, compliance, length, vta)
    )
    assert ratio == pytest.approx(1.0, abs=1e-3)


@unhurried
@given(
    st.floats(14.0, 32.0),
    st.floats(-0.3, 2.5),
    st.floats(0.5, 8.0),
    st.floats(0.4, 2.5),
    st.floats(0.4, 2.5),
)
def test_softening_in_two_steps_is_softening_once(still, sag, deflection, first, second):
    """Factors multiply: the unit made softer twice is the unit made softer by the product."""
    a_still, a_sag = soften(still, sag, deflection, first)
    twice = soften(a_still, a_sag, still + deflection - a_still, second)
    assert twice == pytest.approx(soften(still, sag, deflection, first * second), abs=1e-7)

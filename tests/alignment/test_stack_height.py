"""Stack height with a tilted wedge, against plane geometry done apart."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.alignment.stack_height import judge_stack
from fleet.errors import FleetError


@pytest.mark.parametrize("tilt", [2.0, -2.0])
def test_headshell_touches_wedge_and_wedge_touches_body(tilt):
    """Turning the body's face about the tip as complex numbers, the level headshell lies on the wedge.

    Thin edge 5 mm from the holes along the face: behind them for a tail-up tilt, in front otherwise; the
    thick edge 15 mm from the thin one.
    """
    advice = judge_stack(17.0, 9.5, tilt, thin_edge_mm=0.8, edge_to_holes_mm=5.0, wedge_length_mm=15.0)
    turn = np.exp(-1j * np.radians(tilt))
    thin_at = -9.5 - np.sign(tilt) * 5.0
    thick_at = thin_at + np.sign(tilt) * 15.0
    height = {name: float(((x + 17.0j) * turn).imag) for name, x in (("thin", thin_at), ("thick", thick_at))}
    assert height["thin"] + 0.8 == pytest.approx(advice.made.height_mm, abs=1e-12)
    assert height["thick"] + advice.made.thick_edge_mm == pytest.approx(advice.made.height_mm, abs=1e-12)
    assert advice.made.arm_rise_mm == pytest.approx(advice.made.height_mm - 17.0)


def test_made_wedge_is_rounded_and_stock_is_the_nearest():
    """1.63 degrees: made to 1.6, or 2 from the drawer; the miss is told for each."""
    advice = judge_stack(17.0, 9.5, 1.63, stock_wedges_deg=(1.0, 2.0))
    assert advice.made.tilt_deg == pytest.approx(1.6)
    assert advice.made.tilt_miss_deg == pytest.approx(-0.03)
    assert advice.stock is not None
    assert advice.stock.tilt_deg == 2.0
    assert advice.stock.tilt_miss_deg == pytest.approx(0.37)
    assert "thin end to the tail" in advice.sentence


def test_stock_wedge_turned_round_serves_the_other_sense():
    """A tail-down tilt takes the same wedge with its thin end to the nose."""
    advice = judge_stack(17.0, 9.5, -1.2, stock_wedges_deg=(1.0, 2.0))
    assert advice.stock is not None
    assert advice.stock.tilt_deg == -1.0
    assert "thin end to the nose" in advice.sentence


def test_no_tilt_needs_no_wedge():
    """A tilt that rounds to nothing leaves the body bare: no thickness, no rise, no wedge in the words."""
    advice = judge_stack(17.0, 9.5, 0.04)
    assert advice.made.kind == "none"
    assert advice.made.height_mm == advice.bare.height_mm == 17.0
    assert advice.stock is None
    assert "wedge" not in advice.sentence


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({"height_mm": float("nan")}, "height_mm is nan"),
        ({"tip_to_mount_mm": -1.0}, "tip_to_mount_mm is -1"),
        ({"tilt_deg": 25.0}, "the tilt is 25"),
        ({"step_deg": 0.0}, "wedge step is 0"),
        ({"wedge_length_mm": 3.0}, "wedge is shorter"),
    ],
)
def test_slips_get_one_line(call, words):
    """A user's slip is named, with what to do."""
    with pytest.raises(FleetError, match=words):
        judge_stack(**({"height_mm": 17.0, "tip_to_mount_mm": 9.5, "tilt_deg": 1.0} | call))

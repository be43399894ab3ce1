"""Mountings: the wedge's own measures and where it puts headshell and holes, by geometry done apart."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fleet.alignment.stack_height import MN_PER_GRAM, mount, mountings
from fleet.errors import FleetError
from fleet.policy.policy import Policy

DEFAULT = Policy()
BODY = {"height_mm": 17.0, "tip_to_mount_mm": 9.5}
SLIM = DEFAULT.but(wedge_least_mm=0.8)


@pytest.mark.parametrize("tilt", [2.0, -2.0])
def test_headshell_touches_wedge_and_wedge_touches_body(tilt: float) -> None:
    """Turning the body's face about the tip as complex numbers, the level headshell lies on the wedge.

    Thin edge 5 mm from the holes along the face: behind them for a tail-up tilt, in front otherwise; the
    thick edge 15 mm from the thin one.
    """
    made = mount("made_wedge", tilt, 0.0, tilt, SLIM, **BODY)
    turn = np.exp(-1j * np.radians(tilt))
    thin_at = -9.5 - np.sign(tilt) * 5.0
    thick_at = thin_at + np.sign(tilt) * 15.0
    height = {name: float(((x + 17.0j) * turn).imag) for name, x in (("thin", thin_at), ("thick", thick_at))}
    ends = (made.tail_mm, made.nose_mm) if tilt > 0 else (made.nose_mm, made.tail_mm)
    assert ends[0] == pytest.approx(0.8)
    assert height["thin"] + ends[0] == pytest.approx(made.height_mm, abs=1e-12)
    assert height["thick"] + ends[1] == pytest.approx(made.height_mm, abs=1e-12)
    assert made.arm_rise_mm == pytest.approx(made.height_mm - 17.0)


@pytest.mark.parametrize(("tilt", "roll"), [(2.4, 0.0), (-3.0, 1.5), (1.0, -4.0), (0.0, 2.0)])
def test_a_wedge_with_roll_fills_the_gap_everywhere(tilt: float, roll: float) -> None:
    """The wedge's corners on the body's turned face, by a rotation library: the headshell lies on all four.

    Rolled clockwise facing the nose, the side away from the spindle goes down, so the wedge is thicker there.
    """
    made = mount("made_wedge", tilt, roll, tilt, DEFAULT, **BODY)
    put = Rotation.from_rotvec(np.radians([0.0, tilt, 0.0])) * Rotation.from_rotvec(np.radians([-roll, 0, 0]))
    thin_end = -1.0 if tilt >= 0 else 1.0
    middle = -9.5 + thin_end * 5.0 - thin_end * 7.5
    edges = {
        "nose": (middle + 7.5, 0.0),
        "tail": (middle - 7.5, 0.0),
        "outer": (middle, 8.0),
        "inner": (middle, -8.0),
    }
    thick = {}
    for name, (x, y) in edges.items():
        thick[name] = made.height_mm - float(put.apply([x, y, 17.0])[2])
        assert thick[name] == pytest.approx(getattr(made, f"{name}_mm"), abs=1e-12), name
    corners = [
        made.height_mm - float(put.apply([middle + dx, dy, 17.0])[2])
        for dx in (-7.5, 7.5)
        for dy in (-8.0, 8.0)
    ]
    assert min(corners) == pytest.approx(DEFAULT.wedge_least_mm, abs=1e-12)
    assert np.sign(thick["outer"] - thick["inner"]) == np.sign(roll)
    holes = put.apply([-9.5, 0.0, 17.0])
    assert made.mount_shift_mm == pytest.approx(-holes[0] - 9.5)
    assert made.sideways_mm == pytest.approx(holes[1])
    volume = 15.0 * 16.0 * np.mean(corners) / 1000.0
    assert made.weight_mn == pytest.approx(volume * 8.5 * MN_PER_GRAM)


def test_overhang_shrinks_by_seven_tenths_at_two_and_a_half_degrees() -> None:
    """17 mm sin 2.4° = 0.71 mm: a tail-up tilt brings the tip nearer to the holes."""
    assert mount("made_wedge", 2.4, 0.0, 2.4, DEFAULT, **BODY).mount_shift_mm == pytest.approx(
        -0.72, abs=0.01
    )


def test_every_way_to_mount_is_told() -> None:
    """Bare, each stock wedge in the sense of the tilt, and the made one; the arm's rest for each."""
    ways = mountings(-1.63, 0.5, -1.6, DEFAULT.but(stock_wedges_deg=(1.0, 2.0)), **BODY)
    assert [(w.kind, w.tilt_deg, w.roll_deg) for w in ways] == [
        ("none", 0.0, 0.0),
        ("stock_wedge", -1.0, 0.0),
        ("stock_wedge", -2.0, 0.0),
        ("made_wedge", -1.6, 0.5),
    ]
    assert [w.trim_deg for w in ways] == pytest.approx([-1.63, -0.63, 0.37, -0.03])
    bare = ways[0]
    assert (bare.height_mm, bare.weight_mn, bare.holes_mm, bare.nose_mm) == (17.0, 0.0, 0.0, 0.0)
    assert len(mountings(0.0, 1.0, 0.0, DEFAULT, **BODY)) == 1


def test_without_the_bodys_measures_the_wedge_is_still_told() -> None:
    """Thickness and weight stand on the policy alone; heights are NaN."""
    made = mount("made_wedge", 2.0, 0.0, 2.0, DEFAULT)
    assert made.nose_mm == pytest.approx(1.0 + 15.0 * np.sin(np.radians(2.0)))
    assert np.isnan([made.height_mm, made.arm_rise_mm, made.mount_shift_mm, made.sideways_mm]).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        ({"tip_to_mount_mm": -1.0}, "tip_to_mount_mm is -1"),
        ({"wedge_tilt_deg": 25.0}, "the tilt is 25"),
        ({"wedge_roll_deg": -25.0}, "the roll is -25"),
    ],
)
def test_slips_get_one_line(call: dict[str, float], words: str) -> None:
    """A user's slip is named, with what to do."""
    told = {"wedge_tilt_deg": 1.0, "wedge_roll_deg": 0.0, **BODY} | call
    with pytest.raises(FleetError, match=words):
        mount("made_wedge", wanted_deg=1.0, policy=DEFAULT, **told)


@pytest.mark.parametrize(("tilt", "roll"), [(0.0, 0.0), (2.4, 0.0), (-3.0, 1.5), (8.0, -4.0)])
def test_the_heights_doubt_is_that_of_the_lengths(tilt: float, roll: float) -> None:
    """Moving either length by its doubt moves the height by what is told, the two added in squares."""
    kind = "made_wedge" if tilt or roll else "none"
    told = mount(kind, tilt, roll, tilt, DEFAULT, **BODY, height_sd_mm=0.05, tip_sd_mm=0.1)
    moved = [
        mount(kind, tilt, roll, tilt, DEFAULT, **(BODY | {name: BODY[name] + by})).height_mm - told.height_mm
        for name, by in (("height_mm", 0.05), ("tip_to_mount_mm", 0.1))
    ]
    assert told.height_sd_mm == pytest.approx(float(np.hypot(*moved)), rel=1e-9)
    assert np.isnan(mount(kind, tilt, roll, tilt, DEFAULT, height_mm=17.0, height_sd_mm=0.05).height_sd_mm)

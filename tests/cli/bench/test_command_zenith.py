"""Zenith alignment on the command line."""

from __future__ import annotations

from collections.abc import Callable

Fleet = Callable[..., "object"]


def test_zenith(fleet: Fleet) -> None:
    """The body turns by the reading; under a roll the cantilever's figure is another one."""
    typed = "--zenith-deg 2.5 --vta-dynamic-deg 22 --roll-applied-deg 1 --stylus elliptical"
    ran = fleet("zenith", *typed.split())
    assert ran.status == 0
    assert ran.out.startswith("Turn: The body 2.50° clockwise (± 0.40°), seen from above")
    assert "let it stand 2.90° clockwise" in ran.out
    assert "no repair" in ran.out


def test_zenith_verb_and_figures_agree(fleet: Fleet) -> None:
    """Distortion that goes from 0.65 to 1.06 % rises; velocity and radius stand beside it."""
    said = fleet("zenith", "--zenith-deg", "-0.5").out
    assert "tracking distortion rises from 0.65 % at 146 mm to 1.06 % at 60 mm radius" in said
    assert "recorded at 10 cm/s peak" in said
    assert "Leave it" in fleet("zenith", "--zenith-deg", "0.1").out


def test_zenith_where_there_is_none(fleet: Fleet) -> None:
    """No reading, or a spherical stylus, can't be aligned: one line each."""
    assert "--zenith-deg is needed" in fleet("zenith").err
    assert "no contact edge" in fleet("zenith", "--zenith-deg", "2", "--stylus", "spherical").err

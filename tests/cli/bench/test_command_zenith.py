"""Zenith alignment on the command line."""

from __future__ import annotations

from collections.abc import Callable

Fleet = Callable[..., "object"]


def test_zenith(fleet: Fleet) -> None:
    """The body turns by the reading; under a roll the cantilever's figure is another one."""
    typed = "--zenith-deg 2.5 --vta-dynamic-deg 22 --roll-applied-deg 1 --stylus elliptical"
    ran = fleet("zenith", *typed.split())
    assert ran.status == 0
    assert ran.out.startswith("Turn the body 2.50° clockwise, seen from above")
    assert "let it stand 2.90° clockwise" in ran.out
    assert "no repair" in ran.out


def test_zenith_where_there_is_none(fleet: Fleet) -> None:
    """No reading, or a spherical stylus, can't be aligned: one line each."""
    assert "--zenith-deg is needed" in fleet("zenith").err
    assert "no contact edge" in fleet("zenith", "--zenith-deg", "2", "--stylus", "spherical").err

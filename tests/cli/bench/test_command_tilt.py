"""The tilt on the command line."""

from __future__ import annotations

from collections.abc import Callable

Fleet = Callable[..., "object"]


def test_tilt(fleet: Fleet) -> None:
    """Tilt to 91° of rake: what to set, what it gets, how, and the cautions."""
    ran = fleet(
        "tilt",
        "--sra-dynamic-deg",
        "88.6",
        "--vta-dynamic-deg",
        "19",
        "--tilt-room-deg",
        "3",
        "--arm-length-mm",
        "230",
    )
    assert ran.status == 0
    assert "Tilt +2.40° (tail up) gives rake 91.00° and tracking angle 21.40°: both targets met." in ran.out
    assert "check the clearance" in ran.out
    assert "power off" in ran.out


def test_tilt_of_a_spherical_stylus(fleet: Fleet) -> None:
    """A spherical stylus needs no rake; an unread tilt room is said."""
    ran = fleet("tilt", "--stylus", "spherical", "--vta-dynamic-deg", "24")
    assert ran.out.startswith("Tilt -4.00° (tail down) gives tracking angle 20.00°")
    assert "tilt room was not read" in ran.out

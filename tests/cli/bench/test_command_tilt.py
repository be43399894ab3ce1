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
    assert "+2.40 ± 0.32° (tail up) gives rake 91.00 ± 0.32° and tracking angle 21.40 ± 0.70°" in ran.out
    assert "rake met, tracking angle may be met: 96 %" in ran.out
    assert "Wedge: Use a wedge made to measure of +2.4°: 1.00 mm at the tail, 1.63 mm at the nose" in ran.out
    assert "check the clearance" in ran.out
    assert "power off" in ran.out


def test_tilt_of_a_spherical_stylus(fleet: Fleet) -> None:
    """A spherical stylus needs no rake, and a tail-down tilt no room."""
    ran = fleet("tilt", "--stylus", "spherical", "--vta-dynamic-deg", "24")
    assert ran.out.startswith("Tilt: -4.00 ± 0.70° (tail down) gives tracking angle 20.00 ± 0.70°")
    assert "a spherical stylus has no rake" in ran.out


def test_tilt_of_what_is_missing_or_a_slip(fleet: Fleet) -> None:
    """A rake that wasn't read is no spherical stylus; a room that wasn't is predicted; a slip is one line."""
    untold = fleet("tilt", "--vta-dynamic-deg", "24")
    assert (untold.status, untold.err.count("\n")) == (2, 2)
    assert "tell the stylus profile, or read the rake" in untold.err
    steep = fleet("tilt", "--sra-dynamic-deg", "82.8", "--vta-dynamic-deg", "18")
    assert "Tilt room predicted from common practice" in steep.out
    assert (
        "the tilt is held at the 1.7° that nine of ten by common practice have; the rake asks for 8.2°"
        in steep.out
    )
    slip = fleet("tilt", "--sra-dynamic-deg", "120", "--vta-dynamic-deg", "0", "--tilt-room-deg", "3")
    assert (slip.status, slip.err.count("\n")) == (2, 1)
    assert "dynamic rake 120.00° and tracking angle 0.00° can only be a slip" in slip.err

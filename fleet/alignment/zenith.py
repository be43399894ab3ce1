"""What a turn of the body that straightens a twisted edge costs, and its sense in words.

Turning the body to straighten a twisted contact edge yaws the whole pickup: the skew between the channels
shrinks and the tracking error grows by the same angle at every radius. Both are shown, before and after;
which matters more is for the listener and the bench to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from fleet.errors import FleetError
from fleet.numerals import percent
from fleet.physics import arm_geometry, distortion
from fleet.physics.geometry import Floats


@dataclass(frozen=True)
class ContactShape:
    """Radii of a stylus where it touches the groove, for the skew it can make.

    Attributes
    ----------
    across_radius_um, scanning_radius_um : float
        Radius across and along the groove [um]; equal = sphere, no skew.
    """

    across_radius_um: float
    scanning_radius_um: float


CONTACT_SHAPES: Final = {
    "spherical": ContactShape(18.0, 18.0),
    "elliptical": ContactShape(18.0, 7.0),
    "line_contact": ContactShape(55.0, 6.0),
    "narrow_edge": ContactShape(70.0, 3.0),
}
"""Typical radii by profile; common practice, no source (spherical: BS 1928:1965, 15 to 18 um)."""

GROOVE_CONTACT_RADIUS_UM: Final = 18.0
"""All profiles are taken to touch the walls where a tip of this radius would; a plain choice."""

VELOCITY_CM_S: Final = 10.0
"""Peak lateral velocity that tracking distortion is told at: a loud passage (a plain choice)."""
FREQUENCY_HZ: Final = 10_000.0
"""Frequency at which the skew between the channels is told as a phase (a plain choice)."""
_TOO_SMALL_DEG: Final = 0.005


@dataclass(frozen=True)
class ZenithCost:
    """What one setting costs across a side.

    Attributes
    ----------
    skew_worst_us : float
        Largest time between the channels [us].
    phase_worst_deg : float
        The same as a phase at the stated frequency [degrees].
    tracking_rms, tracking_worst : float
        Second harmonic of the tracking error (ratios).
    worst_radius_mm : float
        Where the largest of it arises [mm].
    """

    skew_worst_us: float
    phase_worst_deg: float
    tracking_rms: float
    tracking_worst: float
    worst_radius_mm: float


@lru_cache(maxsize=64)
def usual_alignment(effective_length_mm: float = 230.0, limits: str = "iec") -> arm_geometry.Alignment:
    """Equal-peak alignment of an arm; where a bench names none, that of a usual one.

    Parameters
    ----------
    effective_length_mm : float, optional
        Tip to pivot [mm].
    limits : str, optional
        Key into `fleet.physics.arm_geometry.GROOVE_LIMITS`.

    Raises
    ------
    FleetError
        If the limits have no such name.
    """
    span = groove_limits(limits)
    nulls = arm_geometry.equal_peak_nulls_mm(span.inner_mm, span.outer_mm)
    return arm_geometry.alignment_for_nulls(effective_length_mm, *nulls)


def groove_limits(name: str) -> arm_geometry.GrooveLimits:
    """Look recorded radii up by the name of their standard; a wrong name is said in one line."""
    try:
        return arm_geometry.GROOVE_LIMITS[name]
    except KeyError:
        known = ", ".join(arm_geometry.GROOVE_LIMITS)
        raise FleetError(f"groove limits {name!r} are not known; use one of {known}") from None


@lru_cache(maxsize=4096)
def turn_cost(
    turn: float,
    zenith: float,
    setting: arm_geometry.Alignment,
    span: arm_geometry.GrooveLimits,
    stylus_profile: str | None,
    velocity_cm_s: float = VELOCITY_CM_S,
    frequency_hz: float = FREQUENCY_HZ,
) -> ZenithCost:
    """Cost of a turn; the edge stands against the groove at zenith plus tracking error."""
    side = arm_geometry.side_distortion(setting, span, turn_deg=turn, velocity_cm_s=velocity_cm_s)
    shift = _shift_um(zenith + side.error_deg, stylus_profile)
    skew = float(np.max(np.abs(distortion.channel_skew_us(shift, radius_mm=side.radius_mm))))
    return ZenithCost(
        skew, float(distortion.skew_phase_deg(skew, frequency_hz)), side.rms, side.worst, side.worst_radius_mm
    )


def _shift_um(edge_deg: Floats, stylus_profile: str | None) -> Floats:
    """How early each wall is read, by the typical shape of the profile."""
    width = distortion.contact_separation_um(GROOVE_CONTACT_RADIUS_UM)
    shape = CONTACT_SHAPES.get(stylus_profile or "", ContactShape(np.inf, 0.0))
    return distortion.edge_shift_um(
        edge_deg,
        separation_um=width,
        scanning_radius_um=shape.scanning_radius_um,
        across_radius_um=shape.across_radius_um,
    )


def sense_from_above(angle_deg: float) -> str:
    """Angle with its sense in words, seen from above."""
    if abs(angle_deg) < _TOO_SMALL_DEG:
        return "0.00° (straight)"
    return f"{abs(angle_deg):.2f}° {'clockwise' if angle_deg > 0 else 'anticlockwise'}"


def cost_sentence(
    before: ZenithCost,
    after: ZenithCost,
    *,
    velocity_cm_s: float = VELOCITY_CM_S,
    frequency_hz: float = FREQUENCY_HZ,
) -> str:
    """What a turn costs, each verb from the two figures that it stands beside."""
    fall = _verb(before.skew_worst_us, after.skew_worst_us, "shrinks", "grows")
    rise = _verb(before.tracking_worst, after.tracking_worst, "falls", "rises")
    return (
        f"Worst along the side, the skew between the channels {fall} from {before.skew_worst_us:.1f} to "
        f"{after.skew_worst_us:.1f} µs ({before.phase_worst_deg:.0f}° to {after.phase_worst_deg:.0f}° at "
        f"{frequency_hz / 1000:g} kHz), and tracking distortion {rise} from "
        f"{percent(before.tracking_worst, 2)} at {before.worst_radius_mm:.0f} mm to "
        f"{percent(after.tracking_worst, 2)} at {after.worst_radius_mm:.0f} mm radius, recorded at "
        f"{velocity_cm_s:g} cm/s peak."
    )


def _verb(before: float, after: float, falls: str, rises: str) -> str:
    return falls if after < before else rises

"""Zenith alignment: two figures, the sense of the correction, and what the correction costs.

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
from fleet.physics import arm_geometry, distortion, geometry
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


@dataclass(frozen=True)
class ZenithAdvice:
    """Both alignment figures and the price of following them.

    Attributes
    ----------
    body_turn_deg : float
        Turn of the body that cures the zenith error, + = clockwise seen from above [degrees].
    cantilever_stands_deg : float
        Where the cantilever then stands, same sense, with the roll built into the mounting [degrees].
    cantilever_stands_unrolled_deg : float
        The same on an upright body: the body's own figure [degrees].
    roll_share_deg : float
        How much of the cantilever's figure is only seen, because of the roll [degrees].
    before, after : ZenithCost
        With the body straight, and turned.
    curve_turn_deg, curve_skew_us, curve_tracking_rms : ndarray
        The trade-off between no turn and the full one, for drawing.
    sentence : str
        The advice in words.
    """

    body_turn_deg: float
    cantilever_stands_deg: float
    cantilever_stands_unrolled_deg: float
    roll_share_deg: float
    before: ZenithCost
    after: ZenithCost
    curve_turn_deg: Floats
    curve_skew_us: Floats
    curve_tracking_rms: Floats
    sentence: str


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


def judge_zenith(
    zenith_deg: float,
    *,
    vta_deg: float = 20.0,
    roll_deg: float = 0.0,
    stylus_profile: str | None = None,
    alignment: arm_geometry.Alignment | None = None,
    limits: str = "iec",
    velocity_cm_s: float = VELOCITY_CM_S,
    frequency_hz: float = FREQUENCY_HZ,
) -> ZenithAdvice:
    """Give both alignment figures for a zenith reading, and what following them costs.

    Parameters
    ----------
    zenith_deg : float
        Reading, + = clockwise seen from the record's side, looking at the tip [degrees].
    vta_deg : float, optional
        Tracking angle, for the part that a roll feigns [degrees].
    roll_deg : float, optional
        Roll built into the mounting, + = clockwise facing the nose [degrees].
    stylus_profile : str, optional
        Word of the bench sheet; unknown is reckoned as a sharp edge, the worst case.
    alignment : Alignment, optional
        Setting of the arm; left out = `usual_alignment`.
    limits : str, optional
        Key into `fleet.physics.arm_geometry.GROOVE_LIMITS`.
    velocity_cm_s, frequency_hz : float, optional
        Peak lateral velocity for the distortion; frequency at which the skew is told as a phase.

    Returns
    -------
    ZenithAdvice
        For a spherical stylus, which has no zenith, every alignment figure is NaN.
    """
    span = groove_limits(limits)
    setting = alignment or usual_alignment(limits=limits)
    spherical = stylus_profile == "spherical"
    zenith = 0.0 if spherical else float(zenith_deg)
    _check(zenith, vta_deg, roll_deg)
    body, cantilever = (float(x) for x in geometry.zenith_alignment_deg(zenith, vta_deg, roll_deg))

    turns = np.linspace(0.0, body, 21)
    costs = [
        turn_cost(float(t), zenith, setting, span, stylus_profile, velocity_cm_s, frequency_hz) for t in turns
    ]
    nothing = float("nan")
    return ZenithAdvice(
        body_turn_deg=nothing if spherical else body,
        cantilever_stands_deg=nothing if spherical else cantilever,
        cantilever_stands_unrolled_deg=nothing if spherical else body,
        roll_share_deg=cantilever - body,
        before=costs[0],
        after=costs[-1],
        curve_turn_deg=turns,
        curve_skew_us=np.array([c.skew_worst_us for c in costs]),
        curve_tracking_rms=np.array([c.tracking_rms for c in costs]),
        sentence=_SPHERICAL if spherical else _sentence(body, cantilever, costs[0], costs[-1]),
    )


_SPHERICAL: Final = (
    "A spherical stylus has no zenith: there is no edge to straighten, leave the body as it is."
)


def _check(zenith_deg: float, vta_deg: float, roll_deg: float) -> None:
    """Refuse what was not read, in one line."""
    if not np.isfinite(zenith_deg):
        raise FleetError("the zenith was not read; give zenith_deg as a number")
    if not (np.isfinite(vta_deg) and np.isfinite(roll_deg)):
        raise FleetError("vta_deg and roll_deg must be numbers; leave out what was not read")


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


def _sentence(body: float, cantilever: float, before: ZenithCost, after: ZenithCost) -> str:
    """The advice in words."""
    if abs(body) < _TOO_SMALL_DEG:
        first = "The zenith is straight: leave the body as it is"
    else:
        first = f"Turn the body {sense_from_above(body)}, seen from above"
    seen = cantilever - body
    second = f"aligning at the cantilever, let it stand {sense_from_above(cantilever)}"
    if abs(seen) >= _TOO_SMALL_DEG:
        second += f" (the roll alone makes it look turned {sense_from_above(seen)})"
    if abs(body) < _TOO_SMALL_DEG:
        return f"{first}; {second}."
    return f"{first}; {second}. {cost_sentence(before, after)}"


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

"""Reach: can this pickup be set on this arm at all, by how much does it miss, and what does that cost?

The arm holds the pickup by its mounting holes. The tip stands `tip_to_mount_mm` in front of them along the
body's axis, so a pickup with another distance needs another place in the slots, another twist, or another
distance from pivot to spindle. Plane geometry seen from above, exact (derived): pivot at the origin, the
nominal tip on the x axis, the slots along the nominal body axis, the body twisting about its hole line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from fleet.alignment.zenith import groove_limits, sense_from_above
from fleet.errors import FleetError
from fleet.numerals import percent
from fleet.physics import arm_geometry
from fleet.physics.geometry import cosd, sind


@dataclass(frozen=True, kw_only=True)
class Arm:
    """A pivoted arm and the freedom it leaves.

    Attributes
    ----------
    effective_length_mm, pivot_to_spindle_mm, offset_deg : float
        As the arm is built, for a pickup of the nominal distance in the middle of the slots [mm, mm,
        degrees].
    tip_to_mount_nominal_mm : float
        Tip-to-mount distance that the arm was drawn for [mm]; 9.5 is a custom, not a standard.
    slot_forward_mm, slot_back_mm : float
        How far the holes can go towards the nose and the tail [mm].
    twist_deg : float
        How far the body can be turned in its slots, either way [degrees].
    pivot_in_mm, pivot_out_mm : float
        How far the pivot can be moved towards the spindle and away from it [mm].
    """

    effective_length_mm: float
    pivot_to_spindle_mm: float
    offset_deg: float
    tip_to_mount_nominal_mm: float = 9.5
    slot_forward_mm: float = 0.0
    slot_back_mm: float = 0.0
    twist_deg: float = 0.0
    pivot_in_mm: float = 0.0
    pivot_out_mm: float = 0.0

    def __post_init__(self) -> None:
        lengths = (
            self.slot_forward_mm,
            self.slot_back_mm,
            self.twist_deg,
            self.pivot_in_mm,
            self.pivot_out_mm,
        )
        if not all(np.isfinite(v) and v >= 0 for v in lengths):
            raise FleetError("slot, twist and pivot ranges must be numbers of 0 or more; mend the arm's data")
        if not 0 < self.pivot_to_spindle_mm < self.effective_length_mm:
            raise FleetError(
                f"the arm's effective length ({self.effective_length_mm:g} mm) must be greater than its "
                f"distance from pivot to spindle ({self.pivot_to_spindle_mm:g} mm); check both"
            )
        if not 0 < self.offset_deg < 60:
            raise FleetError(f"the arm's offset angle is {self.offset_deg:g}; give it in degrees, above 0")


@dataclass(frozen=True)
class ReachAdvice:
    """Whether the wanted alignment can be set, how, and what is lost if not.

    Attributes
    ----------
    possible : bool
        The wanted overhang and offset can both be set.
    wanted, attained : Alignment
        What was asked for, and the best that slots, twist and pivot allow.
    slot_mm : float
        Where the holes stand in the slots, + = towards the nose [mm].
    twist_deg : float
        Turn of the body in the slots, + = clockwise from above [degrees].
    pivot_to_spindle_mm : float
        Distance used [mm].
    slot_short_mm : float
        Further travel that the wanted setting needs beyond the slot, + = towards the nose [mm]; 0 if none.
    twist_short_deg : float
        Further twist that it needs beyond the range, + = clockwise from above [degrees]; 0 if none.
    overhang_miss_mm, offset_miss_deg : float
        Attained less wanted, the wanted one being that of the wanted null radii [mm, degrees].
    wanted_side, attained_side : Side
        Tracking error and distortion across the side.
    sentence : str
        The finding in words.
    """

    possible: bool
    wanted: arm_geometry.Alignment
    attained: arm_geometry.Alignment
    slot_mm: float
    twist_deg: float
    pivot_to_spindle_mm: float
    slot_short_mm: float
    twist_short_deg: float
    overhang_miss_mm: float
    offset_miss_deg: float
    wanted_side: arm_geometry.Side
    attained_side: arm_geometry.Side
    sentence: str


def judge_reach(
    tip_to_mount_mm: float,
    arm: Arm,
    *,
    limits: str = "iec",
    aim: str = "equal_peak",
    velocity_cm_s: float = 10.0,
    near_mm: float = 0.05,
    near_deg: float = 0.05,
) -> ReachAdvice:
    """Find out whether overhang and offset can be set for a pickup on an arm.

    Parameters
    ----------
    tip_to_mount_mm : float
        Stylus tip to the line of the mounting holes [mm].
    arm : Arm
        The arm and its freedom. The pivot is moved only if the slots don't suffice.
    limits : str, optional
        Recorded radii, key into `fleet.physics.arm_geometry.GROOVE_LIMITS`.
    aim : {'equal_peak', 'least_square'}, optional
        Which pair of null radii is wanted; also what is made least when they can't be had: the largest
        distortion, or its mean square.
    velocity_cm_s : float, optional
        Peak lateral velocity [cm/s].
    near_mm, near_deg : float, optional
        What no one can set by hand counts as nothing lacking; a plain choice [mm, degrees].

    Raises
    ------
    FleetError
        If a figure is impossible or a name unknown.
    """
    span = groove_limits(limits)
    nulls = _wanted_nulls(tip_to_mount_mm, span, aim)
    distance = _pivot_for(tip_to_mount_mm, arm, nulls)
    wanted = _wanted(distance, nulls)
    slot, twist = _setting_for(wanted, tip_to_mount_mm, arm)
    held, slot_short = _held(slot, -arm.slot_back_mm, arm.slot_forward_mm, near_mm)
    turned, twist_short = _held(twist, -arm.twist_deg, arm.twist_deg, near_deg)
    possible = slot_short == 0.0 and twist_short == 0.0
    if not possible:
        turned = _best_twist(tip_to_mount_mm, arm, held, distance, span, aim)
    attained = _alignment(tip_to_mount_mm, arm, held, turned, distance)
    sides = [arm_geometry.side_distortion(a, span, velocity_cm_s=velocity_cm_s) for a in (wanted, attained)]
    return ReachAdvice(
        possible=possible,
        wanted=wanted,
        attained=attained,
        slot_mm=held,
        twist_deg=turned,
        pivot_to_spindle_mm=distance,
        slot_short_mm=slot_short,
        twist_short_deg=twist_short,
        overhang_miss_mm=attained.overhang_mm - wanted.overhang_mm,
        offset_miss_deg=attained.offset_deg - wanted.offset_deg,
        wanted_side=sides[0],
        attained_side=sides[1],
        sentence=_sentence(arm, wanted, attained, (held, turned, distance), (slot_short, twist_short), sides),
    )


def _wanted_nulls(tip_to_mount: float, span: arm_geometry.GrooveLimits, aim: str) -> tuple[float, float]:
    """Null radii of an aim; what can't be is refused in one line."""
    if not (np.isfinite(tip_to_mount) and 0 <= tip_to_mount <= 30):
        raise FleetError(f"tip_to_mount_mm is {tip_to_mount:g}; give a distance from 0 to 30 mm")
    if aim == "equal_peak":
        return arm_geometry.equal_peak_nulls_mm(span.inner_mm, span.outer_mm)
    if aim == "least_square":
        return arm_geometry.least_square_nulls_mm(span.inner_mm, span.outer_mm)
    raise FleetError(f"aim {aim!r} is not known; use one of equal_peak, least_square")


def _held(value: float, low: float, high: float, near: float) -> tuple[float, float]:
    """Hold a value within its range; and what is cut off, unless it is too little to matter."""
    held = float(np.clip(value, low, high))
    return held, value - held if abs(value - held) > near else 0.0


def _wanted(pivot_to_spindle_mm: float, nulls: tuple[float, float]) -> arm_geometry.Alignment:
    """Alignment with these null radii for a fixed pivot: L^2 = d^2 + a b."""
    length = float(np.sqrt(pivot_to_spindle_mm**2 + nulls[0] * nulls[1]))
    return arm_geometry.alignment_for_nulls(length, *nulls)


def _holes(arm: Arm, slot: float) -> tuple[float, float]:
    """Middle of the hole line, from the pivot; the nominal tip lies on the x axis."""
    along = slot - arm.tip_to_mount_nominal_mm
    return arm.effective_length_mm + along * float(cosd(arm.offset_deg)), -along * float(sind(arm.offset_deg))


def _alignment(
    tip_to_mount: float, arm: Arm, slot: float, twist: float, distance: float
) -> arm_geometry.Alignment:
    """Alignment that a place in the slots and a twist give."""
    x, y = _holes(arm, slot)
    axis = arm.offset_deg + twist
    x, y = x + tip_to_mount * float(cosd(axis)), y - tip_to_mount * float(sind(axis))
    length = float(np.hypot(x, y))
    return arm_geometry.Alignment(length, length - distance, axis - float(np.degrees(np.arctan2(-y, x))))


def _setting_for(wanted: arm_geometry.Alignment, tip_to_mount: float, arm: Arm) -> tuple[float, float]:
    """Place in the slots and twist that give a wanted alignment, range or no range; exact.

    The triangle pivot, holes, tip gives the distance of the holes; the line of the slots meets the circle of
    that distance in the place wanted.
    """
    length = wanted.effective_length_mm
    behind = (
        length - tip_to_mount * float(cosd(wanted.offset_deg)),
        tip_to_mount * float(sind(wanted.offset_deg)),
    )
    x, y = _holes(arm, 0.0)
    ux, uy = float(cosd(arm.offset_deg)), -float(sind(arm.offset_deg))
    half = x * ux + y * uy
    room = half**2 - (x**2 + y**2 - behind[0] ** 2 - behind[1] ** 2)
    if room < 0:
        raise FleetError("the slots of this arm never come near the wanted place; check the arm's data")
    slot = -half + float(np.sqrt(room))
    # Turn of the holes' direction from where they stand, seen from the pivot, to where the tip lies on x.
    hx, hy = _holes(arm, slot)
    tip_clockwise = float(np.degrees(np.arctan2(-hy, hx) + np.arctan2(behind[1], behind[0])))
    return slot, wanted.offset_deg + tip_clockwise - arm.offset_deg


def _pivot_for(tip_to_mount: float, arm: Arm, nulls: tuple[float, float]) -> float:
    """Distance from pivot to spindle: as built if the slots suffice, else moved as little as helps."""

    def beyond(distance: float, edge: float) -> float:
        return _setting_for(_wanted(distance, nulls), tip_to_mount, arm)[0] - edge

    built = arm.pivot_to_spindle_mm
    near, far = built - arm.pivot_in_mm, built + arm.pivot_out_mm
    if beyond(built, arm.slot_forward_mm) > 0:
        if beyond(near, arm.slot_forward_mm) >= 0:
            return near
        return float(brentq(beyond, near, built, args=(arm.slot_forward_mm,), xtol=1e-10))
    if beyond(built, -arm.slot_back_mm) < 0:
        if beyond(far, -arm.slot_back_mm) <= 0:
            return far
        return float(brentq(beyond, built, far, args=(-arm.slot_back_mm,), xtol=1e-10))
    return built


def _best_twist(
    tip_to_mount: float, arm: Arm, slot: float, distance: float, span: arm_geometry.GrooveLimits, aim: str
) -> float:
    """Twist within its range that costs least where the wanted alignment can't be had."""
    if arm.twist_deg == 0:
        return 0.0

    def cost(twist: float) -> float:
        side = arm_geometry.side_distortion(_alignment(tip_to_mount, arm, slot, twist, distance), span)
        return side.worst if aim == "equal_peak" else side.rms

    grid = np.linspace(-arm.twist_deg, arm.twist_deg, 81)
    start = int(np.argmin([cost(float(t)) for t in grid]))
    low, high = grid[max(start - 1, 0)], grid[min(start + 1, 80)]
    found = minimize_scalar(cost, bounds=(low, high), method="bounded", options={"xatol": 1e-6})
    return float(min((found.x, grid[start]), key=cost))


def _sentence(
    arm: Arm,
    wanted: arm_geometry.Alignment,
    attained: arm_geometry.Alignment,
    setting: tuple[float, float, float],
    short: tuple[float, float],
    sides: list[arm_geometry.Side],
) -> str:
    """The finding in words."""
    slot, twist, distance = setting
    place = "in the middle of the slots"
    if abs(slot) >= 0.005:
        place = f"{abs(slot):.2f} mm towards the {'nose' if slot > 0 else 'tail'}"
    how = f"holes {place}, body turned {sense_from_above(twist)}"
    if abs(distance - arm.pivot_to_spindle_mm) >= 0.005:
        how += f", pivot at {distance:.2f} mm from the spindle"
    now = f"{_words(attained, sides[1])}, null radii {_nulls(attained)}"
    if short == (0.0, 0.0):
        return f"Can be set: {how}; {now}."
    lacks = []
    if short[0]:
        lacks.append(f"{abs(short[0]):.2f} mm of slot towards the {'nose' if short[0] > 0 else 'tail'}")
    if short[1]:
        lacks.append(f"{sense_from_above(short[1])} of twist")
    return (
        f"Can't be set as wanted: it lacks {' and '.join(lacks)}. Best that can be had ({how}): {now}; "
        f"wanted were {_words(wanted, sides[0])}."
    )


def _words(alignment: arm_geometry.Alignment, side: arm_geometry.Side) -> str:
    """An alignment and its cost in words."""
    return (
        f"overhang {alignment.overhang_mm:.2f} mm, offset {alignment.offset_deg:.2f}°, distortion "
        f"{percent(side.worst, 2)} at worst and {percent(side.rms, 2)} rms"
    )


def _nulls(alignment: arm_geometry.Alignment) -> str:
    """Null radii in words; some alignments have one on the disc, or none."""
    inner, outer = alignment.null_radii_mm
    if not np.isfinite(outer):
        return "none"
    return f"{outer:.1f} mm only" if inner <= 0 else f"{inner:.1f} and {outer:.1f} mm"

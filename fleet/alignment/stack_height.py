"""Stack height: from the record to the headshell, bare, on each stock wedge, or on one made to measure.

A wedge lies between the body's mounting face and a level headshell. It is as thin as it may be at its
thinnest corner and grows by the sine of its angle; the body under it turns about the stylus tip, so its
mounting holes come nearer to the tip (tail up) or go further from it, and the overhang with them. Exact
(derived: the turned points of the body's face; see `fleet.physics.geometry.rotate`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fleet.errors import FleetError
from fleet.physics.geometry import rotate

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

MN_PER_GRAM: Final = 9.80665
STEEPEST_DEG: Final = 20.0


@dataclass(frozen=True)
class Mounting:
    """One way of mounting the body.

    Attributes
    ----------
    kind : str
        `none`, `stock_wedge` or `made_wedge`.
    tilt_deg, roll_deg : float
        What the wedge gives, in the signs of tilt and roll [degrees].
    trim_deg : float
        Tilt that is left to the arm [degrees].
    nose_mm, tail_mm, outer_mm, inner_mm : float
        Thickness in the middle of each edge, square to the headshell; outer = away from the spindle [mm].
    holes_mm : float
        Thickness at the hole line: so much longer the screws [mm].
    weight_mn : float
        Weight of the wedge, which presses on the stylus until it is balanced out [mN].
    height_mm : float
        Record surface to the level headshell at the hole line; NaN without height and tip-to-mount distance.
    height_sd_mm : float
        Standard uncertainty of it, from those of the two lengths [mm].
    arm_rise_mm : float
        How much higher the headshell, so the arm, must stand than for the bare level body [mm]; NaN likewise.
    mount_shift_mm : float
        Change of the horizontal distance from tip to hole line, - = nearer; the overhang changes by as much
        [mm]; NaN likewise.
    sideways_mm : float
        How far the tip comes to stand towards the spindle from the holes' middle [mm]; NaN likewise.
    """

    kind: str
    tilt_deg: float
    roll_deg: float
    trim_deg: float
    nose_mm: float
    tail_mm: float
    outer_mm: float
    inner_mm: float
    holes_mm: float
    weight_mn: float
    height_mm: float
    height_sd_mm: float
    arm_rise_mm: float
    mount_shift_mm: float
    sideways_mm: float


def mount(
    kind: str,
    wedge_tilt_deg: float,
    wedge_roll_deg: float,
    wanted_deg: float,
    policy: Policy,
    *,
    height_mm: float = math.nan,
    tip_to_mount_mm: float = math.nan,
    height_sd_mm: float = 0.0,
    tip_sd_mm: float = 0.0,
) -> Mounting:
    """Work out one mounting: the wedge's own measures, and where it puts headshell and holes.

    Parameters
    ----------
    kind : {'none', 'stock_wedge', 'made_wedge'}
        Without a wedge both its angles must be 0.
    wedge_tilt_deg, wedge_roll_deg : float
        Its angles, as tilt and roll of the body under it [degrees].
    wanted_deg : float
        Tilt wanted in all; the arm does the rest [degrees].
    policy : Policy
        Dimensions of the wedge.
    height_mm, tip_to_mount_mm : float, optional
        Record surface to the mounting face of the level body at its tracking force, and tip to hole line
        [mm]; NaN = not read.
    height_sd_mm, tip_sd_mm : float, optional
        Their standard uncertainties [mm].

    Raises
    ------
    FleetError
        If an angle or a length is impossible.
    """
    _check(wedge_tilt_deg, wedge_roll_deg, height_mm, tip_to_mount_mm)
    pitch, sideways = (
        float(math.sin(math.radians(wedge_tilt_deg))),
        float(math.cos(math.radians(wedge_tilt_deg)) * math.sin(math.radians(wedge_roll_deg))),
    )
    length, width = policy.wedge_length_mm, policy.wedge_width_mm
    least = 0.0 if kind == "none" else policy.wedge_least_mm
    along, across = (0.0, 0.0) if kind == "none" else (0.5 * length * pitch, 0.5 * width * sideways)
    middle = least + abs(along) + abs(across)
    holes = 0.0 if kind == "none" else least + policy.wedge_edge_to_holes_mm * abs(pitch) + abs(across)
    volume_cm3 = 0.0 if kind == "none" else length * width * middle / 1000.0
    x, y, z = rotate(
        (-tip_to_mount_mm, 0.0, height_mm), roll_deg=wedge_roll_deg, tilt_deg=wedge_tilt_deg
    ).tolist()
    return Mounting(
        kind,
        wedge_tilt_deg,
        wedge_roll_deg,
        wanted_deg - wedge_tilt_deg,
        middle + along,
        middle - along,
        middle + across,
        middle - across,
        holes,
        volume_cm3 * policy.wedge_density_g_cm3 * MN_PER_GRAM,
        z + holes,
        _height_sd_mm(wedge_tilt_deg, wedge_roll_deg, height_sd_mm, tip_sd_mm) if z == z else math.nan,
        z + holes - height_mm,
        -x - tip_to_mount_mm,
        y,
    )


def mountings(
    tilt_deg: float,
    roll_deg: float,
    made_deg: float,
    policy: Policy,
    *,
    height_mm: float = math.nan,
    tip_to_mount_mm: float = math.nan,
    height_sd_mm: float = 0.0,
    tip_sd_mm: float = 0.0,
) -> tuple[Mounting, ...]:
    """Every way to mount a body that is to be tilted: bare, each stock wedge in its sense, made to measure.

    Parameters
    ----------
    tilt_deg, roll_deg : float
        What the body is to be given [degrees].
    made_deg : float
        Tilt of a wedge made for it [degrees]; the roll is cut into it. No angle, no wedge.
    policy, height_mm, tip_to_mount_mm, height_sd_mm, tip_sd_mm
        As for `mount`.
    """
    lengths = {"height_mm": height_mm, "tip_to_mount_mm": tip_to_mount_mm}
    lengths |= {"height_sd_mm": height_sd_mm, "tip_sd_mm": tip_sd_mm}
    ways = [mount("none", 0.0, 0.0, tilt_deg, policy, **lengths)]
    if tilt_deg:
        sizes = dict.fromkeys(math.copysign(abs(angle), tilt_deg) for angle in policy.stock_wedges_deg)
        ways += [mount("stock_wedge", angle, 0.0, tilt_deg, policy, **lengths) for angle in sizes if angle]
    if made_deg:
        ways.append(mount("made_wedge", made_deg, roll_deg, tilt_deg, policy, **lengths))
    return tuple(ways)


def _height_sd_mm(tilt_deg: float, roll_deg: float, height_sd_mm: float, tip_sd_mm: float) -> float:
    """How the doubts of the two lengths reach the height of the turned hole line."""
    turned = rotate(((0.0, 1.0), (0.0, 0.0), (1.0, 0.0)), roll_deg=roll_deg, tilt_deg=tilt_deg)[2]
    return math.hypot(height_sd_mm * float(turned[0]), tip_sd_mm * float(turned[1]))


def _check(tilt_deg: float, roll_deg: float, height_mm: float, tip_to_mount_mm: float) -> None:
    """Refuse impossible figures, each in one line."""
    for name, value in (("height_mm", height_mm), ("tip_to_mount_mm", tip_to_mount_mm)):
        if value < 0 or math.isinf(value):
            raise FleetError(f"{name} is {value:g}; give a length of 0 mm or more")
    for name, value in (("tilt", tilt_deg), ("roll", roll_deg)):
        if not abs(value) <= STEEPEST_DEG:
            raise FleetError(f"the {name} is {value:g}; give it in degrees, from -20 to 20")

"""Lateral tracking of a pivoted arm: null radii, overhang, offset and the distortion across a side.

Effective length L = stylus tip to arm pivot; overhang = how far the tip reaches past the spindle; offset =
angle between the pickup's axis and the line to the pivot. The tracking error at a groove radius r is

    eps(r) = asin((r^2 + L^2 - d^2) / (2 r L)) - offset,     d = L - overhang (pivot to spindle)

and vanishes at two radii, a and b, with ``a + b = 2 L sin(offset)`` and ``a b = L^2 - d^2``. Derived (law of
cosines). Optimal choices go back to E. Loefgren (1938) and H. G. Baerwald, J. SMPE 37 (1941): *A* makes the
three peaks of eps/r equal, *B* makes its mean square least. Their published radii are reproduced in tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fleet.errors import FleetError
from fleet.physics.distortion import LONG_PLAY_RPM, lateral_distortion
from fleet.physics.geometry import Floats, sind


@dataclass(frozen=True)
class GrooveLimits:
    """Radii between which a 30 cm side is recorded.

    Attributes
    ----------
    inner_mm, outer_mm : float
        First and last radius [mm].
    source : str
        Where the two figures stand.
    """

    inner_mm: float
    outer_mm: float
    source: str


GROOVE_LIMITS = {
    "iec": GrooveLimits(
        60.325, 146.05, "IEC 98:1958 in inches (2 3/8, 5 3/4); later editions state 146.3 outer, no inner"
    ),
    "din": GrooveLimits(57.5, 146.3, "DIN 45547:1981 (115 mm and 292.6 mm diameter)"),
    "jis": GrooveLimits(
        57.6, 146.5, "JIS S 8502:1973 for the inner radius (115.2 mm); outer: common practice"
    ),
}
"""Recorded radii by standard; keys are the names that a user types."""


@dataclass(frozen=True)
class Alignment:
    """A setting of pickup on arm.

    Attributes
    ----------
    effective_length_mm : float
        Tip to arm pivot [mm].
    overhang_mm : float
        Tip past the spindle [mm].
    offset_deg : float
        Pickup axis against the line to the pivot [degrees].
    """

    effective_length_mm: float
    overhang_mm: float
    offset_deg: float

    @property
    def pivot_to_spindle_mm(self) -> float:
        """Mounting distance of the arm [mm]."""
        return self.effective_length_mm - self.overhang_mm

    @property
    def null_radii_mm(self) -> tuple[float, float]:
        """Radii without tracking error, inner first [mm]; NaN where there is none."""
        inner, outer = null_radii_mm(self.effective_length_mm, self.overhang_mm, self.offset_deg)
        return float(inner), float(outer)


def tracking_error_deg(
    radius_mm: ArrayLike,
    *,
    effective_length_mm: ArrayLike,
    overhang_mm: ArrayLike,
    offset_deg: ArrayLike,
) -> Floats:
    """Lateral tracking error at a groove radius.

    Parameters
    ----------
    radius_mm : array_like
        Groove radius [mm].
    effective_length_mm, overhang_mm, offset_deg : array_like
        As in `Alignment` [mm, mm, degrees].

    Returns
    -------
    ndarray
        Error [degrees], negative between the null radii; NaN where the arm cannot reach the radius.
    """
    r, length = np.asarray(radius_mm, float), np.asarray(effective_length_mm, float)
    mount = length - np.asarray(overhang_mm, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        sine = (r**2 + length**2 - mount**2) / (2.0 * r * length)
        out: Floats = np.degrees(np.arcsin(sine)) - np.asarray(offset_deg, float)
    return out


def null_radii_mm(
    effective_length_mm: ArrayLike, overhang_mm: ArrayLike, offset_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Radii at which the tracking error vanishes, inner first [mm]; NaN where it never does.

    With too little overhang the inner one is zero or negative: then only the outer one lies on a disc.
    """
    length = np.asarray(effective_length_mm, float)
    mount = length - np.asarray(overhang_mm, float)
    middle = length * sind(offset_deg)
    with np.errstate(invalid="ignore"):
        spread = np.sqrt(middle**2 - (length**2 - mount**2))
    return middle - spread, middle + spread


def alignment_for_nulls(effective_length_mm: float, inner_mm: float, outer_mm: float) -> Alignment:
    """Overhang and offset that put the null radii where they are wanted; exact.

    Raises
    ------
    FleetError
        If the radii are not positive or the arm is too short for them.
    """
    sine = (inner_mm + outer_mm) / (2.0 * effective_length_mm)
    square = effective_length_mm**2 - inner_mm * outer_mm
    if not (0 < inner_mm <= outer_mm and 0 < sine < 1 and square > 0):
        raise FleetError(
            f"no offset of an arm of {effective_length_mm:g} mm gives null radii {inner_mm:g} and "
            f"{outer_mm:g} mm; give an effective length well above their mean"
        )
    offset = float(np.degrees(np.arcsin(sine)))
    return Alignment(effective_length_mm, effective_length_mm - float(np.sqrt(square)), offset)


def equal_peak_nulls_mm(inner_mm: float, outer_mm: float) -> tuple[float, float]:
    """Null radii that make the three peaks of error over radius equal (Loefgren A, Baerwald) [mm].

    Chebyshev points in 1/r between the limits; independent of the arm to first order.
    """
    near, far = 1.0 / inner_mm, 1.0 / outer_mm
    middle, half = 0.5 * (near + far), 0.5 * (near - far) / np.sqrt(2.0)
    return float(1.0 / (middle + half)), float(1.0 / (middle - half))


def least_square_nulls_mm(
    inner_mm: float, outer_mm: float, *, keep_offset: bool = True
) -> tuple[float, float]:
    """Null radii that make the mean square of error over radius least (Loefgren B) [mm].

    Parameters
    ----------
    inner_mm, outer_mm : float
        Groove limits [mm].
    keep_offset : bool, optional
        True: offset of `equal_peak_nulls_mm` kept, overhang alone chosen, which is what the published
        figures are. False: both chosen.

    Returns
    -------
    (float, float)
        Inner and outer null [mm]. Closed form: least squares of ``1 - S/r + P/r^2`` (derived).
    """

    def moment(power: int) -> float:
        """Integral of r^-power between the limits."""
        return (inner_mm ** (1 - power) - outer_mm ** (1 - power)) / (power - 1)

    one = np.log(outer_mm / inner_mm)
    if keep_offset:
        total = sum(equal_peak_nulls_mm(inner_mm, outer_mm))
        product = (total * moment(3) - moment(2)) / moment(4)
    else:
        normal = np.array([[moment(2), -moment(3)], [-moment(3), moment(4)]])
        total, product = np.linalg.solve(normal, np.array([one, -moment(2)]))
    spread = np.sqrt(0.25 * total**2 - product)
    return float(0.5 * total - spread), float(0.5 * total + spread)


@dataclass(frozen=True)
class Side:
    """Tracking error and its distortion across a recorded side.

    Attributes
    ----------
    radius_mm, error_deg, distortion : ndarray, shape (points,)
        Groove radii, evenly spaced from the inner limit to the outer; tracking error; second harmonic as
        a ratio.
    rms, worst : float
        Root mean square over the radius, and the largest distortion (ratios).
    worst_radius_mm : float
        Where the largest stands [mm].
    """

    radius_mm: Floats
    error_deg: Floats
    distortion: Floats
    rms: float
    worst: float
    worst_radius_mm: float


def side_distortion(
    alignment: Alignment,
    limits: GrooveLimits,
    *,
    turn_deg: float = 0.0,
    velocity_cm_s: float = 10.0,
    speed_rpm: float = LONG_PLAY_RPM,
    points: int = 401,
) -> Side:
    """Second harmonic of the tracking error across a side.

    Parameters
    ----------
    alignment : Alignment
        Setting of the pickup on its arm.
    limits : GrooveLimits
        Recorded radii.
    turn_deg : float, optional
        Body turned on top of the offset, + = clockwise seen from above; takes itself off the tracking
        error, because the offset turns the nose clockwise too [degrees].
    velocity_cm_s : float, optional
        Peak lateral velocity [cm/s].
    speed_rpm : float, optional
        Disc speed [r/min].
    points : int, optional
        Radii on the grid.

    Returns
    -------
    Side
        NaN figures where the arm cannot reach a radius.
    """
    r = np.linspace(limits.inner_mm, limits.outer_mm, points)
    error = tracking_error_deg(
        r,
        effective_length_mm=alignment.effective_length_mm,
        overhang_mm=alignment.overhang_mm,
        offset_deg=alignment.offset_deg + turn_deg,
    )
    hd2 = lateral_distortion(error, radius_mm=r, velocity_cm_s=velocity_cm_s, speed_rpm=speed_rpm)
    mean_square = float(np.trapezoid(hd2**2, r)) / (limits.outer_mm - limits.inner_mm)
    worst = int(np.argmax(hd2))
    return Side(r, error, hd2, float(np.sqrt(mean_square)), float(hd2[worst]), float(r[worst]))

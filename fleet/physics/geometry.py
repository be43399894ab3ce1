"""Angles of a stylus, a cantilever and the body that holds them: exact rotations, in degrees.

Signs, everywhere in this package (records, code, screens, exports):

=============  =====================================================================================
SRA            90 = upright; grows when the pickup's tail goes up
VTA            record surface to the line from stylus tip to pivot; grows when the tail goes up
tilt           body pitch away from a level headshell; + = tail up, raises SRA and VTA one for one
roll, azimuth  + = clockwise, facing the pickup's nose (the top leans away from the disc centre)
zenith, yaw    + = clockwise seen from the record's side, looking at the tip (anticlockwise from above)
=============  =====================================================================================

Inside, one right-handed frame at the stylus tip carries the vectors: x = the way the groove surface
moves (from pivot to tip, seen from above), z = up, y = away from the disc centre on a disc that turns
clockwise. Rotations are ``Rz(yaw) Ry(pitch) Rx(roll about +x)``; a roll about +x is *minus* the roll of
the table above. Only this module turns one sign into the other.

Worked orientation: at 22 degrees a cantilever points along (0.927, 0, -0.375); a tilt of +1 (tail up,
nose down) makes it 23, and 92 degrees of rake become 93.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
"""Array of floats, or a numpy scalar where every input was a scalar."""


def sind(angle_deg: ArrayLike) -> Floats:
    """Sine of an angle [degrees]."""
    out: Floats = np.sin(np.radians(np.asarray(angle_deg, dtype=float)))
    return out


def cosd(angle_deg: ArrayLike) -> Floats:
    """Cosine of an angle [degrees]."""
    out: Floats = np.cos(np.radians(np.asarray(angle_deg, dtype=float)))
    return out


def tand(angle_deg: ArrayLike) -> Floats:
    """Tangent of an angle [degrees]."""
    out: Floats = np.tan(np.radians(np.asarray(angle_deg, dtype=float)))
    return out


@dataclass(frozen=True)
class Stance:
    """How cantilever and stylus stand in space, as a fixed observer reads them.

    All in degrees and in the signs of this module; arrays of one shape, or scalars.

    Attributes
    ----------
    vta_deg : ndarray
        True inclination of the cantilever line to the record.
    sra_deg : ndarray
        Rake of the contact edge, read in the fixed side view.
    azimuth_deg : ndarray
        Lean of the contact edge, read in the fixed front view.
    zenith_deg : ndarray
        Turn of the contact edge across the groove, seen from the record's side, looking at the tip.
    cantilever_yaw_deg : ndarray
        Turn of the cantilever in the same view and sense as the zenith.
    """

    vta_deg: Floats
    sra_deg: Floats
    azimuth_deg: Floats
    zenith_deg: Floats
    cantilever_yaw_deg: Floats


def rotate(
    vector: ArrayLike, *, roll_deg: ArrayLike = 0.0, tilt_deg: ArrayLike = 0.0, yaw_deg: ArrayLike = 0.0
) -> Floats:
    """Turn vectors fixed in the body: roll first, then tilt, then yaw, all about the stylus tip.

    Parameters
    ----------
    vector : array_like, shape (3, ...)
        Components along x, y, z of the module's frame.
    roll_deg : array_like, optional
        + = clockwise facing the nose [degrees].
    tilt_deg : array_like, optional
        + = tail up [degrees].
    yaw_deg : array_like, optional
        + = clockwise seen from the record's side, looking at the tip [degrees].

    Returns
    -------
    ndarray, shape (3, ...)
        Turned components; the angles broadcast against the trailing shape.
    """
    x, y, z = np.asarray(vector, dtype=float)
    sr, cr = sind(-np.asarray(roll_deg, float)), cosd(roll_deg)
    sp, cp, sw, cw = sind(tilt_deg), cosd(tilt_deg), sind(yaw_deg), cosd(yaw_deg)
    y, z = cr * y - sr * z, sr * y + cr * z
    x, z = cp * x + sp * z, cp * z - sp * x
    x, y = cw * x - sw * y, sw * x + cw * y
    return np.stack(np.broadcast_arrays(x, y, z))


def stance(
    vta_deg: ArrayLike,
    sra_deg: ArrayLike = 90.0,
    *,
    azimuth_deg: ArrayLike = 0.0,
    zenith_deg: ArrayLike = 0.0,
    roll_deg: ArrayLike = 0.0,
    tilt_deg: ArrayLike = 0.0,
    yaw_deg: ArrayLike = 0.0,
) -> Stance:
    """Read the angles of a unit whose body has been rolled, tilted and yawed, exactly.

    Parameters
    ----------
    vta_deg, sra_deg, azimuth_deg, zenith_deg : array_like
        The unit on a level, straight, upright body [degrees]. The edge that sets the zenith lies level.
    roll_deg, tilt_deg, yaw_deg : array_like, optional
        What is done to the body, as for `rotate` [degrees].

    Returns
    -------
    Stance
        What an observer who stays where he is reads afterwards. Derived; the matrices of `rotate`.

    Examples
    --------
    >>> round(float(stance(22.0, 92.0, tilt_deg=1.0).sra_deg), 6)
    93.0
    """
    cantilever = (cosd(vta_deg), 0.0 * cosd(vta_deg), -sind(vta_deg))
    edge = (-cosd(sra_deg) / sind(sra_deg), tand(azimuth_deg), 1.0)
    across = (-sind(zenith_deg), cosd(zenith_deg), 0.0)
    turns = {"roll_deg": roll_deg, "tilt_deg": tilt_deg, "yaw_deg": yaw_deg}
    d, u, e = (rotate(np.stack(np.broadcast_arrays(*v)), **turns) for v in (cantilever, edge, across))
    return Stance(
        vta_deg=np.degrees(np.arctan2(-d[2], np.hypot(d[0], d[1]))),
        sra_deg=np.degrees(np.arctan2(u[2], -u[0])),
        azimuth_deg=np.degrees(np.arctan2(u[1], u[2])),
        zenith_deg=np.degrees(np.arctan2(-e[0], e[1])),
        cantilever_yaw_deg=np.degrees(np.arctan2(d[1], d[0])),
    )


def apparent_yaw_deg(vta_deg: ArrayLike, roll_deg: ArrayLike, *, tilt_deg: ArrayLike = 0.0) -> Floats:
    """Turn that a straight but sloping cantilever *seems* to have because the body is rolled.

    On a level headshell ``-atan(tan(vta) sin(roll))``; exact. A "bent cantilever" is to be tested
    against this figure first.

    Parameters
    ----------
    vta_deg : array_like
        Tracking angle before roll and tilt [degrees].
    roll_deg : array_like
        Body roll, + = clockwise facing the nose [degrees].
    tilt_deg : array_like, optional
        Tilt put on after the roll [degrees].

    Returns
    -------
    ndarray
        Apparent turn in the zenith's sense [degrees]; a positive roll gives a negative figure.
    """
    return stance(vta_deg, roll_deg=roll_deg, tilt_deg=tilt_deg).cantilever_yaw_deg


def zenith_alignment_deg(
    zenith_deg: ArrayLike, vta_deg: ArrayLike = 0.0, roll_deg: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Give the two figures by which a zenith error is corrected, both + = clockwise seen from above.

    Parameters
    ----------
    zenith_deg : array_like
        Zenith error as read, + = clockwise seen from the record's side, looking at the tip [degrees].
    vta_deg : array_like, optional
        Tracking angle of the unit [degrees].
    roll_deg : array_like, optional
        Roll built into the mounting, + = clockwise facing the nose [degrees].

    Returns
    -------
    (ndarray, ndarray)
        How far to turn the body, which is the reading itself (in play the error has the other sense, so
        the cure has the same one); and where the cantilever then stands, the reading plus
        ``atan(tan(vta) sin(roll))`` [degrees]. Exact for a zenith read on the mounted, rolled body.
    """
    turn, yaw = np.broadcast_arrays(np.asarray(zenith_deg, float), apparent_yaw_deg(vta_deg, roll_deg))
    return turn[()], (turn - yaw)[()]


def arm_height_change_mm(
    tilt_deg: ArrayLike, arm_length_mm: ArrayLike, *, start_deg: ArrayLike = 0.0
) -> Floats:
    """Rise of the arm's vertical bearing that tilts the body, the tip staying on the record.

    ``L (sin(start + tilt) - sin(start))``; exact (derived). A record thicker by as much does the same,
    downwards.

    Parameters
    ----------
    tilt_deg : array_like
        Tilt wanted, + = tail up [degrees].
    arm_length_mm : array_like
        Stylus tip to vertical bearing [mm].
    start_deg : array_like, optional
        Slope of the line from tip to bearing before the change [degrees].

    Returns
    -------
    ndarray
        Height change [mm], + = up.
    """
    start = np.asarray(start_deg, float)
    out: Floats = np.asarray(arm_length_mm, float) * (sind(start + np.asarray(tilt_deg, float)) - sind(start))
    return out


def tilt_from_arm_height_deg(
    height_change_mm: ArrayLike, arm_length_mm: ArrayLike, *, start_deg: ArrayLike = 0.0
) -> Floats:
    """Tilt that a rise of the arm's bearing gives: the inverse of `arm_height_change_mm` [degrees].

    NaN where the height is more than the arm is long.
    """
    start = np.asarray(start_deg, float)
    sine = np.asarray(height_change_mm, float) / np.asarray(arm_length_mm, float) + sind(start)
    with np.errstate(invalid="ignore"):
        out: Floats = np.degrees(np.arcsin(sine)) - start
    return out

"""Angles of a stylus, a cantilever and the body that holds them: exact rotations, in degrees.

Signs, everywhere in this package (records, code, screens, exports):

=============  =====================================================================================
SRA            90 = upright; grows when the pickup's tail goes up
VTA            record surface to the line from stylus tip to pivot; grows when the tail goes up
tilt           body pitch away from a level headshell; + = tail up, raises SRA and VTA one for one
roll, azimuth  + = clockwise, facing the pickup's nose (the top leans away from the disc centre)
zenith, yaw    + = clockwise seen with the stylus pointing at the eye (anticlockwise from above in play)
=============  =====================================================================================

Inside, one right-handed frame at the stylus tip carries the vectors: x = the way the groove surface
moves (from pivot to tip, seen from above), z = up, y = away from the disc centre on a disc that turns
clockwise. Rotations are ``Rz(yaw) Ry(pitch) Rx(roll about +x)``; a roll about +x is *minus* the roll of
the table above. Only this module turns one sign into the other.

Worked orientation: at 22 degrees a cantilever points along (0.927, 0, -0.375); a tilt of +1 (tail up,
nose down) makes it 23, and 92 degrees of rake become 93.
"""

from __future__ import annotations

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

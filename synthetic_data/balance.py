"""How a loaded cantilever stands: the invented world's own balance of moments, solved by halving.

A rigid cantilever of length L turns about a fixed pivot against a torsion spring of stiffness k that
stiffens as it is bent. At its tip the groove lifts with N and drags along with mu N, and both flatten it:

    k (d + h d^3) = N L (cos t + mu sin t),   d = free angle - t   [radians]

Source: derived (potential energy of spring, lift and drag, derivative set to zero), as in the world's
README. `fleet` solves the same balance by another method, in other code; neither imports the other, so
that either can find the other wrong.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_HALVINGS = 60


def stiffness_un_m(compliance_um_per_mn: Floats, length_mm: Floats, still_deg: Floats) -> Floats:
    """Stiffness that gives the tip this static compliance at this angle [uN m/rad].

    A force F at the tip has the moment F L cos t, turns the cantilever by that over k and lifts the tip by
    L cos t times the turn: ``C = L^2 cos^2 t / k`` (derived; 1 um/mN = 1e-3 mm/mN).
    """
    lever_mm = length_mm * np.cos(np.radians(still_deg))
    stiffness: Floats = lever_mm * lever_mm / (1e-3 * compliance_um_per_mn)
    return stiffness


def free_from_still_deg(still_deg: Floats, vtf_mn: Floats, length_mm: Floats, k: Floats, h: float) -> Floats:
    """Free angle [degrees] whose loaded still angle is `still_deg`: ``d + h d^3 = N L cos(still) / k``.

    The cubic has one real root, written with sinh (derived).
    """
    torque = vtf_mn * length_mm * np.cos(np.radians(still_deg)) / k
    root = np.sqrt(3.0 * h)
    deflection = 2.0 / root * np.sinh(np.arcsinh(1.5 * root * torque) / 3.0) if h > 0.0 else torque
    free: Floats = still_deg + np.degrees(deflection)
    return free


def settled_deg(
    free_deg: Floats, k: Floats, vtf_mn: Floats, length_mm: Floats, drag_ratio: Floats | float, h: float
) -> Floats:
    """Angle at which spring, lift and drag balance, within 1e-12 degrees for any real suspension.

    Parameters
    ----------
    free_deg : array, shape (n,)
        Angle of the unloaded cantilever [degrees].
    k : array, shape (n,)
        Stiffness of the spring for small deflections [uN m/rad].
    vtf_mn, length_mm : array, shape (n,)
        Force the groove carries [mN]; pivot to tip [mm].
    drag_ratio : array, shape (n,), or float
        Drag over that force; 0 on a still record.
    h : float
        Stiffening of the spring [1/rad^2], >= 0.

    Returns
    -------
    array, shape (n,)
        Angle [degrees].
    """
    free = np.radians(free_deg)
    load = vtf_mn * length_mm / k
    # |d| <= |d + h d^3| = load |cos t + mu sin t|: the balance can stand no further out than this.
    far = load * np.sqrt(1.0 + np.square(drag_ratio))
    low, high = -far, far
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        angle = free - middle
        held = middle + h * middle**3 >= load * (np.cos(angle) + drag_ratio * np.sin(angle))
        low, high = np.where(held, low, middle), np.where(held, middle, high)
    angle_deg: Floats = np.degrees(free - 0.5 * (low + high))
    return angle_deg

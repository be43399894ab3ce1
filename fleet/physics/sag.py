"""Drag and sag: how the tip's friction on a turning record straightens the cantilever.

A rigid cantilever of length L turns about a fixed pivot against a torsion spring of stiffness k and
free angle t0. At the tip the groove pushes up with the tracking force N and drags along with mu N
(mu = drag over tracking force). The tip hangs below the pivot, so both moments flatten the cantilever:

    k (d + hardening d^3) = N L (cos t + mu sin t),   d = t0 - t   [radians]

Still record: mu = 0, angle ``vta_still``. Turning record: the angle falls by the **sag**, and SRA
falls with VTA by the same amount. Sag is >= 0 in truth; a *reading* of it may be negative.

Units make the moments come out by themselves: mN x mm = uN m, and 1 um/mN = 1e-3 mm/mN, so with the
compliance C in um/mN the stiffness is ``1000 L^2 cos^2 t / C`` in uN m/rad.

Source of every formula here: derived from the balance above (potential energy of spring, lift and
drag, derivative set to zero). The compliance meant is the *static* one of the spring alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.physics.geometry import Floats, cosd, sind, tand

_MOST_STEPS = 100
_TOLERANCE_RAD = 1e-13


def _asarrays(*values: ArrayLike) -> list[Floats]:
    return [np.asarray(v, dtype=float) for v in values]


def _floats(*values: ArrayLike) -> list[Floats]:
    """Give the values as float arrays, broadcast against each other."""
    return [np.array(a) for a in np.broadcast_arrays(*_asarrays(*values))]


@np.errstate(all="ignore")
def _solve_deflection(free_rad: ArrayLike, softness: ArrayLike, drag: ArrayLike, hard: ArrayLike) -> Floats:
    """Solve ``d + hard d^3 = q (cos(t0 - d) + mu sin(t0 - d))`` for the deflection d [radians].

    Newton's steps, kept inside a bracket that shrinks with each; a step that leaves it is replaced by
    its middle. ``q = N L / k`` is the softness [radians]. NaN in gives NaN out.
    """
    t0, q, mu, h = _asarrays(free_rad, softness, drag, hard)
    root, settled = _quick_deflection(t0, q, mu, h)
    bound = np.abs(q) * np.hypot(1.0, mu)
    settled &= (bound < 1.0) & (h >= 0)
    if settled.all():
        return root
    t0, q, mu, h, high = (x.ravel() for x in _floats(t0, q, mu, h, bound))
    shape, root = root.shape, np.where(settled, root, np.nan).ravel()
    known = np.isfinite(t0) & np.isfinite(high) & np.isfinite(h) & (h >= 0)
    todo = np.flatnonzero(known & ~settled.ravel())
    t0, q, mu, h, high = t0[todo], q[todo], mu[todo], h[todo], high[todo]
    low = -high
    d = np.clip(q * (np.cos(t0) + mu * np.sin(t0)), low, high)
    for _ in range(_MOST_STEPS):
        lift, drop = np.cos(t0 - d), np.sin(t0 - d)
        excess = d + h * d**3 - q * (lift + mu * drop)
        slope = 1.0 + 3.0 * h * d**2 - q * (drop - mu * lift)
        low, high = np.where(excess <= 0, d, low), np.where(excess >= 0, d, high)
        trial = d - excess / slope
        new = np.where((trial >= low) & (trial <= high), trial, 0.5 * (low + high))
        done, d = np.abs(new - d) <= _TOLERANCE_RAD, new
        if done.all():
            break
    root[todo[done]] = d[done]
    return root.reshape(shape)


def _quick_deflection(t0: Floats, q: Floats, mu: Floats, h: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Three of Halley's steps from 0 towards the same root, and where they have settled.

    Each step cubes what is left: a last one below 1e-5 leaves less than 1e-13.  There is no other root where
    ``|q| hypot(1, mu) < 1``.  The last sine and cosine are turned on by a series, exact to 1e-15 below 0.01.
    """
    d = _halley_step(0.0, np.cos(t0), np.sin(t0), q, mu, h)
    lift, drop = np.cos(t0 - d), np.sin(t0 - d)
    step = _halley_step(d, lift, drop, q, mu, h)
    d, turned = d + step, np.abs(step) < 0.01
    square = step**2
    even = 1.0 - square / 2.0 * (1.0 - square / 12.0)
    odd = step * (1.0 - square / 6.0 * (1.0 - square / 20.0))
    lift, drop = lift * even + drop * odd, drop * even - lift * odd
    step = _halley_step(d, lift, drop, q, mu, h)
    return d + step, turned & (np.abs(step) < 1e-5)


def _halley_step(d: Floats | float, lift: Floats, drop: Floats, q: Floats, mu: Floats, h: Floats) -> Floats:
    """What Halley's method adds to ``d``; lift and drop are cosine and sine of the angle there."""
    dragged = bool(np.any(mu))
    pull = q * (lift + mu * drop if dragged else lift)
    excess, slope, bend = d - pull, 1.0 - q * (drop - mu * lift if dragged else drop), pull
    if np.any(h):
        hardening = h * d * d
        excess, slope, bend = excess + hardening * d, slope + 3.0 * hardening, pull + 6.0 * h * d
    return np.asarray(-excess * slope / (slope**2 - 0.5 * excess * bend))


def stiffness_un_m(
    compliance_um_per_mn: ArrayLike, cantilever_length_mm: ArrayLike, vta_deg: ArrayLike
) -> Floats:
    """Torsional stiffness of the suspension that gives the tip this vertical compliance.

    Parameters
    ----------
    compliance_um_per_mn : array_like
        Static vertical compliance of the spring alone, at the tip [um/mN].
    cantilever_length_mm : array_like
        Pivot to tip [mm].
    vta_deg : array_like
        Angle at which the compliance holds: loaded, record still [degrees].

    Returns
    -------
    ndarray
        ``1000 L^2 cos^2(vta) / C`` [uN m/rad]; broadcast shape of the inputs. Derived.
    """
    length, compliance = np.asarray(cantilever_length_mm, float), np.asarray(compliance_um_per_mn, float)
    out: Floats = 1000.0 * (length * cosd(vta_deg)) ** 2 / compliance
    return out


def static_deflection_deg(
    vtf_mn: ArrayLike, compliance_um_per_mn: ArrayLike, cantilever_length_mm: ArrayLike, vta_deg: ArrayLike
) -> Floats:
    """Angle the cantilever loses when it is loaded at all: free angle minus still angle.

    ``N C / (L cos vta)`` turned into degrees; exact for the linear spring (derived).

    Parameters
    ----------
    vtf_mn : array_like
        Tracking force [mN].
    compliance_um_per_mn : array_like
        Static compliance [um/mN].
    cantilever_length_mm : array_like
        Pivot to tip [mm].
    vta_deg : array_like
        Loaded angle, record still [degrees].

    Returns
    -------
    ndarray
        Deflection [degrees]; broadcast shape of the inputs.
    """
    force, compliance = np.asarray(vtf_mn, float), np.asarray(compliance_um_per_mn, float)
    length = np.asarray(cantilever_length_mm, float)
    out: Floats = np.degrees(force * compliance / (1000.0 * length * cosd(vta_deg)))
    return out


def sag_scale_deg(
    vtf_mn: ArrayLike, compliance_um_per_mn: ArrayLike, cantilever_length_mm: ArrayLike, vta_deg: ArrayLike
) -> Floats:
    """Sag for each unit of drag ratio, first order: ``N C tan(vta) / (L cos vta)`` in degrees.

    Times the drag ratio it is the sag, within 1.2 % where N C / L is at most 0.03 and within 6 % up to
    0.15 (derived; measured against `sag_exact_deg`).

    Parameters
    ----------
    vtf_mn, compliance_um_per_mn, cantilever_length_mm, vta_deg : array_like
        As for `static_deflection_deg` [mN, um/mN, mm, degrees].

    Returns
    -------
    ndarray
        Scale [degrees]; broadcast shape of the inputs; NaN where an input is NaN.
    """
    return static_deflection_deg(vtf_mn, compliance_um_per_mn, cantilever_length_mm, vta_deg) * tand(vta_deg)


def equilibrium_deg(
    free_angle_deg: ArrayLike,
    stiffness: ArrayLike,
    vtf_mn: ArrayLike,
    length_mm: ArrayLike,
    drag_ratio: ArrayLike,
    hardening: ArrayLike = 0.0,
) -> Floats:
    """Tracking angle at which spring, lift and drag balance, solved exactly.

    Parameters
    ----------
    free_angle_deg : array_like
        Angle of the unloaded cantilever [degrees].
    stiffness : array_like
        Torsional stiffness for small deflections [uN m/rad].
    vtf_mn : array_like
        Force the groove carries [mN].
    length_mm : array_like
        Pivot to tip [mm].
    drag_ratio : array_like
        Drag over that force; 0 for a still record.
    hardening : array_like, optional
        Stiffening of the spring: torque ``k (d + hardening d^3)``, d in radians [1/rad^2], >= 0.

    Returns
    -------
    ndarray
        Angle [degrees]; broadcast shape of the inputs; NaN where an input is NaN or has no meaning.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        softness = np.asarray(vtf_mn, float) * np.asarray(length_mm, float) / np.asarray(stiffness, float)
    free_rad = np.radians(np.asarray(free_angle_deg, float))
    out: Floats = np.degrees(free_rad - _solve_deflection(free_rad, softness, drag_ratio, hardening))
    return out[()]


def sag_exact_deg(
    vtf_mn: ArrayLike,
    compliance_um_per_mn: ArrayLike,
    cantilever_length_mm: ArrayLike,
    vta_still_deg: ArrayLike,
    drag_ratio: ArrayLike,
) -> Floats:
    """Sag from the exact equilibrium: still angle minus the angle on a turning record.

    Parameters
    ----------
    vtf_mn : array_like
        Tracking force [mN].
    compliance_um_per_mn : array_like
        Static compliance, spring alone [um/mN].
    cantilever_length_mm : array_like
        Pivot to tip [mm].
    vta_still_deg : array_like
        Loaded angle, record still [degrees].
    drag_ratio : array_like
        Drag over tracking force, moving record.

    Returns
    -------
    ndarray
        Sag [degrees], positive when drag is; broadcast shape; NaN where an input is NaN. Derived.
    """
    deflection = static_deflection_deg(vtf_mn, compliance_um_per_mn, cantilever_length_mm, vta_still_deg)
    softness = np.radians(deflection) / cosd(vta_still_deg)
    free_rad = np.radians(np.asarray(vta_still_deg, float) + deflection)
    moving = _solve_deflection(free_rad, softness, drag_ratio, 0.0)
    out: Floats = np.degrees(moving - np.radians(deflection))
    return out[()]


def soften(
    vta_still_deg: ArrayLike, sag_deg: ArrayLike, static_deflection_deg: ArrayLike, factor: ArrayLike
) -> tuple[Floats, Floats]:
    """Still angle and sag of the same unit if its suspension were `factor` times as soft.

    Free angle, force, length and friction stay; the friction is the one that explains `sag_deg`. A soft
    unit sinks by degrees, and because it sinks its sag grows by less than the factor: the two belong
    together.

    Parameters
    ----------
    vta_still_deg, sag_deg : array_like
        The unit as it is: loaded still angle, and sag (any sign) [degrees].
    static_deflection_deg : array_like
        What `static_deflection_deg` gives for it with its *true* static compliance [degrees].
    factor : array_like
        Compliance over what it was; 1 gives the unit back, 2 is twice as soft. Must be positive.

    Returns
    -------
    (ndarray, ndarray)
        Still angle and sag of the changed unit [degrees]; NaN where an input is NaN, or where the angle
        is so near zero that friction has no lever.
    """
    still, sag, deflection, times = _asarrays(vta_still_deg, sag_deg, static_deflection_deg, factor)
    moving = still - sag
    with np.errstate(divide="ignore", invalid="ignore"):
        softness = np.radians(deflection) / cosd(still)
        drag = ((np.radians(deflection + sag)) / softness - cosd(moving)) / sind(moving)
        drag = np.where(np.abs(sind(moving)) > 1e-3, drag, np.nan)
        softer = np.where(times > 0, softness * times, np.nan)
    free_rad = np.radians(still + deflection)
    new_still = free_rad - _solve_deflection(free_rad, softer, 0.0, 0.0)
    new_moving = free_rad - _solve_deflection(free_rad, softer, drag, 0.0)
    return np.degrees(new_still)[()], np.degrees(new_still - new_moving)[()]


def pressed_deg(vta_still_deg: ArrayLike, sag_deg: ArrayLike, times: ArrayLike, drag_ratio: float) -> Floats:
    """What `times` the tracking force adds to the still angle of the same unit; below 0 for more force.

    Force and softness enter the balance as a product, so it is that of a suspension `times` as soft. Derived.

    Parameters
    ----------
    vta_still_deg, sag_deg : array_like
        Still angle and sag at the force as it was [degrees].
    times : array_like
        New force over old.
    drag_ratio : float
        Drag over tracking force, which tells the static deflection from the sag.

    Returns
    -------
    ndarray
        Change of the still angle [degrees]; 0 where it can't be told.
    """
    still, sag = np.asarray(vta_still_deg, float), np.asarray(sag_deg, float)
    deflection = sag / (drag_ratio * tand(still))
    out: Floats = np.nan_to_num(soften(still, sag, deflection, times)[0] - still)
    return out

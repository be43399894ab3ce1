"""What an angle error costs: second harmonic of a tracking error, time skew of a twisted contact edge.

**Tracking error, lateral or vertical.** A stylus that moves along a line inclined by the error reads the
groove at the wrong place, ahead or behind in step with the signal: ``t = t' + m sin(...)``, Kepler's
equation with eccentricity m. Its Fourier series is known, so the harmonics of the velocity output follow:
``HD_n = J_n(n m) / J_1(m)``, about m for the second. Lateral: ``m = (v/V) |tan(error)|``. Vertical:
``m = (v_z/V) |tan(VTA) - tan(recorded angle)|``. v is the peak recorded velocity along or normal to the
disc, V the groove speed. Derived; the same mathematics as H. G. Baerwald, "Analytic Treatment of Tracking
Error and Notes on Optimal Pick-up Design", J. SMPE 37 (1941).

**Contact edge turned on a straight cantilever (zenith error).** No tracking error arises: each wall is
read early or late by ``s = (w/2) sin(z) (1 - r/R)``, w the separation of the contact points, r and R the
radii along and across the groove. That is a time skew ``2 s / V`` between the channels, and a
lateral-to-vertical crosstalk ``tan(2 pi f s / V)`` in quadrature. Derived; elastic contact left out.

Velocities are peak [cm/s]; distortions and crosstalk amplitudes are ratios unless the name says dB or
percent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.physics.geometry import Floats, sind, tand

LONG_PLAY_RPM = 100.0 / 3.0
"""Disc speed of a long-playing record [r/min]."""

_TERMS = 24


def groove_speed_mm_s(radius_mm: ArrayLike, *, speed_rpm: ArrayLike = LONG_PLAY_RPM) -> Floats:
    """Speed of the groove under the stylus [mm/s] at a radius [mm]."""
    out: Floats = 2.0 * np.pi * np.asarray(speed_rpm, float) / 60.0 * np.asarray(radius_mm, float)
    return out


def _bessel_over_lead(order: int, x: Floats) -> Floats:
    """``J_order(x) / (x/2)^order`` by its power series; exact to rounding for |x| <= 6."""
    quarter = 0.25 * x * x
    term = np.ones_like(x)
    for k in range(2, order + 1):
        term = term / k
    total = term.copy()
    for k in range(1, _TERMS):
        term = -term * quarter / (k * (k + order))
        total = total + term
    return total


def harmonic_ratio(index: ArrayLike, *, order: int = 2) -> Floats:
    """Harmonic of the velocity output over its fundamental, for a modulation index m of the reading.

    Parameters
    ----------
    index : array_like
        Eccentricity m of Kepler's equation, 0 <= m < 1.
    order : int, optional
        2 = second harmonic.

    Returns
    -------
    ndarray
        ``J_n(n m) / J_1(m)`` (a ratio); NaN for m outside 0..1, where the groove would be read backwards.
        The displacement has the same divided by the order.
    """
    m = np.asarray(index, dtype=float)
    with np.errstate(invalid="ignore"):
        m = np.where((m >= 0.0) & (m < 1.0), m, np.nan)
    lead = (0.5 * order * m) ** (order - 1) * order
    out: Floats = lead * _bessel_over_lead(order, order * m) / _bessel_over_lead(1, m)
    return out[()]


def lateral_index(
    error_deg: ArrayLike,
    *,
    radius_mm: ArrayLike,
    velocity_cm_s: ArrayLike = 10.0,
    speed_rpm: ArrayLike = LONG_PLAY_RPM,
) -> Floats:
    """Modulation index of a lateral tracking error; also the peak frequency change of a high tone.

    Parameters
    ----------
    error_deg : array_like
        Motion axis of the pickup against the groove's tangent [degrees].
    radius_mm : array_like
        Groove radius [mm].
    velocity_cm_s : array_like, optional
        Peak lateral velocity [cm/s].
    speed_rpm : array_like, optional
        Disc speed [r/min].

    Returns
    -------
    ndarray
        m, a ratio.
    """
    speed = groove_speed_mm_s(radius_mm, speed_rpm=speed_rpm)
    out: Floats = 10.0 * np.asarray(velocity_cm_s, float) / speed * np.abs(tand(error_deg))
    return out


def vertical_index(
    vta_deg: ArrayLike,
    recorded_deg: ArrayLike,
    *,
    radius_mm: ArrayLike,
    velocity_cm_s: ArrayLike = 5.0,
    speed_rpm: ArrayLike = LONG_PLAY_RPM,
) -> Floats:
    """Modulation index of a tracking angle that differs from the recorded one.

    Parameters
    ----------
    vta_deg, recorded_deg : array_like
        Tracking angle in play and angle at which the record was cut [degrees].
    radius_mm, speed_rpm : array_like
        As for `lateral_index` [mm], [r/min].
    velocity_cm_s : array_like, optional
        Peak velocity normal to the disc [cm/s].

    Returns
    -------
    ndarray
        m, a ratio.
    """
    speed = groove_speed_mm_s(radius_mm, speed_rpm=speed_rpm)
    out: Floats = 10.0 * np.asarray(velocity_cm_s, float) / speed * np.abs(tand(vta_deg) - tand(recorded_deg))
    return out


def lateral_distortion(
    error_deg: ArrayLike,
    *,
    radius_mm: ArrayLike,
    velocity_cm_s: ArrayLike = 10.0,
    speed_rpm: ArrayLike = LONG_PLAY_RPM,
) -> Floats:
    """Second harmonic of a lateral tracking error, as a ratio; parameters as for `lateral_index`."""
    return harmonic_ratio(
        lateral_index(error_deg, radius_mm=radius_mm, velocity_cm_s=velocity_cm_s, speed_rpm=speed_rpm)
    )


def vertical_distortion(
    vta_deg: ArrayLike,
    recorded_deg: ArrayLike,
    *,
    radius_mm: ArrayLike,
    velocity_cm_s: ArrayLike = 5.0,
    speed_rpm: ArrayLike = LONG_PLAY_RPM,
) -> Floats:
    """Second harmonic of a vertical mismatch, as a ratio; parameters as for `vertical_index`.

    Recorded angles were found at about 15 to 24 degrees, so the figure belongs to a stated record, not
    to a pickup alone.
    """
    return harmonic_ratio(
        vertical_index(
            vta_deg, recorded_deg, radius_mm=radius_mm, velocity_cm_s=velocity_cm_s, speed_rpm=speed_rpm
        )
    )


def contact_separation_um(across_radius_um: ArrayLike) -> Floats:
    """Distance between the two contacts of a tip of this radius in a 90 degree groove: R sqrt(2) [um]."""
    out: Floats = np.sqrt(2.0) * np.asarray(across_radius_um, float)
    return out


def edge_shift_um(
    zenith_deg: ArrayLike,
    *,
    separation_um: ArrayLike,
    scanning_radius_um: ArrayLike = 0.0,
    across_radius_um: ArrayLike = np.inf,
) -> Floats:
    """How early or late each wall is read by a contact edge that is turned [um].

    Parameters
    ----------
    zenith_deg : array_like
        Turn of the edge across the groove [degrees].
    separation_um : array_like
        Distance between the contact points [um].
    scanning_radius_um, across_radius_um : array_like, optional
        Radii along and across the groove [um]; left out = sharp edge. Equal radii = sphere: no shift.

    Returns
    -------
    ndarray
        ``(w/2) sin(z) (1 - r/R)`` [um], in the sign of the zenith error.
    """
    round_off = 1.0 - np.asarray(scanning_radius_um, float) / np.asarray(across_radius_um, float)
    out: Floats = 0.5 * np.asarray(separation_um, float) * sind(zenith_deg) * round_off
    return out


def channel_skew_us(
    shift_um: ArrayLike, *, radius_mm: ArrayLike, speed_rpm: ArrayLike = LONG_PLAY_RPM
) -> Floats:
    """Time between the channels when each wall is read `shift_um` early or late: ``2 s / V`` [us]."""
    speed = groove_speed_mm_s(radius_mm, speed_rpm=speed_rpm)
    out: Floats = 2.0e3 * np.asarray(shift_um, float) / speed
    return out


def skew_phase_deg(skew_us: ArrayLike, frequency_hz: ArrayLike) -> Floats:
    """Phase between the channels that a time skew makes at a frequency [degrees]."""
    out: Floats = 360.0e-6 * np.asarray(skew_us, float) * np.asarray(frequency_hz, float)
    return out

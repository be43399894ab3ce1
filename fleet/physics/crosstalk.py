"""Crosstalk of a rotated generator: the two-channel model with complex leakage of its own.

A generator rolled by d in the plane of the 45/45 axes mixes the channels, ``t = tan d``:

    [L']   [1  a] [ 1  t] [L]
    [R'] = [b  1] [-t  1] [R]

with a (right into left) and b (left into right) the pickup's own leakage, complex because it may be out of
phase. To first order right into left reads ``a + t`` and left into right ``b - t``: a roll moves the two
in-phase parts in opposite directions and never touches the quadrature parts. So

- the least total power is reached by a further body roll of ``(Re b - Re a) / 2``,
- equal crosstalk figures are another setting, and in general not the best one,
- a leakage with ``a = -b``, both in phase, cannot be told from a rolled generator; the cure is the same.

Roll is in the sign of the records: + = clockwise facing the nose, right channel on the outer wall, lateral
motion in phase. Turning the body by r turns the generator by the same r. Source: derived (exact for a body
roll as well). Crosstalk is written as a complex ratio, undriven over driven channel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.physics.geometry import Floats, tand

Complexes = NDArray[np.complex128]
"""Array of complex ratios, or a numpy scalar."""


def decibel(ratio: ArrayLike) -> Floats:
    """Level of an amplitude ratio, real or complex [dB]; minus infinity for nothing at all."""
    with np.errstate(divide="ignore"):
        out: Floats = 20.0 * np.log10(np.abs(np.asarray(ratio)))
    return out


def phasor(level_db: ArrayLike, phase_deg: ArrayLike = 0.0) -> Complexes:
    """Complex ratio of a level [dB] and a phase [degrees]."""
    angle = np.radians(np.asarray(phase_deg, float))
    out: Complexes = 10.0 ** (np.asarray(level_db, float) / 20.0) * np.exp(1j * angle)
    return out


def _complexes(value: ArrayLike) -> Complexes:
    """Give the value as a complex array."""
    out: Complexes = np.asarray(value, dtype=np.complex128)
    return out


def rotated_crosstalk(
    roll_deg: ArrayLike, right_into_left: ArrayLike = 0.0, left_into_right: ArrayLike = 0.0
) -> tuple[Complexes, Complexes]:
    """Crosstalk after a roll, each output against its *own* output from its own channel; exact.

    Parameters
    ----------
    roll_deg : array_like
        Generator roll, or further body roll [degrees].
    right_into_left, left_into_right : array_like of complex, optional
        Own leakage a and b: what the crosstalk is at roll 0 (ratios).

    Returns
    -------
    (ndarray, ndarray)
        Right into left ``(t + a)/(1 - a t)`` and left into right ``(b - t)/(1 + b t)``.
    """
    t = tand(roll_deg)
    a, b = _complexes(right_into_left), _complexes(left_into_right)
    into_left: Complexes = (t + a) / (1.0 - a * t)
    into_right: Complexes = (b - t) / (1.0 + b * t)
    return into_left, into_right


def channel_gain_ratio(
    roll_deg: ArrayLike, right_into_left: ArrayLike, left_into_right: ArrayLike, *, lateral: bool = False
) -> Complexes:
    """Left over right output after a roll, the two generators being equally loud (complex ratio).

    Parameters
    ----------
    roll_deg, right_into_left, left_into_right : array_like
        As for `rotated_crosstalk`.
    lateral : bool, optional
        True: both channels recorded in phase. False: each output from its own one-channel track.

    Returns
    -------
    ndarray
        ``(1 - a t)/(1 + b t)``, or ``(1 - a t + t + a)/(1 + b t + b - t)`` for a lateral signal.
    """
    t = tand(roll_deg)
    a, b = _complexes(right_into_left), _complexes(left_into_right)
    left, right = 1.0 - a * t, 1.0 + b * t
    if lateral:
        left, right = left + t + a, right + b - t
    ratio: Complexes = left / right
    return ratio


def least_power_roll_deg(right_into_left: ArrayLike, left_into_right: ArrayLike) -> Floats:
    """Give the further body roll that makes the total crosstalk power least.

    ``(Re b - Re a) / 2`` radians, first order (within 0.01 degree up to -25 dB). The bench's
    `azimuth_electrical_deg` is minus this figure.

    Parameters
    ----------
    right_into_left, left_into_right : array_like of complex
        Crosstalk now, as complex ratios.

    Returns
    -------
    ndarray
        Roll [degrees], + = clockwise facing the nose.
    """
    a, b = _complexes(right_into_left), _complexes(left_into_right)
    out: Floats = np.degrees(0.5 * (b.real - a.real))
    return out

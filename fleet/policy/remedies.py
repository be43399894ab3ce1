"""How a tilt is made and what it costs: arm, stock wedge or made wedge; the price of bench time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fleet.policy.policy import DECIMAL_SLACK_DEG, Policy

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def made_wedge(tilt_deg: ArrayLike, policy: Policy) -> NDArray[np.bool_]:
    """Tell whether a tilt needs a wedge made to measure.

    It does if it is beyond the arm's own range and off every stock wedge by more than the tolerance; a
    wedge serves both senses, turned round.

    Parameters
    ----------
    tilt_deg
        Tilts [deg], any shape; NaN needs none.

    Returns
    -------
    ndarray of bool
        Same shape.
    """
    tilt = np.asarray(tilt_deg, dtype=float)
    low, high = policy.arm_only_deg
    needed = (tilt < low - DECIMAL_SLACK_DEG) | (tilt > high + DECIMAL_SLACK_DEG)
    for stock in policy.stock_wedges_deg:
        needed &= np.abs(np.abs(tilt) - abs(stock)) > policy.stock_tolerance_deg + DECIMAL_SLACK_DEG
    return np.asarray(needed)


def remedy(tilt_deg: ArrayLike, policy: Policy) -> NDArray[np.object_]:
    """Name how a tilt is made: `none`, `arm_only`, `stock_wedge` or `made_wedge`.

    Parameters
    ----------
    tilt_deg
        Tilts [deg], any shape. A tilt of exactly zero needs no remedy.

    Returns
    -------
    ndarray of object
        The bench sheet's words; None where the tilt is NaN.
    """
    tilt = np.asarray(tilt_deg, dtype=float)
    low, high = policy.arm_only_deg
    words = np.full(tilt.shape, "stock_wedge", dtype=object)
    words[(tilt >= low - DECIMAL_SLACK_DEG) & (tilt <= high + DECIMAL_SLACK_DEG)] = "arm_only"
    words[np.abs(tilt) <= DECIMAL_SLACK_DEG] = "none"
    words[made_wedge(tilt, policy)] = "made_wedge"
    words[np.isnan(tilt)] = None
    return words


def price(minutes: ArrayLike, wedge_made: ArrayLike, policy: Policy) -> NDArray[np.float64]:
    """Charge for bench time and wedge: base fee + hourly rate x time + wedge fee, rounded (halves up).

    Parameters
    ----------
    minutes
        Bench time [min].
    wedge_made
        Whether a wedge is made to measure, or the chance of it; broadcast against `minutes`.

    Returns
    -------
    ndarray of float
        Price in the policy's currency; NaN where the policy names no hourly rate.
    """
    time, wedge = np.broadcast_arrays(np.asarray(minutes, dtype=float), np.asarray(wedge_made, dtype=float))
    if policy.hourly_rate is None:
        return np.full(time.shape, np.nan)
    total = policy.base_fee + policy.hourly_rate * time / 60.0 + policy.wedge_fee * wedge
    if policy.rounding > 0:
        total = np.floor(total / policy.rounding + 0.5) * policy.rounding
    return np.asarray(total)

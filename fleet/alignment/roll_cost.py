"""Cost of a body roll, where it is least, how sure that is, and how flat.

With x and y the crosstalk right into left and left into right (complex, each against its own channel), the
cost of a roll is

    (|x| - |y|)^2  +  w_phase 4 |x| |y| sin^2((phase x - phase y) / 2)  +  w_balance (lateral imbalance)^2

Levels balanced, phases balanced, and (less) a lateral signal equally loud left and right. With ``w_phase =
1`` the first two terms are ``|x - y|^2`` exactly, whose minimum is the setting of least crosstalk power, for
a roll changes ``x - y`` and leaves ``x + y``. Below `RollWeights.phase_from_db` the phase counts more, as
common practice has it (no published source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fleet.physics.crosstalk import channel_gain_ratio, decibel, rotated_crosstalk

if TYPE_CHECKING:
    from fleet.alignment.roll_fit import Channels
    from fleet.physics.crosstalk import Complexes
    from fleet.physics.geometry import Floats

SEARCH_DEG: Final = 12.0
"""Rolls beyond this are no setting of a pickup [degrees]."""


@dataclass(frozen=True, kw_only=True)
class RollWeights:
    """What counts how much; every default is a choice of ours in the spirit of common practice.

    Attributes
    ----------
    phase : float
        Weight of the phase term for loud crosstalk; 1 = least total power.
    phase_from_db : float
        Mean crosstalk from which downwards it grows [dB].
    phase_doubles_db : float
        It doubles for each so many dB further down [dB].
    phase_most : float
        Where it stops growing (factor on `phase`).
    balance : float
        Weight of the lateral imbalance (as an amplitude ratio minus 1).
    most_sd_deg : float
        A proposal less certain than this is not made [degrees].
    flat_db, flat_floor_db : float
        A roll counts as equally good within this change of the mean crosstalk, or below this level [dB].
    """

    phase: float = 1.0
    phase_from_db: float = -35.0
    phase_doubles_db: float = 6.0
    phase_most: float = 8.0
    balance: float = 0.05
    most_sd_deg: float = 0.5
    flat_db: float = 1.0
    flat_floor_db: float = -45.0

    def phase_at(self, crosstalk_db: float) -> float:
        """Weight of the phase term at a mean crosstalk level [dB]."""
        deeper = max(0.0, self.phase_from_db - crosstalk_db) / self.phase_doubles_db
        return self.phase * min(self.phase_most, float(2.0 ** min(deeper, 60.0)))


def own_crosstalk(parameters: Floats, roll_deg: Floats | float) -> tuple[Complexes, Complexes]:
    """Crosstalk of each output against its own channel, complex."""
    return rotated_crosstalk(roll_deg, complex(*parameters[:2]), complex(*parameters[2:4]))


def mean_crosstalk_db(parameters: Floats, roll_deg: Floats | float) -> Floats:
    """Mean crosstalk power of the two directions [dB]."""
    x, y = own_crosstalk(parameters, roll_deg)
    return decibel(np.sqrt(0.5 * (np.abs(x) ** 2 + np.abs(y) ** 2)))


def roll_cost(parameters: Floats, roll_deg: Floats | float, phase: float, balance: float) -> Floats:
    """Cost of a roll; see the head of the module."""
    x, y = own_crosstalk(parameters, roll_deg)
    a, b = complex(*parameters[:2]), complex(*parameters[2:4])
    levels = (np.abs(x) - np.abs(y)) ** 2
    # 4 |x||y| sin^2 of half the phase between, written as |x - y|^2 less the part of the levels.
    phases = np.abs(x - y) ** 2 - levels
    loud = 10.0 ** (parameters[4] / 20.0) * np.abs(channel_gain_ratio(roll_deg, a, b, lateral=True)) - 1.0
    total: Floats = levels + phase * phases + balance * loud**2
    return total


def least_mean_db(parameters: Floats) -> float:
    """Mean crosstalk at the roll of least power [dB]."""
    return float(mean_crosstalk_db(parameters, best_roll_deg(parameters, 1.0, 0.0)))


def best_roll_deg(parameters: Floats, phase: float, balance: float) -> float:
    """Roll of least cost: a grid over all rolls, then finer ones about its lowest point."""
    centre, half = 0.0, SEARCH_DEG
    for points in (481, 41, 41, 41, 41):
        grid = np.linspace(centre - half, centre + half, points)
        centre = float(grid[np.argmin(roll_cost(parameters, grid, phase, balance))])
        half = 2.0 * half / (points - 1) * 2.0
    return float(np.clip(centre, -SEARCH_DEG, SEARCH_DEG))


def roll_spread_deg(channels: Channels, best: float, phase: float, balance: float) -> float:
    """Standard deviation of the best roll, carried over from the fit by finite differences."""
    steps = np.array([1e-3, 1e-3, 1e-3, 1e-3, 0.05])
    slope = np.empty(5)
    for k, step in enumerate(steps):
        moved = channels.parameters
        moved[k] += step
        slope[k] = (best_roll_deg(moved, phase, balance) - best) / step
    return float(np.sqrt(slope @ channels.covariance @ slope))


def flat_range_deg(channels: Channels, best: float, weights: RollWeights) -> tuple[float, float]:
    """Ends of the run of rolls about the best one that are as good as it; NaN where there is no best."""
    if not np.isfinite(best):
        return best, best
    grid = np.arange(0.0, 2.0 * SEARCH_DEG, 0.01)
    limit = max(float(mean_crosstalk_db(channels.parameters, best)) + weights.flat_db, weights.flat_floor_db)
    ends = []
    for sense in (-1.0, 1.0):
        worse = np.flatnonzero(mean_crosstalk_db(channels.parameters, best + sense * grid) > limit)
        ends.append(best + sense * float(grid[worse[0] - 1 if worse.size else -1]))
    return ends[0], ends[1]

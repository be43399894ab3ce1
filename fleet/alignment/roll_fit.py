"""Least-squares fit of the two-channel rotation model to crosstalk read at one or more rolls.

The model is that of `fleet.physics.crosstalk`: own leakage a (right into left) and b (left into right),
complex, and a gain ratio g (left over right). At a body roll with tangent t the bench reads, undriven over
driven channel, ``g (t + a) / (1 + b t)`` and ``(b - t) / (g (1 - a t))``, and as channel balance what
`fleet.physics.crosstalk.channel_gain_ratio` times g gives. Five real unknowns: Re a, Im a, Re b, Im b
and g in dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import least_squares

from fleet.errors import FleetError
from fleet.physics.crosstalk import channel_gain_ratio, decibel, phasor, rotated_crosstalk
from fleet.physics.geometry import Floats, tand

if TYPE_CHECKING:
    import pandas as pd

    from fleet.physics.crosstalk import Complexes

LEVELS: Final = ("crosstalk_r_to_l_db", "crosstalk_l_to_r_db")
PHASES: Final = ("crosstalk_phase_r_to_l_deg", "crosstalk_phase_l_to_r_deg")
BALANCE: Final = "channel_balance_db"
WEAK_PRIOR_SD: Final = 0.1
"""Spread of a leakage part before anything is read: -20 dB. Only keeps the covariance finite."""


@dataclass(frozen=True, kw_only=True)
class RollNoise:
    """Standard deviation of each reading; the defaults are a plain choice, to be replaced by the bench's own.

    Attributes
    ----------
    level_db : float
        Of a crosstalk level [dB].
    phase_deg : float
        Of a crosstalk phase [degrees].
    floor_db : float
        Noise of the whole chain below which no crosstalk can be told from nothing [dB].
    balance_db : float
        Of the channel balance [dB].
    """

    level_db: float = 0.3
    phase_deg: float = 3.0
    floor_db: float = -60.0
    balance_db: float = 0.05


@dataclass(frozen=True)
class Channels:
    """The fitted pair of channels.

    Attributes
    ----------
    right_into_left, left_into_right : complex
        Own leakage at body roll 0 (ratios).
    gain_db : float
        Left generator over right [dB].
    covariance : ndarray, shape (5, 5)
        Of Re a, Im a, Re b, Im b and the gain [dB]; grown by the misfit where that is larger than the
        stated noise.
    misfit : float
        Weighted sum of squares over the degrees of freedom; NaN without any to spare.
    """

    right_into_left: complex
    left_into_right: complex
    gain_db: float
    covariance: Floats
    misfit: float

    @property
    def parameters(self) -> Floats:
        """The five unknowns as a vector."""
        a, b = self.right_into_left, self.left_into_right
        return np.array([a.real, a.imag, b.real, b.imag, self.gain_db])


def predict(parameters: Floats, roll_deg: Floats, *, lateral: bool) -> tuple[Complexes, Complexes, Floats]:
    """Read a modelled pair of channels: right into left, left into right, balance [dB].

    Parameters
    ----------
    parameters : ndarray, shape (5,)
        As `Channels.parameters`.
    roll_deg : ndarray
        Body rolls [degrees].
    lateral : bool
        Balance on a lateral signal rather than on one-channel tracks.

    Returns
    -------
    (ndarray, ndarray, ndarray)
        Undriven over driven channel (complex ratios), and left over right [dB].
    """
    a, b = complex(*parameters[:2]), complex(*parameters[2:4])
    own_left, own_right = rotated_crosstalk(roll_deg, a, b)
    gain = 10.0 ** (parameters[4] / 20.0) * channel_gain_ratio(roll_deg, a, b)
    balance = parameters[4] + decibel(channel_gain_ratio(roll_deg, a, b, lateral=lateral))
    return own_left * gain, own_right / gain, balance


def fit_channels(settings: pd.DataFrame, *, noise: RollNoise, lateral: bool) -> Channels:
    """Fit the pair of channels to the readings.

    Parameters
    ----------
    settings : DataFrame, one row a roll setting
        Columns `roll_deg`, the four of `LEVELS` and `PHASES`, and `BALANCE`; NaN where not read.
    noise : RollNoise
        Standard deviations that weigh the residuals.
    lateral : bool
        The balance was read on a lateral signal.

    Returns
    -------
    Channels
        The best of a few starts. Without phases the signs of Im a and Im b are not known and are given as
        positive.

    Raises
    ------
    FleetError
        If a direction was never read.
    """
    roll = settings["roll_deg"].to_numpy(float)
    for level in LEVELS:
        if settings[level].isna().all():
            raise FleetError(f"no setting has {level}; read the crosstalk in both directions")
    start = np.zeros(5)
    if settings[BALANCE].notna().any() and not lateral:
        start[4] = settings[BALANCE].mean()
    for k, sign in enumerate((1.0, -1.0)):
        size = 10.0 ** ((settings[LEVELS[k]].to_numpy(float) - sign * start[4]) / 20.0)
        leak = _first_guess(size, settings[PHASES[k]].to_numpy(float), sign * tand(roll))
        start[2 * k : 2 * k + 2] = leak.real, leak.imag
    problem = _Problem(settings, noise, lateral)
    best = least_squares(
        problem.residuals, start, x_scale=np.array([0.01, 0.01, 0.01, 0.01, 0.1]), xtol=1e-12
    )
    spare = problem.count - 5
    misfit = float(2.0 * best.cost / spare) if spare > 0 else float("nan")
    precision = best.jac.T @ best.jac
    if spare > 0 and misfit > 1.0:
        precision = precision / misfit
    precision[np.arange(4), np.arange(4)] += WEAK_PRIOR_SD**-2
    precision[4, 4] += 1.0
    x = best.x
    return Channels(complex(x[0], x[1]), complex(x[2], x[3]), float(x[4]), np.linalg.inv(precision), misfit)


def _first_guess(level: Floats, phase_deg: Floats, tangent: Floats) -> complex:
    """Guess a leakage from magnitudes and, where read, phases of ``leak + tangent``."""
    if np.isfinite(level * phase_deg).any():
        return complex(np.nanmean(level * np.exp(1j * np.radians(phase_deg)) - tangent))
    known = np.isfinite(level)
    design = np.column_stack([2.0 * tangent[known], np.ones(known.sum())])
    answer = np.linalg.lstsq(design, level[known] ** 2 - tangent[known] ** 2, rcond=None)[0]
    in_phase, square = float(answer[0]), float(answer[1])
    return complex(in_phase, np.sqrt(max(square - in_phase**2, 1e-6)))


class _Problem:
    """Residuals of one set of readings, each divided by its standard deviation."""

    def __init__(self, settings: pd.DataFrame, noise: RollNoise, lateral: bool) -> None:
        self._roll = settings["roll_deg"].to_numpy(float)
        self._lateral = lateral
        floor = 10.0 ** (noise.floor_db / 20.0)
        self._parts = []
        for level, phase in zip(LEVELS, PHASES, strict=True):
            size = 10.0 ** (settings[level].to_numpy(float) / 20.0)
            along = np.hypot(size * (10.0 ** (noise.level_db / 20.0) - 1.0), floor)
            across = np.hypot(size * np.radians(noise.phase_deg), floor)
            self._parts.append((size, settings[phase].to_numpy(float), along, across))
        self._balance = settings[BALANCE].to_numpy(float)
        self._balance_sd = noise.balance_db
        self.count = self._stack(np.zeros(5)).size

    def _stack(self, parameters: Floats) -> Floats:
        """All residuals of figures that were read."""
        *crosstalk, balance = predict(parameters, self._roll, lateral=self._lateral)
        out = []
        for found, (size, phase, along, across) in zip(crosstalk, self._parts, strict=True):
            turned = found * phasor(0.0, -np.nan_to_num(phase))
            out.append(np.where(np.isnan(phase), np.abs(found) - size, turned.real - size) / along)
            out.append(np.where(np.isnan(phase), np.nan, turned.imag) / across)
        out.append((balance - self._balance) / self._balance_sd)
        stacked: Floats = np.concatenate(out)
        return stacked[np.isfinite(stacked)]

    def residuals(self, parameters: Floats) -> Floats:
        """Residuals for `least_squares`."""
        return self._stack(parameters)

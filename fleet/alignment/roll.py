"""Best body roll from electrical readings: crosstalk, its phase, and channel balance at a few settings.

What counts how much stands in `fleet.alignment.roll_cost`, the fit in `fleet.alignment.roll_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fleet.alignment.alignment import LEAVE, WITHHELD, Correction, Figure, done_or_left
from fleet.alignment.readings import DOUBT
from fleet.alignment.roll_cost import (
    SEARCH_DEG,
    RollWeights,
    best_roll_deg,
    flat_range_deg,
    least_mean_db,
    mean_crosstalk_db,
    own_crosstalk,
    roll_cost,
    roll_spread_deg,
)
from fleet.alignment.roll_fit import BALANCE, LEVELS, PHASES, Channels, RollNoise, fit_channels, predict
from fleet.errors import FleetError
from fleet.physics.crosstalk import decibel
from fleet.words import STEEP_ROLL, STEEP_ROLL_DEG

if TYPE_CHECKING:
    import pandas as pd

    from fleet.physics.geometry import Floats

_BY = ("azimuth_electrical_deg",)


@dataclass(frozen=True)
class RollFigures:
    """What the model reads at one roll; names and signs as on a bench sheet."""

    roll_deg: float
    crosstalk_l_to_r_db: float
    crosstalk_r_to_l_db: float
    crosstalk_phase_l_to_r_deg: float
    crosstalk_phase_r_to_l_deg: float
    channel_balance_db: float
    mean_crosstalk_db: float


@dataclass(frozen=True)
class RollAdvice:
    """The proposed roll, what it gains, and how far to trust it.

    Attributes
    ----------
    roll_deg : float
        Body roll proposed, on the scale of the settings, + = clockwise facing the nose; NaN if the
        readings can't tell [degrees].
    turn : Correction
        From the setting the unit stands in now to the proposed one [degrees]: done, left where it is smaller
        than its doubt, or withheld, by the rule of `fleet.alignment.align`.
    azimuth_electrical_deg : float
        How far the generator is rolled: minus the proposed roll [degrees].
    roll_sd_deg : float
        Standard deviation of the proposal from the reading noise [degrees].
    separated : bool
        Whether the readings tell the part that a roll moves from the part that it doesn't.
    phase_weight : float
        Weight that the phase was given.
    before, after : RollFigures
        Fitted figures where the unit stands now and at the proposal (NaN where there is none).
    flat_low_deg, flat_high_deg : float
        Rolls between which the mean crosstalk stays within `RollWeights.flat_db` of its value at the
        proposal, or under `flat_floor_db` [degrees].
    curve_roll_deg, curve_mean_db, curve_cost : ndarray
        The trade-off for drawing: rolls, mean crosstalk [dB], cost.
    channels : Channels
        The fit.
    cautions : tuple of str
        What to keep in mind.
    sentence : str
        The advice in words.
    """

    roll_deg: float
    turn: Correction
    azimuth_electrical_deg: float
    roll_sd_deg: float
    separated: bool
    phase_weight: float
    before: RollFigures
    after: RollFigures
    flat_low_deg: float
    flat_high_deg: float
    curve_roll_deg: Floats
    curve_mean_db: Floats
    curve_cost: Floats
    channels: Channels
    cautions: tuple[str, ...]
    sentence: str


def judge_roll(
    settings: pd.DataFrame,
    *,
    now: str | None = None,
    weights: RollWeights | None = None,
    noise: RollNoise | None = None,
    lateral_balance: bool = False,
) -> RollAdvice:
    """Propose the body roll that suits crosstalk, phase and balance best.

    Parameters
    ----------
    settings : DataFrame, one row a roll setting
        `setting` (any name), `roll_deg` (+ = clockwise facing the nose), and the crosstalk and balance
        columns of a bench sheet, which may be missing or have gaps.
    now : str, optional
        Name of the setting the unit stands in; left out = the first row.
    weights, noise : RollWeights, RollNoise, optional
        What counts, and how noisy the readings are.
    lateral_balance : bool, optional
        The balance was read on a lateral signal, not on one-channel tracks.

    Raises
    ------
    FleetError
        If the table lacks what is needed or holds impossible figures.
    """
    weights = weights or RollWeights()
    table = _checked(settings)
    stand = _standing(table, now)
    channels = fit_channels(table, noise=noise or RollNoise(), lateral=lateral_balance)
    phases_read = all(table[p].notna().any() for p in PHASES)
    weight = weights.phase_at(least_mean_db(channels.parameters)) if phases_read else weights.phase
    best = best_roll_deg(channels.parameters, weight, weights.balance)
    missing = _not_separable(table)
    sd = float("inf") if missing else roll_spread_deg(channels, best, weight, weights.balance)
    roll = best if sd <= weights.most_sd_deg else float("nan")
    turn = _turn(roll - stand, sd)
    before, after = (_figures(channels, r, lateral_balance) for r in (stand, roll))
    flat = flat_range_deg(channels, roll, weights)
    grid = np.linspace(-SEARCH_DEG, SEARCH_DEG, 961)
    return RollAdvice(
        roll_deg=roll,
        turn=turn,
        azimuth_electrical_deg=-roll,
        roll_sd_deg=sd,
        separated=bool(np.isfinite(roll)),
        phase_weight=weight,
        before=before,
        after=after,
        flat_low_deg=flat[0],
        flat_high_deg=flat[1],
        curve_roll_deg=grid,
        curve_mean_db=mean_crosstalk_db(channels.parameters, grid),
        curve_cost=roll_cost(channels.parameters, grid, weight, weights.balance),
        channels=channels,
        cautions=_cautions(table, channels, roll, phases_read),
        sentence=_sentence(turn, before, after, sd, flat, weights.flat_db, missing, weight),
    )


def _checked(settings: pd.DataFrame) -> pd.DataFrame:
    """Bring the table into shape: every column there, numeric, within range."""
    if settings.empty:
        raise FleetError("no roll setting was given; give at least one row with roll_deg and crosstalk")
    if "roll_deg" not in settings.columns:
        raise FleetError("the settings have no column roll_deg; give the body roll of each setting")
    names = [*LEVELS, *PHASES, BALANCE]
    table = settings.reindex(columns=["setting", "roll_deg", *names]).reset_index(drop=True)
    if "setting" not in settings.columns:
        table["setting"] = [str(i + 1) for i in range(len(table))]
    try:
        table = table.astype(dict.fromkeys(["roll_deg", *names], float))
    except (TypeError, ValueError):
        raise FleetError("a roll setting holds something that is no number; mend the table") from None
    for row, roll in zip(table["setting"], table["roll_deg"], strict=True):
        if not abs(roll) <= SEARCH_DEG:
            raise FleetError(
                f"setting {row}: roll_deg is {roll:g}; give a roll within {SEARCH_DEG:g} degrees"
            )
    for column in LEVELS:
        if (table[column] > 0).any():
            raise FleetError(f"{column} is above 0 dB; give the undriven over the driven channel, negative")
    return table


def _standing(table: pd.DataFrame, now: str | None) -> float:
    """Roll of the setting the unit stands in."""
    if now is None:
        return float(table["roll_deg"].iloc[0])
    found = table.loc[table["setting"].astype(str) == now, "roll_deg"]
    if found.empty:
        raise FleetError(f"no setting is called {now}; name one of {', '.join(map(str, table['setting']))}")
    return float(found.iloc[0])


def _not_separable(table: pd.DataFrame) -> str:
    """Say what is missing to tell rotation from leakage; empty if nothing is."""
    for level, phase, words in zip(LEVELS, PHASES, ("right into left", "left into right"), strict=True):
        read = table[level].notna()
        if not (read & table[phase].notna()).any() and table.loc[read, "roll_deg"].nunique() < 2:
            return f"{words}: one level without its phase fits a rotation and a leakage alike"
    return ""


def _figures(channels: Channels, roll: float, lateral: bool) -> RollFigures:
    """Fitted figures at a roll; all NaN where there is none."""
    if not np.isfinite(roll):
        return RollFigures(*[float("nan")] * 7)
    into_left, into_right, balance = predict(channels.parameters, np.asarray(roll), lateral=lateral)
    return RollFigures(
        roll_deg=roll,
        crosstalk_l_to_r_db=float(decibel(into_right)),
        crosstalk_r_to_l_db=float(decibel(into_left)),
        crosstalk_phase_l_to_r_deg=float(np.degrees(np.angle(into_right))),
        crosstalk_phase_r_to_l_deg=float(np.degrees(np.angle(into_left))),
        channel_balance_db=float(balance),
        mean_crosstalk_db=float(mean_crosstalk_db(channels.parameters, roll)),
    )


def _cautions(table: pd.DataFrame, channels: Channels, roll: float, phases_read: bool) -> tuple[str, ...]:
    """What the reader should keep in mind."""
    found = [
        "A leakage alike in both directions but of opposite polarity looks exactly like a rolled generator;"
        " no electrical reading tells them apart, and the same roll cures both."
    ]
    if not phases_read:
        found.append("Without phases in both directions the phase could not be given more weight.")
    elif np.isfinite(roll):
        found.append(_what_is_left(channels, roll))
    if table[BALANCE].isna().all():
        found.append("No channel balance was read; the channels were taken as equally loud.")
    low, high = table["roll_deg"].min(), table["roll_deg"].max()
    if np.isfinite(roll) and not low - 2.0 <= roll <= high + 2.0:
        found.append(f"The proposal lies beyond the rolls read ({low:g} to {high:g}); read again there.")
    if np.isfinite(roll) and abs(roll) > STEEP_ROLL_DEG:
        found.append(f"{STEEP_ROLL}: look at the diamond before rolling so far.")
    if np.isfinite(channels.misfit) and channels.misfit > 4.0:
        found.append(
            f"The readings scatter {np.sqrt(channels.misfit):.1f} times as much as their stated noise: check "
            "for a swapped direction, a wrong sign of the roll or of a phase."
        )
    return tuple(found)


def _what_is_left(channels: Channels, roll: float) -> str:
    """Name the part of the crosstalk that no roll changes."""
    x, y = own_crosstalk(channels.parameters, roll)
    in_phase, quadrature = (
        abs(np.real(x) + np.real(y)) / np.sqrt(2.0),
        float(np.hypot(np.imag(x), np.imag(y))),
    )
    if quadrature > in_phase:
        return (
            "What is left is mostly in quadrature, which no roll changes: time skew from a zenith error, "
            "the electrical load, or a resonance."
        )
    return (
        "What is left is mostly in phase and alike in both directions, which no roll changes: electrical "
        "coupling, or a tracking angle that differs from the recorded one."
    )


def _sense(angle_deg: float) -> str:
    """Angle with its sense in words."""
    if abs(angle_deg) < 0.005:
        return "not at all"
    return f"{abs(angle_deg):.2f}° {'clockwise' if angle_deg > 0 else 'anticlockwise'}"


def _turn(asked: float, sd: float) -> Correction:
    if not np.isfinite(asked):
        return Correction(WITHHELD, Figure(), Figure(), _BY, "read the phases too, or at rolls further apart")
    return done_or_left(Figure(asked, sd), _BY)


def _sentence(
    turn: Correction,
    before: RollFigures,
    after: RollFigures,
    sd: float,
    flat: tuple[float, float],
    flat_db: float,
    missing: str,
    weight: float,
) -> str:
    """The advice in words."""
    if missing:
        return (
            f"No roll can be proposed ({missing}); read the phases too, or read again with the body rolled "
            "by 2° or more."
        )
    if not np.isfinite(after.roll_deg):
        return (
            f"No roll can be proposed: the readings leave it open to ± {DOUBT * sd:.1f}° whether rotation or "
            "leakage is at work; read the phases too, or at rolls further apart."
        )
    counted = f" The phase counted {weight:.1f} times." if weight > 1.0 else ""
    doubt = f"± {DOUBT * sd:.2f}°"
    range_ = (
        f"anywhere from {flat[0]:+.2f}° to {flat[1]:+.2f}° it stays within {flat_db:g} dB of the best or is "
        "too low to matter"
    )
    now = f"{before.crosstalk_l_to_r_db:.1f} dB L to R and {before.crosstalk_r_to_l_db:.1f} dB R to L"
    if turn.decision == LEAVE:
        asked = _sense(turn.asked.value)
        return f"Leave it: {asked} is asked, {turn.why}. Crosstalk stands at {now}; {range_}.{counted}"
    return (
        f"Turn the body {_sense(after.roll_deg - before.roll_deg)} facing the nose, to a roll of "
        f"{after.roll_deg:+.2f}° ({doubt}): crosstalk goes from {now} to {after.crosstalk_l_to_r_db:.1f} and "
        f"{after.crosstalk_r_to_l_db:.1f} dB; {range_}.{counted}"
    )

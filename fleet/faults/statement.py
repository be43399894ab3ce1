"""A statement on one unit for a maker or a dispute: repeats, uncertainty, and what is normal for its kind.

It names no owner, no maker and no cause: readings say where a stylus points, not who made it point there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from fleet.faults.sentences import OFF_SIGMAS, digits_of
from fleet.faults.unit_life import Life
from fleet.house_model.chain import JUDGED, RAKE, READING_NOISE, READINGS
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.numerals import count, day, number, plus_minus
from fleet.results import Result
from fleet.words import quantity

COVERAGE_FACTOR: Final = 2.0
"""Expanded uncertainty: so many standard uncertainties (JCGM 100:2008, 6.2)."""


@dataclass(frozen=True, repr=False)
class Statement(Result):
    """What was read of one unit as it stands now.

    Attributes
    ----------
    visits : numbers of the sheets that count: those since the last change, of the last assembly
    first, last : their days; NaT where none is told
    readings : one row a reading: `reading`, `repeats`, `mean`, `uncertainty` (expanded, of the mean)
    kind : one row a quantity that its kind is judged by: `quantity`, `read`, `normal`, `normal_half_width`
        (two standard deviations of sound units as read once), `sigmas`, `outside`; empty without a model
    units : units that taught what is normal
    sentence : the statement in short
    """

    visits: tuple[str, ...]
    first: pd.Timestamp
    last: pd.Timestamp
    readings: pd.DataFrame
    kind: pd.DataFrame
    units: float
    sentence: str

    def to_frame(self) -> pd.DataFrame:
        """Return a row a reading: repeats, mean, expanded uncertainty."""
        return self.readings.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the readings."""
        return self.sentence, self.readings


def statement(life: Life, house: House | None = None) -> Statement:
    """Sum one unit's life up for others' eyes.

    Parameters
    ----------
    life : Life
        Of the unit.
    house : House, optional
        Reading noise and what is normal for its kind.

    Returns
    -------
    Statement
    """
    counted = _since_last_change(life)
    noise = READING_NOISE if house is None else house.noise
    rows = []
    for name in READINGS:
        read = pd.to_numeric(counted[name]).dropna() if name in counted else pd.Series(dtype=float)
        if len(read):
            sd = noise[name] / np.sqrt(len(read))
            rows.append((name, len(read), float(read.mean()), COVERAGE_FACTOR * float(sd)))
    readings = pd.DataFrame(rows, columns=["reading", "repeats", "mean", "uncertainty"])
    kind = _kind(counted, house)
    days = pd.to_datetime(counted["measured_on"])
    numbers = tuple(counted["sheet_no"].dropna().astype(str))
    units = 0.0 if house is None else house.units
    found = Statement(numbers, days.min(), days.max(), readings, kind, units, "")
    return replace(found, sentence=_sentence(found, len(counted)))


def _since_last_change(life: Life) -> pd.DataFrame:
    """The visits that saw the unit as it is now."""
    first = len(life.visits) - 1
    while first in life.changes and not life.changes[first].changed:
        first -= 1
    whole = life.since_first.get(len(life.visits) - 1)
    if whole is not None and whole.changed:  # a slow change: only the newest visit sees it as it is
        first = len(life.visits) - 1
    return life.visits.iloc[first:]


def _kind(counted: pd.DataFrame, house: House | None) -> pd.DataFrame:
    """What is normal for its kind, the unit's own sheet left out, beside the mean of what was read."""
    columns = ["quantity", "read", "normal", "normal_half_width", "sigmas", "outside"]
    if house is None or house.units == 0.0:
        return pd.DataFrame(columns=columns)
    sheets = counted.drop(columns="assembly")
    newest = sheets["newest"] if "newest" in sheets else pd.Series(False, index=sheets.index)
    resid = residuals(house, sheets, taught=np.asarray(newest.fillna(False), dtype=bool))
    rows = []
    for j, name in enumerate(JUDGED):
        own = resid.value[:, j] + resid.expected[:, j]
        if np.isnan(own).all() or (name == RAKE and not np.isnan(resid.value[:, 0]).all()):
            continue
        read, normal = float(np.nanmean(own)), float(resid.expected[-1, j])
        sd = float(np.sqrt(resid.covariance[-1, j, j]))
        sigmas = abs(read - normal) / sd
        rows.append((name, read, normal, COVERAGE_FACTOR * sd, sigmas, sigmas >= OFF_SIGMAS))
    return pd.DataFrame(rows, columns=columns)


def _sentence(found: Statement, visits: int) -> str:
    if found.readings.empty:
        return "Nothing was read of this unit that could be stated."
    when = day(found.last) if found.first == found.last else f"{day(found.first)} to {day(found.last)}"
    said = f"Read at {count(visits, 'visit')}, {when}"
    if found.kind.empty:
        return f"{said}; what is normal for its kind is not known here yet."
    off = found.kind[found.kind["outside"].astype(bool)]
    if off.empty:
        return f"{said}: every reading lies within what is normal for its kind."
    parts = []
    for row in off.to_dict("records"):
        own, digits = quantity(str(row["quantity"])), digits_of(str(row["quantity"]))
        normal = f"{number(row['normal'], digits)} {plus_minus(row['normal_half_width'], own.unit, digits)}"
        parts.append(f"{own.long} {own.figure(row['read'], digits)} ({normal} is normal)")
    return f"{said}: outside what is normal for its kind: {', '.join(parts)}."

"""The units that a fleet's sums are made of: factors, readings, and which lie inside the cut."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.cell_sums import Fitted
from fleet.house_model.chain import ANGLES, FACTORS, LINK, RAKE_LINKS, READINGS, SHARED, SPHERICAL, responses
from fleet.rows import frame_of
from fleet.tallies.sufficient_statistics import SufficientStatistics

Floats = NDArray[np.float64]
NAMES = SHARED
RESIDUAL_UNIT = 1000.0
"""Residuals are rounded as the tallies round them."""
REPEATS_WITHIN_DAYS = 92
"""As for the fleet's own reading noise: sheets further apart tell of wear."""
SLIP = 4.0
"""Differences beyond so many of their own sigmas are slips."""


@dataclass(frozen=True)
class Units:
    """Teaching units of a fleet.

    Attributes
    ----------
    unit, record : name of each unit, and a hash of the sheet that it stands on
    factors : columns `FACTORS`
    observed : covariates, responses ``y_…`` and ``s_kind`` (see `fleet.house_model.chain.responses`)
    at_zero, slopes : per link the fit that the cut was made by, at each unit's cell
    residual : per link, NaN where not read
    inside : per link whether the reading is in the sums
    sheets : their sheets, canonical columns
    fill : per family what stands in for facts that a sheet doesn't tell
    """

    unit: NDArray[np.object_]
    record: NDArray[np.object_]
    factors: pd.DataFrame
    observed: pd.DataFrame
    at_zero: Mapping[str, Floats]
    slopes: Mapping[str, Mapping[str, Floats]]
    residual: Mapping[str, Floats]
    inside: Mapping[str, NDArray[np.bool_]]
    sheets: pd.DataFrame
    fill: pd.DataFrame

    @property
    def whole(self) -> NDArray[np.bool_]:
        """Whether every angle that a unit has is in the sums; a spherical one has no rake."""
        rake = (self.factors["profile"] != SPHERICAL).to_numpy(dtype=bool)
        return np.asarray(
            np.all([self.inside[n] | (~rake if n in RAKE_LINKS else False) for n in ANGLES], axis=0)
        )

    @property
    def year(self) -> NDArray[np.int64]:
        """Year of each unit's sheet."""
        return np.asarray(pd.to_datetime(self.sheets["measured_on"]).dt.year.to_numpy(dtype=np.int64))


def some_of(units: Units, group: NDArray[np.intp]) -> Units:
    """Those at these places of a fleet's units."""
    return replace(
        units,
        unit=units.unit[group],
        record=units.record[group],
        factors=units.factors.iloc[group].reset_index(drop=True),
        observed=units.observed.iloc[group].reset_index(drop=True),
        at_zero={n: v[group] for n, v in units.at_zero.items()},
        slopes={n: {c: v[group] for c, v in of.items()} for n, of in units.slopes.items()},
        residual={n: v[group] for n, v in units.residual.items()},
        inside={n: v[group] for n, v in units.inside.items()},
        sheets=units.sheets.iloc[group].reset_index(drop=True),
    )


def records(sheets: pd.DataFrame) -> NDArray[np.object_]:
    """A hash of each sheet's place and version: it changes when the sheet does."""
    places = zip(sheets["bench"], sheets["sheet_no"], sheets["version"], strict=True)
    return np.array([_hash(f"{b}\0{s}\0{v}") for b, s, v in places], dtype=object)


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def teaching_units(teaching: pd.DataFrame, gathered: SufficientStatistics) -> Units:
    """The units behind a fleet's sums.

    Parameters
    ----------
    teaching : the store's teaching sheets
    gathered : what they were summed up to
    """
    sheets = teaching.reset_index(drop=True)
    fill = gathered.facts().fill()
    observed = responses(sheets, fill)
    keys = [*FACTORS, "scale_class"]
    cells = pd.MultiIndex.from_frame(
        frame_of(gathered.cut.cells)[keys].astype({"scale_class": int}).astype(str)
    )
    cell = cells.get_indexer(pd.MultiIndex.from_frame(observed[keys].astype(str)))
    at_zero, slopes, residual, inside = {}, {}, {}, {}
    for name in NAMES:
        fit = gathered.cut.fits[name]
        at_zero[name], slopes[name], residual[name], inside[name] = _inside(fit, name, observed, cell)
    return Units(
        sheets["unit"].to_numpy(dtype=object),
        records(sheets),
        observed[list(FACTORS)].astype(str),
        observed,
        at_zero,
        slopes,
        residual,
        inside,
        sheets,
        fill,
    )


def _inside(
    fit: Fitted, name: str, observed: pd.DataFrame, cell: NDArray[np.intp]
) -> tuple[Floats, dict[str, Floats], Floats, NDArray[np.bool_]]:
    level = fit.at_zero[cell]
    slopes = {c: fit.slopes[c][cell] for c in LINK[name].columns}
    rounded = residuals(name, observed, level, slopes)
    with np.errstate(invalid="ignore"):
        return level, slopes, rounded, np.abs(rounded) <= fit.bound[cell]


def residuals(name: str, observed: pd.DataFrame, level: Floats, slopes: Mapping[str, Floats]) -> Floats:
    """Residuals of a link, rounded, NaN where it wasn't read.

    Parameters
    ----------
    name : of the link
    observed : covariates and responses (see `fleet.house_model.chain.responses`)
    level, slopes : the fit at each unit's cell
    """
    expected = level + sum((s * observed[c].to_numpy(dtype=float) for c, s in slopes.items()), np.zeros(1))
    raw = observed[f"y_{name}"].to_numpy(dtype=float) - expected
    return np.asarray(np.floor(raw * RESIDUAL_UNIT + 0.5) / RESIDUAL_UNIT)


@dataclass(frozen=True)
class Repeats:
    """Differences between readings of the same unit, one row a pair of sheets.

    Attributes
    ----------
    unit : which unit each pair is of
    difference : columns `READINGS`, NaN where one is missing or the pair is a slip
    record : per unit a hash of all its sheets
    """

    unit: NDArray[np.object_]
    difference: pd.DataFrame
    record: Mapping[str, str]


def repeats(current: pd.DataFrame, noise: Mapping[str, float]) -> Repeats:
    """Pairs of sheets of one unit soon after each other.

    Parameters
    ----------
    current : the store's current sheets
    noise : standard deviation of one reading, per reading
    """
    own = current[(current["purpose"] == "unit").to_numpy(dtype=bool)]
    own = own.sort_values(["unit", "measured_on", "sheet_no"], kind="stable").reset_index(drop=True)
    again = (own["unit"] == own["unit"].shift()).to_numpy(dtype=bool)
    days = pd.to_datetime(own["measured_on"]).diff().dt.days.to_numpy(dtype=float)
    pair = again & (days <= REPEATS_WITHIN_DAYS)
    difference = own[list(READINGS)].astype(float).diff()[pair].reset_index(drop=True)
    for name in READINGS:
        limit = SLIP * np.sqrt(2.0) * noise[name]
        difference[name] = difference[name].where(difference[name].abs() <= limit)
    unit = own["unit"].to_numpy(dtype=object)[pair]
    of_unit: dict[str, list[str]] = {}
    wanted = set(unit)
    keep = own["unit"].isin(wanted).to_numpy(dtype=bool)
    for name, record in zip(own["unit"][keep], records(own[keep]), strict=True):
        of_unit.setdefault(str(name), []).append(record)
    return Repeats(unit, difference, {u: _hash("".join(r)) for u, r in of_unit.items()})

"""Readings that look odd together: they go in, but somebody should look.

Those that can't be true together (`fleet.columns.HELD_BACK`) don't teach before somebody has.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from fleet.columns import HELD_BACK
from fleet.intake.faults import Fault
from fleet.intake.table import place_of

MOST_WARNINGS = 10_000


class _Oddity(NamedTuple):
    mark: str
    column: str
    odd: Callable[[pd.DataFrame], pd.Series[bool]]
    say: Callable[[Mapping[Hashable, Any]], str]


def _sag(frame: pd.DataFrame) -> pd.Series[float]:
    return frame["sra_static_deg"] - frame["sra_dynamic_deg"]


def _rake(row: Mapping[Hashable, Any]) -> float:
    turning = row["sra_dynamic_deg"]
    return float(row["sra_static_deg"] if turning != turning else turning)


def _built_in(frame: pd.DataFrame) -> pd.Series[float]:
    return frame["sra_dynamic_deg"].fillna(frame["sra_static_deg"]) - frame["vta_dynamic_deg"]


def _family_height(frame: pd.DataFrame) -> pd.Series[float]:
    """The family's middle height, where the file has enough of it to tell."""
    of_family = frame.groupby("body_family")["height_mm"]
    return of_family.transform("median").where(of_family.transform("count") >= _LEAST_OF_FAMILY)


_BUILT_IN = (50.0, 85.0)
_LEAST_SAG = -1.0
_LEAST_TRACKING = 5.0
_HEIGHT_SPAN = 4.0
_LEAST_OF_FAMILY = 5
_FIRST_YEAR = 1970
_MOST_MINUTES = 600
# Limits: common practice, no source; a sag is seen from about 0.25 to 2.25 degrees.
_ODDITIES = (
    _Oddity(
        "rake_swapped",
        "sra_dynamic_deg",
        lambda f: _sag(f).between(_LEAST_SAG, -0.5, inclusive="left"),
        lambda r: f"rake turning is {-_sag_of(r):.2f}° above rake still; were the two swapped?",
    ),
    _Oddity(
        "sag_reversed",
        "sra_dynamic_deg",
        lambda f: _sag(f) < _LEAST_SAG,
        lambda r: f"rake turning is {-_sag_of(r):.2f}° above rake still; were the two swapped?",
    ),
    _Oddity(
        "sag_huge",
        "sra_dynamic_deg",
        lambda f: _sag(f) > 4,
        lambda r: f"rake sags by {_sag_of(r):.2f}°, far more than a sound suspension; read it again",
    ),
    _Oddity(
        "built_in_odd",
        "vta_dynamic_deg",
        lambda f: ~_built_in(f).between(*_BUILT_IN) & _built_in(f).notna(),
        lambda r: (
            f"rake {_rake(r):g}° with tracking angle {r['vta_dynamic_deg']:g}° makes a built-in angle of "
            f"{_rake(r) - r['vta_dynamic_deg']:.1f}°, which no assembly has; read both again"
        ),
    ),
    _Oddity(
        "tracking_flat",
        "vta_dynamic_deg",
        lambda f: f["vta_dynamic_deg"] < _LEAST_TRACKING,
        lambda r: (
            f"a tracking angle of {r['vta_dynamic_deg']:g}° would leave the cantilever flat; read it again"
        ),
    ),
    _Oddity(
        "height_odd",
        "height_mm",
        lambda f: (f["height_mm"] - _family_height(f)).abs() > _HEIGHT_SPAN,
        lambda r: f"a height of {r['height_mm']:g} mm is far from its family's in this file; read it again",
    ),
    _Oddity(
        "date_old",
        "measured_on",
        lambda f: f["measured_on"].dt.year < _FIRST_YEAR,
        lambda r: f"measured in {r['measured_on'].year}: is the century right?",
    ),
    _Oddity(
        "minutes_many",
        "bench_minutes",
        lambda f: f["bench_minutes"] > _MOST_MINUTES,
        lambda r: f"{r['bench_minutes']:g} minutes are more than a day at the bench; is it the right unit?",
    ),
    _Oddity(
        "spherical_rake",
        "sra_static_deg",
        lambda f: (
            (f["stylus_profile"] == "spherical")
            & f[["sra_static_deg", "sra_dynamic_deg"]].notna().any(axis=1)
        ),
        lambda r: "a spherical stylus has no rake; the figure will not be used",
    ),
    _Oddity(
        "spherical_zenith",
        "zenith_deg",
        lambda f: (f["stylus_profile"] == "spherical") & f["zenith_deg"].notna(),
        lambda r: "a spherical stylus has no zenith; the figure will not be used",
    ),
    _Oddity(
        "tilt_beyond_room",
        "tilt_applied_deg",
        lambda f: f["tilt_applied_deg"] > f["tilt_room_deg"] + 0.05,
        lambda r: f"the tilt of {r['tilt_applied_deg']:g}° is above the tilt room of {r['tilt_room_deg']:g}°",
    ),
)


_TOLD = (
    "measured_on",
    "sra_static_deg",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "height_mm",
    "bench_minutes",
    "tilt_applied_deg",
    "tilt_room_deg",
)
"""Columns that the sentences read."""


def _sag_of(row: Mapping[Hashable, Any]) -> float:
    return float(row["sra_static_deg"] - row["sra_dynamic_deg"])


def _held(mark: str) -> str:
    """What is added where a sheet doesn't teach yet."""
    return "; it teaches nothing until corrected or until its unit has a verdict" if mark in HELD_BACK else ""


def odd_readings(good: pd.DataFrame, file: str) -> tuple[Fault, ...]:
    """Warnings about good rows, by line.

    Parameters
    ----------
    good : typed bench sheets indexed by line.
    file : the file's name as faults show it.
    """
    found: list[Fault] = []
    told = good[list(_TOLD)]
    for oddity in _ODDITIES:
        rows = told.iloc[np.flatnonzero(oddity.odd(good))[:MOST_WARNINGS]]
        found += [
            Fault(*place_of(file, int(line)), oddity.column, "", oddity.say(row) + _held(oddity.mark))
            for line, row in zip(rows.index, rows.to_dict("records"), strict=True)
        ]
    return tuple(sorted(found, key=lambda fault: (fault.file, fault.line)))


def marks(good: pd.DataFrame) -> pd.Series[str]:
    """What looks odd in each row, as codes with `;` between; NaN where nothing does."""
    out = pd.Series("", index=good.index, dtype="str")
    for oddity in _ODDITIES:
        odd = oddity.odd(good)
        if odd.any():
            out = out.mask(odd, out + ";" + oddity.mark)
    return out.str.lstrip(";").replace("", None)

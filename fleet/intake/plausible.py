"""Readings that look odd together: they go in, but somebody should look."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pandas as pd

from fleet.intake.faults import Fault

MOST_WARNINGS = 10_000


class _Oddity(NamedTuple):
    mark: str
    column: str
    odd: Callable[[pd.DataFrame], pd.Series[bool]]
    say: Callable[[pd.Series], str]


def _sag(frame: pd.DataFrame) -> pd.Series[float]:
    return frame["sra_static_deg"] - frame["sra_dynamic_deg"]


# Limits: common practice, no source; a sag is seen from about 0.25 to 2.25 degrees.
_ODDITIES = (
    _Oddity(
        "rake_swapped",
        "sra_dynamic_deg",
        lambda f: _sag(f) < -0.5,
        lambda r: f"rake turning is {-_sag_of(r):.2f}° above rake still; were the two swapped?",
    ),
    _Oddity(
        "sag_huge",
        "sra_dynamic_deg",
        lambda f: _sag(f) > 6,
        lambda r: f"rake sags by {_sag_of(r):.2f}°, far more than a sound suspension",
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


def _sag_of(row: pd.Series) -> float:
    return float(row["sra_static_deg"] - row["sra_dynamic_deg"])


def odd_readings(good: pd.DataFrame, file: str) -> tuple[Fault, ...]:
    """Warnings about good rows, by line.

    Parameters
    ----------
    good : typed bench sheets indexed by line.
    file : the file's name as faults show it.
    """
    found: list[Fault] = []
    for oddity in _ODDITIES:
        rows = good[oddity.odd(good)].head(MOST_WARNINGS)
        found += [
            Fault(file, int(str(line)), oddity.column, "", oddity.say(row)) for line, row in rows.iterrows()
        ]
    return tuple(sorted(found, key=lambda fault: fault.line))


def marks(good: pd.DataFrame) -> pd.Series[str]:
    """What looks odd in each row, as codes with `;` between; NaN where nothing does."""
    out = pd.Series("", index=good.index, dtype="str")
    for oddity in _ODDITIES:
        odd = oddity.odd(good)
        if odd.any():
            out = out.mask(odd, out + ";" + oddity.mark)
    return out.str.lstrip(";").replace("", None)

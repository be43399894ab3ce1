"""Readings blurred before they are summed for others: whatever is solved for, no reading comes out sharp.

Each reading of a unit in a group gets its own normal error, drawn once for the group.  All that the group
tells is made of the blurred readings, so nothing reckoned from it knows a unit better than the error allows,
and whoever knows all other units is left with the errors of all of them.  What the blur adds to sums of
squares on average is told along and taken off again where the sums are fitted.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from fleet.house_model.chain import LINK, PAIRED, SHARED, responses
from fleet.sharing.content import WITHHELD
from fleet.sharing.generalisation import Places
from fleet.sharing.units import NAMES, Units, residuals

BLUR: Final[tuple[tuple[tuple[str, ...], float], ...]] = (
    (("sra_static_deg", "sra_dynamic_deg"), 0.5),
    (("sra_dynamic_deg",), 0.1),
    (("vta_dynamic_deg",), 0.5),
    (("zenith_deg",), 0.5),
    (("azimuth_optical_deg",), 0.5),
    (("azimuth_electrical_deg",), 0.5),
    (("channel_balance_db",), 0.2),
    (("tilt_room_deg",), 0.2),
    (("bench_minutes",), 0.1),
)
"""Errors and the columns that each is added to [degrees, dB]: rake still and turning share one, so that sag,
which says little of a single unit, stays sharp enough to learn from; minutes are blurred by a factor."""
LOGARITHMIC: Final = "bench_minutes"
_ALONE: Final = {"tilt_room": {"tilt_room_deg": 1.0}, "minutes": {LOGARITHMIC: 1.0}}


def blur_readings(units: Units, group: Places, key: str) -> Units:
    """Some units with their readings blurred; which are inside the cut stays as it is.

    Parameters
    ----------
    units : of the fleet
    group : places of those wanted
    key : kept by the store and told to nobody; the same units under the same key get the same errors
    """
    group = group[np.argsort(units.record[group].astype(str), kind="stable")]
    seed = hashlib.sha256("\0".join([key, *units.record[group]]).encode()).digest()
    rng = np.random.default_rng(int.from_bytes(seed, "big"))
    sheets = units.sheets.iloc[group].reset_index(drop=True)
    for columns, sd in BLUR:
        error = sd * rng.standard_normal(len(group))
        for name in columns:
            value = sheets[name].astype(float)
            sheets[name] = value * np.exp(error) if name == LOGARITHMIC else value + error
    observed = responses(sheets, units.fill)
    true = units.observed.iloc[group].reset_index(drop=True)
    observed[list(WITHHELD)] = true[list(WITHHELD)]
    at_zero = {n: units.at_zero[n][group] for n in NAMES}
    slopes = {n: {c: v[group] for c, v in units.slopes[n].items()} for n in NAMES}
    return replace(
        units,
        unit=units.unit[group],
        record=units.record[group],
        factors=units.factors.iloc[group].reset_index(drop=True),
        observed=observed,
        at_zero=at_zero,
        slopes=slopes,
        residual={n: residuals(n, observed, at_zero[n], slopes[n]) for n in NAMES},
        inside={n: units.inside[n][group] for n in NAMES},
        sheets=units.sheets.iloc[group].reset_index(drop=True),
    )


def added_products() -> dict[str, float]:
    """What the blur adds to a unit's products of residuals on average: per ``"link link"``."""
    pairs = [(n, n) for n in SHARED] + [PAIRED]
    return {f"{a} {b}": round(sum(sd**2 * _part(a, c) * _part(b, c) for c, sd in BLUR), 9) for a, b in pairs}


def _part(link: str, columns: tuple[str, ...]) -> float:
    """How much of an error added to some columns is in a link's response."""
    reading: Mapping[str, float] = _ALONE.get(link, LINK[link].reading)
    return sum(reading.get(c, 0.0) for c in columns)

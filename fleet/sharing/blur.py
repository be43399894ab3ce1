"""Readings blurred before they are summed for others: whatever is solved for, no reading comes out sharp.

Each reading of a sheet has its own normal error, drawn from the store's key, the sheet's place and the
reading itself: in whatever group and however often it is told, it has the same error, which no average takes
off.  All that a group tells is made of the blurred readings, so nothing reckoned from it knows a unit better
than the error allows, and whoever knows all other units is left with the errors of all of them.  What the
blur adds to sums of squares on average is told along and taken off again where the sums are fitted.

Counts of targets met and differences between repeated readings get an error of their own kind.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import scipy

from fleet.house_model.chain import LINK, PAIRED, SHARED, responses
from fleet.sharing.content import WITHHELD
from fleet.sharing.units import NAMES, Floats, Units, residuals

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
COUNT_EPSILON: Final = 1.5
"""Natural logarithm of how much likelier a count may be for one unit's answer than for the other."""
REPEAT_SHAPE: Final = 2.0
"""Shape of the gamma factor, of mean one, on each squared difference of repeated readings."""
_ALONE: Final = {"tilt_room": {"tilt_room_deg": 1.0}, "minutes": {LOGARITHMIC: 1.0}}


def blur_readings(units: Units, key: str) -> Units:
    """The same units with their readings blurred; which are inside the cut stays as it is.

    Parameters
    ----------
    units : of the fleet
    key : kept by the store and told to nobody; the same reading under the same key gets the same error,
        whichever units it comes with
    """
    sheets = units.sheets.copy()
    place = [f"{b}\0{n}" for b, n in zip(sheets["bench"], sheets["sheet_no"], strict=True)]
    for columns, sd in BLUR:
        read = units.sheets[list(columns)].astype(float).to_numpy().tolist()
        texts = (f"{columns[0]}\0{len(columns)}\0{p}\0{r}" for p, r in zip(place, read, strict=True))
        error = sd * scipy.special.ndtri(uniform(key, texts))
        for name in columns:
            value = sheets[name].astype(float)
            sheets[name] = value * np.exp(error) if name == LOGARITHMIC else value + error
    observed = responses(sheets, units.fill)
    observed[list(WITHHELD)] = units.observed[list(WITHHELD)]
    residual = {n: residuals(n, observed, units.at_zero[n], units.slopes[n]) for n in NAMES}
    return replace(units, observed=observed, residual=residual)


def added_products() -> dict[str, float]:
    """What the blur adds to a unit's products of residuals on average: per ``"link link"``."""
    pairs = [(n, n) for n in SHARED] + [PAIRED]
    return {f"{a} {b}": round(sum(sd**2 * _part(a, c) * _part(b, c) for c, sd in BLUR), 9) for a, b in pairs}


def _part(link: str, columns: tuple[str, ...]) -> float:
    """How much of an error added to some columns is in a link's response."""
    reading: Mapping[str, float] = _ALONE.get(link, LINK[link].reading)
    return sum(reading.get(c, 0.0) for c in columns)


def uniform(key: str, texts: Iterable[str]) -> Floats:
    """Numbers between 0 and 1 that the key and each text decide, and nobody guesses without the key."""
    digests = [hashlib.sha256(f"{key}\0{text}".encode()).digest()[:8] for text in texts]
    return (np.array([int.from_bytes(d, "big") for d in digests], dtype=float) + 0.5) / 2.0**64


def blur_counts(
    counts: Mapping[str, Sequence[int]], key: str, records: Iterable[str]
) -> dict[str, list[float]]:
    """Counts of targets met, each with a whole number added that is nought on average.

    Parameters
    ----------
    counts : per measure units read and units met
    key : as in `blur_readings`
    records : of the units counted

    Returns
    -------
    dict
        Measure: [units read, units met with the error, variance of the error]. The count may lie outside
        what is possible; only so do errors of many groups cancel.

    Notes
    -----
    Two-sided geometric: Ghosh, Roughgarden & Sundararajan (2009), Universally utility-maximizing privacy
    mechanisms.
    """
    ratio = float(np.exp(-COUNT_EPSILON))
    names = sorted(counts)
    who = "\0".join(sorted(records))
    drawn = [uniform(key, (f"{side}\0{name}\0{who}" for name in names)) for side in ("more", "less")]
    more, less = (np.floor(np.log(u) / -COUNT_EPSILON).astype(int) for u in drawn)
    variance = 2.0 * ratio / (1.0 - ratio) ** 2
    return {
        n: [counts[n][0], counts[n][1] + int(a - b), variance]
        for n, a, b in zip(names, more, less, strict=True)
    }


def blur_squares(squares: Floats, key: str, texts: Iterable[str]) -> Floats:
    """Squared differences of repeated readings, each times a factor of its own that is one on average."""
    return np.asarray(squares * scipy.special.gammaincinv(REPEAT_SHAPE, uniform(key, texts)) / REPEAT_SHAPE)

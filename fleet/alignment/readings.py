"""What is known of one unit before it is aligned: readings with their doubt, and what stands in for others.

A reading is one of four things: *read*; *predicted* by the house model from the kind and from what was read
at the same sitting; a *slip*, so far out that no pickup stands there; or *missing*. Only the first two may
carry advice, and whatever stands on the second says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from fleet.columns import COLUMNS
from fleet.house_model.chain import ANGLES, READING_NOISE, SPHERICAL
from fleet.numerals import unknown
from fleet.rows import Columns, column_of, height, take_rows
from fleet.words import shorts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.house_model.house import House
    from fleet.house_model.loo_residuals import Residuals
    from fleet.statistics.gram import Floats

READ: Final = "read"
PREDICTED: Final = "predicted"
SLIP: Final = "slip"
MISSING: Final = "missing"

NAMES: Final = (
    "sra_static_deg",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "zenith_deg",
    "azimuth_optical_deg",
    "azimuth_electrical_deg",
    "tilt_room_deg",
    "height_mm",
    "tip_to_mount_mm",
    "roll_applied_deg",
)
"""Readings that an alignment may stand on."""
WORDS: Final = shorts(NAMES)
LENGTH_NOISE: Final = {"height_mm": 0.05, "tip_to_mount_mm": 0.1}
"""Standard deviation of one reading with a depth gauge and a rule [mm] (common practice, no source)."""
POSSIBLE: Final = {
    "sra_static_deg": (75.0, 110.0),
    "sra_dynamic_deg": (75.0, 110.0),
    "vta_dynamic_deg": (8.0, 45.0),
    "zenith_deg": (-15.0, 15.0),
    "azimuth_optical_deg": (-15.0, 15.0),
    "azimuth_electrical_deg": (-15.0, 15.0),
}
"""Where pickups stand, with a wide margin (common practice, no source); beyond it a reading is a slip."""
POSSIBLE_SAG: Final = (-1.5, 8.0)
"""The same for rake still less rake turning [degrees]."""
DOUBT: Final = 2.0
"""The doubt of a figure: so many standard uncertainties either way, as all screens print it."""
LOWER_TENTH: Final = 1.2815515655446004
"""Standard normal quantile: nine of ten lie above the expectation less this many standard deviations."""
FAR_SIGMAS: Final = 3.5
"""Beyond it a unit is judged by its readings alone, whatever its kind."""
RAKES: Final = ("sra_static_deg", "sra_dynamic_deg")
_LOADS: Final = {
    "sra_static_deg": (1.0, 1.0, 0.0),
    "sra_dynamic_deg": (1.0, 1.0, -1.0),
    "vta_dynamic_deg": (1.0, 0.0, -1.0),
}
"""Side-view readings as sums of tracking angle (still), built-in angle and sag."""


@dataclass(frozen=True)
class Given:
    """One figure that advice may stand on.

    Attributes
    ----------
    value, sd : float
        Figure and its standard uncertainty, in the unit of the reading; NaN where there is none.
    how : str
        `read`, `predicted`, `slip` or `missing`. A slip keeps its value, for the words.
    by : tuple of str
        Readings that a prediction stands on besides the kind; of a room `body_family`, `fleet` or nothing.
    """

    value: float = math.nan
    sd: float = math.nan
    how: str = MISSING
    by: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether advice may stand on it."""
        return self.how in (READ, PREDICTED)

    @property
    def usable_value(self) -> float:
        """The value, NaN where no advice may stand on it."""
        return self.value if self.usable else math.nan


class Believed(NamedTuple):
    """True rake and tracking angle, record turning, given readings *and* kind [degrees, degrees squared]."""

    rake: float
    tracking: float
    rake_sd: float
    tracking_sd: float
    covariance: float


@dataclass(frozen=True)
class Known:
    """One unit as the bench knows it.

    Attributes
    ----------
    stylus : str
        Profile as told; empty if it wasn't. Never guessed from what is missing.
    given : mapping
        `Given` by column, for every name in `WORDS`.
    covariance : float
        Of rake turning and tracking angle [degrees squared]: 0 where both were read, each by itself.
    vtf_mn : float
        Tracking force it was read at [mN]; NaN if not told.
    believed : Believed, optional
        What chances are told from: a reading near a limit is more often on its kind's side of it. None
        without a model, and for a unit so far from its kind that the kind says nothing of it.
    """

    stylus: str
    given: Mapping[str, Given]
    covariance: float = 0.0
    vtf_mn: float = math.nan
    believed: Believed | None = None

    def __getitem__(self, name: str) -> Given:
        return self.given[name]

    @property
    def spherical(self) -> bool:
        """Whether it was told that the stylus is spherical: no rake, no zenith."""
        return self.stylus == SPHERICAL

    @property
    def slips(self) -> tuple[str, ...]:
        """Readings that can only be slips."""
        return tuple(name for name, g in self.given.items() if g.how == SLIP)


def take_readings(
    sheet: Mapping[Any, Any], noise: Mapping[str, float] | None = None, house: House | None = None
) -> Known:
    """Take one sheet's readings as they stand; with a house model the missing ones are predicted.

    Parameters
    ----------
    sheet : mapping
        Bench-sheet columns; what wasn't read is empty or left out.
    noise : mapping, optional
        Standard deviation of one reading; default the house model's, else common practice.
    house : House, optional
        Predicts rake, tracking angle and tilt room where they are missing.
    """
    shown = LENGTH_NOISE | dict(noise or (house.noise if house is not None else READING_NOISE))
    stylus = sheet.get("stylus_profile")
    told = stylus if isinstance(stylus, str) else ""
    given = {name: _given(name, _number(sheet.get(name)), shown) for name in WORDS}
    if told == SPHERICAL:
        given |= {name: Given() for name in (*RAKES, "zenith_deg")}
    sag = given["sra_static_deg"].value - given["sra_dynamic_deg"].value
    if not math.isnan(sag) and not POSSIBLE_SAG[0] <= sag <= POSSIBLE_SAG[1]:
        given |= {name: replace(given[name], how=SLIP) for name in RAKES}
    plain = Known(told, given, vtf_mn=_number(sheet.get("vtf_mn")))
    return plain if house is None else _predicted(plain, house, sheet)


def known_beside(sheet: Mapping[Any, Any], house: House, resid: Residuals) -> Known:
    """The same for a sheet whose residuals are known already."""
    return _predicted(take_readings(sheet, house.noise), house, sheet, resid)


def _given(name: str, value: float, noise: Mapping[str, float]) -> Given:
    if math.isnan(value):
        return Given()
    sd = float(noise.get(name, 0.0))
    low, high = POSSIBLE.get(name, (-math.inf, math.inf))
    return Given(value, sd, READ if low <= value <= high else SLIP)


def _predicted(plain: Known, house: House, sheet: Mapping[Any, Any], resid: Residuals | None = None) -> Known:
    """Rake turning, tracking angle and room filled in where they are missing and the model can tell."""
    wanted = [n for n in ("sra_dynamic_deg", "vta_dynamic_deg") if plain[n].how == MISSING]
    if plain.spherical or not _has_rake(plain):
        wanted = [n for n in wanted if n != "sra_dynamic_deg"]
    roomless = plain["tilt_room_deg"].how == MISSING
    if plain.slips or resid is None:
        from fleet.house_model.loo_residuals import residuals

        clean = {**dict.fromkeys(COLUMNS), **sheet, **dict.fromkeys(plain.slips)}
        resid = residuals(house, {str(name): column_of([value]) for name, value in clean.items()})
    given = dict(plain.given)
    covariance = 0.0
    if wanted:
        mean, cov, by, _ = _side_view(plain, house, resid, wanted)
        if np.isfinite(mean).all():
            for k, name in enumerate(wanted):
                given[name] = Given(float(mean[k]), float(np.sqrt(cov[k, k])), PREDICTED, by)
            covariance = float(cov[0, 1]) if len(wanted) == 2 else 0.0
    if roomless:
        given["tilt_room_deg"] = _room(house, resid)
    believed = _believed(plain, house, resid)
    return replace(plain, given=given, covariance=covariance, believed=believed)


def _believed(plain: Known, house: House, resid: Residuals) -> Believed | None:
    """Both angles given the kind, unless the unit stands too far from it."""
    mean, cov, by, far = _side_view(plain, house, resid, ["sra_dynamic_deg", "vta_dynamic_deg"])
    if not by or not np.isfinite(mean).all() or far > FAR_SIGMAS**2:
        return None
    sd = np.sqrt(np.diag(cov))
    return Believed(float(mean[0]), float(mean[1]), float(sd[0]), float(sd[1]), float(cov[0, 1]))


def _has_rake(plain: Known) -> bool:
    """Whether the stylus is known to have a rake: told so, or one was read."""
    return plain.stylus != "" or any(plain[name].how != MISSING for name in RAKES)


def _side_view(
    plain: Known, house: House, resid: Residuals, wanted: list[str]
) -> tuple[Floats, Floats, tuple[str, ...], float]:
    """Mean and covariance of true angles, given the kind and the side-view readings that were taken.

    Also which readings those were, and their squared distance from the kind (Mahalanobis).
    """
    d = len(ANGLES)
    noise = house.noise_covariance(ANGLES)
    unit = resid.covariance[0, :d, :d] - noise
    values, vectors = np.linalg.eigh(0.5 * (unit + unit.T))
    unit = vectors @ np.diag(np.maximum(values, 1e-6)) @ vectors.T
    mean = resid.expected[0, :d]
    by = tuple(name for name in _LOADS if plain[name].how == READ)
    want = np.array([_LOADS[name] for name in wanted])
    if not by:
        return want @ mean, want @ unit @ want.T, by, 0.0
    have = np.array([_LOADS[name] for name in by])
    read = np.array([plain[name].value for name in by])
    error = np.diag([plain[name].sd ** 2 for name in by])
    total, off = have @ unit @ have.T + error, read - have @ mean
    gain = np.linalg.solve(total, have @ unit).T
    after = unit - gain @ have @ unit
    far = float(off @ np.linalg.solve(total, off))
    return want @ (mean + gain @ off), want @ after @ want.T, by, far


def _room(house: House, resid: Residuals) -> Given:
    """Tilt room of the unit's family, of the fleet where that is not known, as far as the model knows it."""
    mean, sd = _rooms(house, take_rows(resid.observed, np.arange(1)))
    by = ("body_family",) if resid.seen["family"][0] else ("fleet",) if house.units > 0.0 else ()
    return Given(float(mean[0]), float(sd[0]), PREDICTED, by) if np.isfinite(mean[0]) else Given()


def _rooms(house: House, observed: Columns) -> tuple[Floats, Floats]:
    """Expected tilt rooms and their standard uncertainty; NaN where the model has no link for them."""
    fit = house.links.get("tilt_room")
    if fit is None:
        nothing = np.full(height(observed), np.nan)
        return nothing, nothing
    from fleet.house_model.expectation import Predictor

    mean, var = Predictor(fit).mean_and_variance(observed, {})
    own = fit.posterior.sigma[:, None] ** 2 * fit.spread.plain(np.ones(1))[0]
    return np.maximum(mean.mean(axis=0), 0.0), np.sqrt((var + own).mean(axis=0) + mean.var(axis=0))


def room_limit_deg(room: Given) -> float:
    """Largest tilt that the body may be given [degrees]: as read, or what nine of ten of its family have."""
    if room.how == PREDICTED:
        return max(room.value - LOWER_TENTH * room.sd, 0.0)
    return room.value if room.how == READ else math.nan


def room_limits(read_deg: Floats, resid: Residuals, rows: NDArray[np.int64], house: House | None) -> Floats:
    """Largest tilt of several bodies [degrees]: as read, or else what nine of ten of the family have.

    Parameters
    ----------
    read_deg : (k,) rooms as read, NaN where they weren't
    resid : residuals of all sheets
    rows : (k,) which of them these are
    house : without one an unread room stays NaN, no upper end
    """
    out = np.array(read_deg, dtype=float)
    gaps = np.isnan(out)
    if house is not None and gaps.any():
        mean, sd = _rooms(house, take_rows(resid.observed, rows[gaps]))
        out[gaps] = np.maximum(mean - LOWER_TENTH * sd, 0.0)
    return out


def noise_of(house: House | None) -> Mapping[str, float]:
    """Standard deviation of one reading: the model's, else common practice."""
    return READING_NOISE if house is None else house.noise


def worth_doing(reading: Floats, sd: float) -> NDArray[np.bool_]:
    """Which corrections are not smaller than their doubt; none that isn't read."""
    return np.asarray(np.abs(np.nan_to_num(reading)) >= max(DOUBT * sd, 1e-12))


def _number(value: object) -> float:
    if unknown(value):
        return math.nan
    number = float(str(value))
    return number if math.isfinite(number) else math.nan

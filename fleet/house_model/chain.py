"""The chain of links: what is modelled, from which readings, with which terms.

Everything that a tallying query and the arrays of a judgement must agree on stands here once.  The arithmetic
of a response or covariate is a string in the common subset of SQL and Python; readings are coded
as integers before anything is summed, so that sums are exact and do not depend on row order or threads.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import CodeType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.rows import Columns, Floats, beside, distinct, height, numbers
from fleet.statistics.gram import Term
from fleet.words import quantity

FACTORS: Final = ("profile", "cantilever", "source", "family", "generator", "frequency", "bench")
FACTOR_COLUMNS: Final = {
    "profile": "stylus_profile",
    "cantilever": "cantilever_material",
    "source": "assembly_source",
    "family": "body_family",
    "generator": "generator",
    "frequency": "compliance_frequency_hz",
    "bench": "bench",
}
NOT_TOLD: Final = ""
SPHERICAL: Final = "spherical"

REFERENCE_TEMPERATURE_C: Final = 22.0
"""Bench temperature that covariates are centred on (IEC 60098:2020, 10.1.2 prefers 20 to 25 °C)."""
REFERENCE_HOURS: Final = 500.0
TYPICAL_VTA_DEG: Final = 22.0
"""Stands in for a tracking angle nobody read, in the sag scale only (common practice, no source)."""
STEEPEST_VTA_DEG: Final = 75.0
"""A tracking angle beyond this is a slip of the pen: in the sag scale it counts as this much, or one sheet at
90 degrees would be infinitely large (derived: tan and 1/cos)."""
TYPICAL_DRAG: Final = 0.5
"""Sag over sag scale where no rake can be read: drag about 0.3 times rubber softer than its catalogue figure
by about 1.7 (common practice, no source)."""
TYPICAL_DRAG_RATIO: Final = 0.28
"""Drag over tracking force that turns a sag into a static deflection; assumed within 0.2 to 0.4, no published
law of it was found."""
FORCE_LIMITS: Final = (0.5, 2.0)
"""A sheet's force over its family's own is believed within these; beyond, one of the two is a slip."""
CONFLICT_BUILT_IN_DEG: Final = 68.5
"""Below this built-in angle no tilt serves both targets (90.5° − 22°; common practice, no source)."""

SAG_EDGES: Final = (0.4, 0.6, 0.8, 1.0, 1.25, 1.5, 1.8, 2.2, 2.7, 3.3, 4.2)
"""Upper edges [deg] of the classes of the sag scale S; the last class is open.  One weight a class."""

SCALE_EXPRESSION: Final = (
    "0.05729577951308232 * vtf_mn * c_used / l_used * tan(t_used * 0.017453292519943295)"
    " / cos(t_used * 0.017453292519943295)"
)
"""S = N·C·tan θ / (L·cos θ) in degrees (N in mN, C in µm/mN, L in mm); see `fleet.physics.sag`."""
KIND_SCALE_EXPRESSION: Final = SCALE_EXPRESSION.replace("t_used", "t_kind")
"""The same at the family's own angle.  How much units scatter is judged by this one: a unit that stands wrong
must not choose its own yardstick."""
PRESSED_EXPRESSION: Final = (
    "57.29577951308232 * sink * (1.0 - times) / (1.0 - sink * times * tan(t_used * 0.017453292519943295))"
)
"""What pressing ``times`` as hard as the family's own force adds to the angle of a record still [degrees]:
the balance of `fleet.physics.sag` to first order (derived), ``sink`` [radians] lost at the family's own."""
SINK_EXPRESSION: Final = (
    f"{0.001 * TYPICAL_DRAG / TYPICAL_DRAG_RATIO:.9f} * n_used * c_used / l_used"
    " / cos(t_used * 0.017453292519943295)"
)

RESPONSES: Final[dict[str, tuple[str, float]]] = {
    "tracking": ("t_read - pressed", 1000.0),
    "built_in": ("b_read", 1000.0),
    "sag": ("sra_static_deg - sra_dynamic_deg", 1000.0),
    "zenith": ("zenith_deg", 1000.0),
    "azimuth_seen": ("azimuth_optical_deg", 1000.0),
    "azimuth_electrical": ("azimuth_electrical_deg", 1000.0),
    "balance": ("channel_balance_db", 1000.0),
    "tilt_room": ("tilt_room_deg", 1000.0),
    "minutes": ("ln(bench_minutes)", 1000.0),
    "rake": ("r_alone - pressed", 1000.0),
}
"""Per link the response's expression and the number that turns it into an integer code."""

RAKE_LINKS: Final = frozenset({"built_in", "sag", "zenith", "rake"})
"""Links that a spherical stylus does not have."""

COVARIATES: Final[dict[str, tuple[str, float]]] = {
    "s": ("s_deg", 1000.0),
    "warm": ("temperature_c - 22.0", 10.0),
    "aged": ("(hours_used - 500.0) / 1000.0", 1000.0),
    "tilted": ("abs(tilt_applied_deg)", 100.0),
    "conflict": ("conflict_flag", 1.0),
    "years": ("(month - newest) / 12.0", 12.0),
}
"""Covariates, coded the same way.  ``warm`` and ``aged`` are 0 where nothing was written down.  ``years``
counts from the month of the fleet's newest sheet: below 0 in the past, and 0 now, which a quote speaks of, or
where no day is told."""
YEARS: Final = "years"
MAY_BE_UNTOLD: Final = frozenset({"warm", "aged", YEARS})
"""Covariates that are 0 where they aren't told."""

PRODUCTS: Final = {"s_warm": ("s", "warm"), "s_aged": ("s", "aged")}

READINGS: Final = (
    "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg", "azimuth_optical_deg",
    "azimuth_electrical_deg", "channel_balance_db",
)  # fmt: skip
NUMBERS: Final = (
    *READINGS, "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "temperature_c", "hours_used",
    "tilt_room_deg", "tilt_applied_deg", "bench_minutes",
)  # fmt: skip
"""Columns of a sheet that the links read as numbers."""
READING_NOISE: Final = dict(zip(READINGS, (0.14, 0.16, 0.35, 0.20, 0.20, 0.15, 0.05), strict=True))
"""Standard deviation of one reading where the bench has no repeats yet (common practice, no source): what a
microscope graticule, a turning record and a level meter give.  Repeats of units replace it."""
SAG_READ: Final = "sag_deg"
"""Rake still less rake turning, of one sheet: a hand's habit is in both, not in their difference."""
MOST_SHARED: Final = 0.98
"""Correlation of the two rakes' noises at most."""


def covariate_unit(name: str) -> float:
    """Number by which a covariate's integer code is divided to give its value."""
    if name in PRODUCTS:
        a, b = PRODUCTS[name]
        return covariate_unit(a) * covariate_unit(b)
    return COVARIATES[name][1]


@dataclass(frozen=True)
class Link:
    """One link of the chain.

    Attributes
    ----------
    name : key into `RESPONSES`
    terms : random terms
    fixed : fixed columns; ``"1"`` is the intercept
    reading : how much of each reading's noise is in the response
    scaled : whether units scatter in proportion to the sag scale S
    centre : constant taken off the response before it is summed (any value inside the data's range)
    """

    name: str
    terms: tuple[Term, ...]
    fixed: tuple[str, ...] = ("1",)
    reading: dict[str, float] = field(default_factory=dict)
    scaled: bool = False
    centre: float = 0.0

    @property
    def words(self) -> str:
        """What the link is called on screens."""
        if self.name in PAIR:
            return "tracking and built-in angle together"
        return f"{quantity(self.name).long}{' (log minutes)' if self.name == 'minutes' else ''}"

    @property
    def columns(self) -> tuple[str, ...]:
        """Covariates the link's sums need, in order, without the intercept."""
        return tuple(c for c in dict.fromkeys([*self.fixed, *(t.covariate for t in self.terms)]) if c != "1")


def _main(*factors: str, covariate: str = "1") -> tuple[Term, ...]:
    return tuple(Term((f,), covariate) for f in factors)


_KIND = ("source", "family", "profile", "cantilever")
_ANGLE = (*_main(*_KIND), Term(("source",), YEARS))
"""A source may drift: its angles of now, and what they have changed by a year."""
LINKS: Final[tuple[Link, ...]] = (
    Link(
        "tracking",
        _ANGLE,
        ("1", "warm", "aged"),
        {"vta_dynamic_deg": 1.0, "sra_static_deg": 1.0, "sra_dynamic_deg": -1.0},
        centre=23.0,
    ),
    Link(
        "built_in",
        _ANGLE,
        ("1", "warm", "aged"),
        {"sra_dynamic_deg": 1.0, "vta_dynamic_deg": -1.0},
        centre=68.0,
    ),
    Link(
        "sag",
        _main("source", "family", "profile", "frequency", covariate="s"),
        ("s", "s_warm", "s_aged"),
        {"sra_static_deg": 1.0, "sra_dynamic_deg": -1.0},
        scaled=True,
    ),
    Link("zenith", _main("source", "family", "profile"), reading={"zenith_deg": 1.0}),
    Link("azimuth_seen", _main("source", "family"), reading={"azimuth_optical_deg": 1.0}),
    Link(
        "azimuth_electrical", _main("source", "family", "generator"), reading={"azimuth_electrical_deg": 1.0}
    ),
    Link("balance", _main("family", "generator"), reading={"channel_balance_db": 1.0}),
    Link("tilt_room", _main("family", "generator"), centre=3.0),
    Link(
        "minutes",
        _main("family", "source", "profile", "cantilever"),
        ("1", "tilted", "conflict"),
        centre=4.0,
    ),
    Link(
        "rake",
        _ANGLE,
        ("1", "warm", "aged"),
        {"sra_static_deg": 1.0},
        centre=91.0,
    ),
)
LINK: Final = {link.name: link for link in LINKS}
PAIR: Final = ("pair_1", "pair_2")
"""Two combinations of tracking and built-in angle whose residuals are uncorrelated: fitted apart they lose
next to nothing (see `fleet.house_model.angle_sums`)."""
PAIRED: Final = ("tracking", "built_in")
PAIR_FIXED: Final = ("1", "warm", "aged")
PAIR_COVARIATES: Final = ("warm", "aged", YEARS)
PAIR_LINKS: Final = tuple(Link(name, _ANGLE, PAIR_FIXED) for name in PAIR)
ANGLES: Final = ("tracking", "built_in", "sag")
RAKE: Final = "rake"
"""Tracking plus built-in angle: what a sheet tells of the two that has a rake and no tracking angle."""
JUDGED: Final = (
    "tracking", "built_in", "sag", "zenith", "azimuth_seen", "azimuth_electrical", "balance", RAKE,
)  # fmt: skip
"""Links whose residuals are looked at for faults, in the order used everywhere."""
JUDGED_BY: Final = tuple(c for c in COVARIATES if any(c in LINK[name].columns for name in JUDGED))
Labels = Mapping[str, Any]
SHARED: Final = tuple(link.name for link in LINKS if link.name != RAKE)
"""Links whose sums are told to other benches."""


def scale_class(s_deg: Floats) -> NDArray[np.int64]:
    """Class of the sag scale, 0 to 11; 12 where it isn't known.

    Parameters
    ----------
    s_deg : array of S in degrees, NaN where unknown
    """
    code = np.searchsorted(np.asarray(SAG_EDGES), s_deg, side="right").astype(np.int64)
    return np.where(np.isnan(s_deg), len(SAG_EDGES) + 1, code)


@np.errstate(all="ignore")
def responses(sheets: Columns, fill: Columns, *, judged: Labels | None = None) -> Any:
    """Turn bench sheets into the links' factors, covariates and responses.

    Parameters
    ----------
    sheets : bench sheets, canonical columns
    fill : with ``family``, or indexed by it; ``c_fill``, ``l_fill``, ``n_fill``, ``t_fill`` stand in for a
        compliance, length, force or tracking angle that the sheet doesn't have; ``c_sure``, ``l_sure`` say
        that the first two are the family's own and no predictions; ``years`` counts from month ``newest``
    judged : the sheets' `labels_of`, where what `JUDGED` and `JUDGED_BY` name will do

    Returns
    -------
    Columns
        As ``sheets`` are, a frame with their index; the `FACTORS`, ``scale_class``, a column per covariate
        and product, a ``y_…`` per link, in natural units rounded to their integer codes, NaN where missing.
    """
    labels = judged or labels_of(sheets)
    out: dict[str, Any] = {f: x if judged else np.asarray(x, object) for f, x in labels.items()}
    d = {name: numbers(sheets, name) for name in NUMBERS}
    edged = out["profile"] != SPHERICAL
    for name in ("sra_static_deg", "sra_dynamic_deg", "zenith_deg"):
        d[name] = np.where(edged, d[name], np.nan)
    whose, families = distinct(out["family"])
    known = fill["family"] if "family" in fill else getattr(fill, "index", ())
    place = {str(name): i for i, name in enumerate(known)}
    row = np.array([place.get(str(family), len(place)) for family in families], dtype=np.int64)[whose]
    filled = {str(n): np.append(numbers(fill, n), np.nan)[row] for n in fill if n != "family"}
    d["c_used"] = _first(d["compliance_um_per_mn"], filled["c_fill"])
    d["l_used"] = _first(d["cantilever_length_mm"], filled["l_fill"])
    d["n_used"] = filled["n_fill"]
    times = np.where(out["family"] != NOT_TOLD, d["vtf_mn"] / d["n_used"], np.nan)
    d["times"] = _first(np.clip(times, *FORCE_LIMITS), 1.0)
    d["vtf_mn"] = _first(d["vtf_mn"], d["n_used"])
    d["month"], d["newest"] = _month(sheets), filled.get("newest", np.full(len(row), np.nan))
    d["t_used"] = _first(d["vta_dynamic_deg"], filled["t_fill"], TYPICAL_VTA_DEG)
    guess = TYPICAL_DRAG * _evaluate(d, SCALE_EXPRESSION)
    still, turning = d["sra_static_deg"], d["sra_dynamic_deg"]
    d["t_read"] = d["vta_dynamic_deg"] + _first(still - turning, guess)
    d["b_read"] = _first(turning, still - guess) - d["vta_dynamic_deg"]
    d["r_alone"] = np.where(np.isnan(d["vta_dynamic_deg"]), _first(still, turning + guess), np.nan)
    limited = np.minimum(d["t_read"], STEEPEST_VTA_DEG)
    d["t_used"] = _first(limited, filled["t_fill"], TYPICAL_VTA_DEG)
    d["sink"] = _evaluate(d, SINK_EXPRESSION)
    d["pressed"] = np.where(d["times"] != 1.0, _evaluate(d, PRESSED_EXPRESSION), 0.0)
    d["t_kind"] = _first(filled["t_fill"], limited, TYPICAL_VTA_DEG)
    d["s_deg"] = _evaluate(d, SCALE_EXPRESSION)
    out["s_kind"] = _evaluate(d, KIND_SCALE_EXPRESSION)
    d["conflict_flag"] = (d["sra_dynamic_deg"] - d["vta_dynamic_deg"] < CONFLICT_BUILT_IN_DEG).astype(float)
    d["bench_minutes"] = np.where(d["bench_minutes"] > 0.0, d["bench_minutes"], np.nan)
    for name in JUDGED_BY if judged else COVARIATES:
        value = _coded(d, *COVARIATES[name])
        out[name] = _first(value, 0.0) if name in MAY_BE_UNTOLD else value
    for name, (a, b) in PRODUCTS.items():
        out[name] = out[a] * out[b]
    known = ~np.isnan(d["compliance_um_per_mn"]) | (filled["c_sure"] == 1.0)
    known &= ~np.isnan(d["cantilever_length_mm"]) | (filled["l_sure"] == 1.0)
    out["scale_class"] = scale_class(np.where(known, out["s_kind"], np.nan))
    for name in JUDGED if judged else RESPONSES:
        out[f"y_{name}"] = _coded(d, *RESPONSES[name])
    return beside(sheets, out)


def _first(*values: Floats | float) -> Floats:
    """The first of the values that is there, row by row."""
    found = values[-1]
    for value in values[-2::-1]:
        found = np.where(np.isnan(value), found, value)
    return np.asarray(found)


_FUNCTIONS: Final = {"tan": np.tan, "cos": np.cos, "ln": np.log, "abs": np.abs}


@cache
def _compiled(expression: str) -> CodeType:
    return compile(expression, expression, "eval")


def _evaluate(columns: dict[str, Floats], expression: str) -> Floats:
    """The value of an expression of this module, row by row."""
    return np.asarray(eval(_compiled(expression), {"__builtins__": {}, **_FUNCTIONS}, columns))


def _coded(columns: dict[str, Floats], expression: str, unit: float) -> Floats:
    """An expression's value, rounded to its integer code."""
    return np.asarray(np.floor(_evaluate(columns, expression) * unit + 0.5) / unit)


def _month(sheets: Columns) -> Floats:
    """Months since year 0 of the day that each sheet was measured on, NaN where none is told."""
    if "measured_on" not in sheets:
        return np.full(height(sheets), np.nan)
    code, days = distinct(sheets["measured_on"])
    months = np.array(days, dtype="datetime64[M]").astype(float) + 12 * 1970 + 1
    return np.append(months, np.nan)[code]


def labels_of(sheets: Columns) -> dict[str, Any]:
    """Levels of each of the `FACTORS`."""
    told = {c: sheets[c] for c in FACTOR_COLUMNS.values() if c in sheets}
    return {f: factor_labels(told.get(c, np.full(height(sheets), None))) for f, c in FACTOR_COLUMNS.items()}


def factor_labels(values: Any) -> Any:
    """Level labels, of a frame's column as categories; a missing or blank one is the level *not told*."""
    code, found = distinct(values)
    told = (f"{x:g}" if isinstance(x, float | np.floating) else str(x) for x in found)
    same, levels = distinct(np.array([*told, NOT_TOLD], dtype=object))
    if isinstance(values, np.ndarray):
        return np.array(levels, dtype=object)[same[code]]
    import pandas as pd

    return pd.Categorical.from_codes(same[code], pd.Index(levels))


def noise_matrix(names: tuple[str, ...], noise: Mapping[str, float]) -> Floats:
    """Covariance of the reading noise of several links' responses.

    Parameters
    ----------
    names : links
    noise : standard deviation per reading
    """
    load = np.array([[LINK[n].reading.get(r, 0.0) for r in READINGS] for n in names])
    return np.asarray(load @ reading_covariance(noise) @ load.T)


def reading_covariance(noise: Mapping[str, float]) -> Floats:
    """Covariance of the noises of one sheet's readings, in the order of `READINGS`.

    Parameters
    ----------
    noise : standard deviation per reading, and of the sag that is read where it is known; without it the two
        rakes' noises are independent
    """
    out = np.diag([noise[r] ** 2 for r in READINGS])
    out[0, 1] = out[1, 0] = shared_by_rakes(noise) * noise[READINGS[0]] * noise[READINGS[1]]
    return out


def shared_by_rakes(noise: Mapping[str, float]) -> float:
    """Correlation, 0 to `MOST_SHARED`, of the noises of one sheet's two rakes."""
    still, turning = noise[READINGS[0]], noise[READINGS[1]]
    if SAG_READ not in noise:
        return 0.0
    shared = (still**2 + turning**2 - noise[SAG_READ] ** 2) / 2.0
    return float(np.clip(shared / (still * turning), 0.0, MOST_SHARED))

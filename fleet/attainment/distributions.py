"""What the bench has read of one quantity, group by group: the raw readings, and the model's word beside.

A small group's raw median may lie anywhere; its interval says so, and the model's estimate leans on what the
rest of the fleet shares with it. No interval is given where there are too few readings to support one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy import special

from fleet import words
from fleet.alignment.targets import select_counted
from fleet.attainment.attainment import NOT_TOLD
from fleet.attainment.group_means import group_means, independent_links
from fleet.errors import FleetError
from fleet.house_model.chain import responses

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from fleet.house_model.house import House
    from fleet.statistics.gram import Floats

FEWEST_FOR_MEDIAN: Final = 6
"""Readings from which order statistics hold a 95 % interval of the median (derived: 1 − 2·½ⁿ ≥ 0.95)."""
FEWEST_FOR_QUARTILES: Final = 4
FEWEST_FOR_RANGE: Final = 20
"""Readings from which a 5 % point lies inside the readings (derived: 1/n ≤ 0.05)."""
GROUPINGS: Final = (
    "kind", "stylus_profile", "cantilever_material", "assembly_source", "body_family", "generator", "bench",
)  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """One thing that can be compared between groups.

    Attributes
    ----------
    key : name in `fleet.words`
    add, subtract : columns whose readings are added up and taken off
    links : links of the house model and the sign with which each enters; () if the model doesn't have it
    rake : whether a spherical stylus has no such reading
    """

    key: str
    add: tuple[str, ...]
    subtract: tuple[str, ...] = ()
    links: tuple[tuple[str, float], ...] = ()
    rake: bool = False

    @property
    def named(self) -> words.Quantity:
        """Its names, unit and decimals."""
        return words.quantity(self.key)

    @property
    def words(self) -> str:
        """As a heading says it."""
        return self.named.long

    @property
    def unit(self) -> str:
        """As written on screens."""
        return self.named.unit

    def read(self, units: pd.DataFrame) -> NDArray[np.float64]:
        """Readings (units,), NaN where not read."""
        total = np.zeros(len(units))
        for name in self.add:
            total = total + _numbers(units, name)
        for name in self.subtract:
            total = total - _numbers(units, name)
        if self.rake and "stylus_profile" in units:
            spherical = (units["stylus_profile"] == "spherical").to_numpy(dtype=bool, na_value=False)
            total = np.where(spherical, np.nan, total)
        return total


_TRACKING: Final = ("tracking", 1.0)
_BUILT_IN: Final = ("built_in", 1.0)
_SAG_OFF: Final = ("sag", -1.0)
_ALL: Final = (
    Quantity("sra_dynamic_deg", ("sra_dynamic_deg",), links=(_TRACKING, _BUILT_IN, _SAG_OFF), rake=True),
    Quantity("vta_dynamic_deg", ("vta_dynamic_deg",), links=(_TRACKING, _SAG_OFF)),
    Quantity("built_in_deg", ("sra_dynamic_deg",), ("vta_dynamic_deg",), links=(_BUILT_IN,), rake=True),
    Quantity("sag_deg", ("sra_static_deg",), ("sra_dynamic_deg",), links=(("sag", 1.0),), rake=True),
    Quantity("sra_static_deg", ("sra_static_deg",), links=(_TRACKING, _BUILT_IN), rake=True),
    Quantity("zenith_deg", ("zenith_deg",), links=(("zenith", 1.0),), rake=True),
    Quantity("azimuth_optical_deg", ("azimuth_optical_deg",), links=(("azimuth_seen", 1.0),)),
    Quantity("azimuth_electrical_deg", ("azimuth_electrical_deg",), links=(("azimuth_electrical", 1.0),)),
    Quantity("channel_balance_db", ("channel_balance_db",), links=(("balance", 1.0),)),
    Quantity("tilt_room_deg", ("tilt_room_deg",), links=(("tilt_room", 1.0),)),
    Quantity("bench_minutes", ("bench_minutes",), links=(("minutes", 1.0),)),
)
QUANTITIES: Final = {q.key: q for q in _ALL}
"""Quantities by their key, in the order in which a screen offers them."""

NEEDED_COLUMNS: Final = tuple(
    dict.fromkeys(
        [
            *(c for q in QUANTITIES.values() for c in (*q.add, *q.subtract)),
            *(
                "stylus_profile",
                "cantilever_material",
                "assembly_source",
                "body_family",
                "generator",
                "bench",
            ),
            *("vtf_mn", "compliance_um_per_mn", "compliance_frequency_hz", "cantilever_length_mm"),
            *("temperature_c", "hours_used", "tilt_applied_deg", "measured_on"),
        ]
    )
)
"""Bench-sheet columns that a distribution, with its model's estimate, may look at."""


@dataclass(frozen=True)
class Distribution:
    """Readings of one quantity by group.

    Attributes
    ----------
    table : one row a group, most readings first: `group`, `n`, `median`, `median_low`, `median_high` (95 %),
        `q25`, `q75`, `low`, `high` (5 % and 95 % of the readings), `model`, `model_low`, `model_high` (95 %);
        a figure is NaN where there are too few readings for it or the model has none
    readings : `group`, `value`, one row a reading
    quantity : what was read
    sentence : the answer in words
    """

    table: pd.DataFrame
    readings: pd.DataFrame
    quantity: Quantity
    sentence: str


def distribution(
    sheets: pd.DataFrame,
    quantity: str,
    by: str,
    house: House | None = None,
    make_up: pd.DataFrame | None = None,
) -> Distribution:
    """Summarise one quantity by group, raw and as the house model sees the same groups.

    Parameters
    ----------
    sheets
        Canonical columns; each unit counts with its newest sheet, check pickups not at all.
    quantity
        Key of `QUANTITIES`.
    by
        Key of `GROUPINGS`.
    house
        The model, or None where there is none yet.
    make_up
        Some units of each group, as many as tell its make-up, where the model's mean over all of them would
        take too long; None for all. The raw figures are always those of all.

    Raises
    ------
    FleetError
        If quantity or grouping is unknown, or nothing was read.
    """
    _check_known(QUANTITIES, quantity, "quantity")
    _check_known(GROUPINGS, by, "grouping")
    what = QUANTITIES[quantity]
    units = select_counted(sheets).reset_index(drop=True)
    value = what.read(units)
    units, value = units[~np.isnan(value)].reset_index(drop=True), value[~np.isnan(value)]
    if not len(units):
        raise FleetError(f"no sheet tells the {what.words}; choose another quantity or fewer filters.")
    labels = group_labels(units, by)
    codes, names = pd.factorize(labels, sort=True)
    rows = [_summary(value[codes == i]) for i in range(len(names))]
    table = pd.DataFrame(rows)
    table.insert(0, "group", np.asarray(names))
    if make_up is not None:
        units = select_counted(make_up).reset_index(drop=True)
        units = units[~np.isnan(what.read(units))].reset_index(drop=True)
        codes = pd.Index(names).get_indexer(pd.Index(group_labels(units, by)))
        units, codes = units[codes >= 0].reset_index(drop=True), codes[codes >= 0]
    middle, low, high = _model(house, units, what, codes.astype(np.intp), len(names))
    table = table.assign(model=middle, model_low=low, model_high=high)
    table = table.sort_values(["n", "group"], ascending=[False, True]).reset_index(drop=True)
    readings = pd.DataFrame({"group": labels, "value": value})
    return Distribution(table, readings, what, _sentence(table, what, by))


def group_labels(units: pd.DataFrame, by: str) -> pd.Series:
    """Each unit's group as text; a kind is stylus profile / cantilever material."""
    if by == "kind":
        parts = [_text(units, name) for name in ("stylus_profile", "cantilever_material")]
        return parts[0] + "/" + parts[1]
    return _text(units, by)


def _fewest_heads(n: int, share: float) -> int:
    """How many heads n tosses of a coin stay at or below with at least this chance."""
    k = math.ceil(float(special.bdtrik(share, n, 0.5)))
    return k - 1 if k > 0 and float(special.bdtr(k - 1, n, 0.5)) >= share else k


def median_interval(values: NDArray[np.float64], level: float = 0.95) -> tuple[float, float]:
    """Interval of the median between two order statistics, whatever the distribution (NaN if too few).

    Derived: the count of readings below the true median is binomial(n, ½), so the k-th smallest and k-th
    largest reading hold it with probability 1 − 2·P(count < k).
    """
    n = len(values)
    k = _fewest_heads(n, (1.0 - level) / 2.0)
    if k < 1:
        return np.nan, np.nan
    ordered = np.sort(values)
    return float(ordered[k - 1]), float(ordered[n - k])


def _model(
    house: House | None, units: pd.DataFrame, what: Quantity, codes: NDArray[np.intp], groups: int
) -> tuple[Floats, Floats, Floats]:
    nothing = np.full(groups, np.nan)
    if house is None or not what.links:
        return nothing, nothing, nothing
    seen = responses(units, house.facts.fill())
    links, centre = independent_links(house, what.links)
    mean, variance = np.full(groups, centre), np.zeros(groups)
    for link, weight in links:
        part, sd = group_means(house, link, seen, codes, groups)
        mean, variance = mean + weight * part, variance + (weight * sd) ** 2
    z = float(special.ndtri(0.975))
    ends = mean, mean - z * np.sqrt(variance), mean + z * np.sqrt(variance)
    if what.links[0][0] == "minutes":
        ends = tuple(np.exp(end) for end in ends)  # type: ignore[assignment]
    return ends


def _summary(values: NDArray[np.float64]) -> dict[str, float]:
    n = len(values)
    low, high = median_interval(values)
    row = {"n": n, "median": float(np.median(values)), "median_low": low, "median_high": high}
    q25, q75 = np.quantile(values, [0.25, 0.75]) if n >= FEWEST_FOR_QUARTILES else (np.nan, np.nan)
    ends = np.quantile(values, [0.05, 0.95]) if n >= FEWEST_FOR_RANGE else (np.nan, np.nan)
    return row | {"q25": q25, "q75": q75, "low": ends[0], "high": ends[1]}


def _sentence(table: pd.DataFrame, what: Quantity, by: str) -> str:
    n = int(table["n"].sum())
    told = table[(table["group"] != NOT_TOLD) & table["median_low"].notna()]
    sheets = "1 unit was" if n == 1 else f"{n} units were"
    start = f"{sheets} read for {what.words}"
    if len(told) < 2:
        row = table.iloc[0]
        group = f"{words.plain_word(row['group'])} (n {row['n']:.0f})"
        return f"{start}; half of {group} lie at or below {what.named.figure(row['median'])}."
    top, bottom = told.iloc[int(told["median"].argmax())], told.iloc[int(told["median"].argmin())]
    apart = top["median_low"] > bottom["median_high"]
    small = int((table["n"] < FEWEST_FOR_MEDIAN).sum())
    few = f" {small} of {len(table)} groups have too few units for an interval of their own." if small else ""
    ends = [
        f"{what.named.figure(row['median'])} ({words.plain_word(row['group'])}, n {row['n']:.0f})"
        for row in (bottom, top)
    ]
    overlap = "don't overlap" if apart else "overlap"
    return (
        f"{start}: by {words.quantity(by).long} the median runs from {ends[0]} to {ends[1]}; "
        f"their 95 % intervals {overlap}.{few}"
    )


def _check_known(choices: Iterable[str], key: str, word: str) -> None:
    if key not in choices:
        raise FleetError(f"there is no {word} {key!r}; choose one of {', '.join(choices)}.")


def _numbers(units: pd.DataFrame, name: str) -> NDArray[np.float64]:
    if name not in units:
        return np.full(len(units), np.nan)
    return np.asarray(units[name].to_numpy(dtype=float, na_value=np.nan))


def _text(units: pd.DataFrame, name: str) -> pd.Series:
    if name not in units:
        return pd.Series(NOT_TOLD, index=units.index, dtype="str")
    return units[name].astype("str").where(units[name].notna(), NOT_TOLD)

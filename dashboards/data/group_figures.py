"""Readings and attainment by kind, source or period, each unit counted once, by its newest sheet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.store_state import house, of_sheets, overview
from fleet.attainment.attainment import attainment, coarser, needed_columns
from fleet.attainment.case_mix import case_mix
from fleet.attainment.comparisons import source_funnel, trends, what_if
from fleet.attainment.contrasts import Contrast, by_period, contrast
from fleet.attainment.distributions import NEEDED_COLUMNS, QUANTITIES, Distribution, distribution
from fleet.errors import NoModelError
from fleet.store import Store, pick_sheets

if TYPE_CHECKING:
    from fleet.house_model.house import House
    from fleet.policy.policy import Policy
    from fleet.statistics.proportions import Funnel

MODEL_UNITS_A_GROUP: Final = 3000
"""The house model's estimate of a large group is the mean over so many of its units."""
SOURCE: Final = "assembly_source"
MANY_SHEETS: Final = 60_000
_FRAMES_KEPT, _RESULTS_KEPT = 3, 64
Filters = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Attained:
    """Attainment of one grouping: by group, by group and period, of the whole fleet, and the trends."""

    groups: pd.DataFrame
    periods: pd.DataFrame
    whole: pd.DataFrame
    trends: pd.DataFrame


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Summing up …")
def group_distribution(
    path: str, revision: str, quantity: str, by: str, filters: Filters = (), since: int | None = None
) -> Distribution:
    """One quantity by group, raw and (where there is a model) partially pooled."""
    return distribution(*_to_sum_up(path, revision, quantity, by, filters, since))


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Comparing …")
def group_contrast(
    path: str,
    revision: str,
    quantity: str,
    by: str,
    pair: tuple[str, str],
    filters: Filters = (),
    since: int | None = None,
) -> Contrast:
    """Two groups set against each other, raw and as the house model sees them."""
    every = (*filters, (by, pair))
    return contrast(*_to_sum_up(path, revision, quantity, by, every, since), pair=pair)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Summing up …")
def over_time(
    path: str, revision: str, quantity: str, per: str, filters: Filters = (), since: int | None = None
) -> pd.DataFrame:
    """One quantity by period of its measurement: `period`, n, median, its 95 % interval, quartiles."""
    what = QUANTITIES[quantity]
    columns = ("measured_on", "stylus_profile", *what.add, *what.subtract)
    return by_period(_counting(path, revision, columns, filters, since), quantity, per)


def _to_sum_up(
    path: str, revision: str, quantity: str, by: str, filters: Filters, since: int | None
) -> tuple[pd.DataFrame, str, str, House | None, pd.DataFrame | None]:
    """Sheets, quantity, grouping, model, and the units that stand for large groups in the model's mean."""
    try:
        model = house(path, revision)
    except NoModelError:  # the raw readings stand alone, and the page says so
        model = None
    if overview(path, revision).sheets <= MANY_SHEETS:
        return _counting(path, revision, NEEDED_COLUMNS, filters, since), quantity, by, model, None
    what = QUANTITIES[quantity]
    groups = ("stylus_profile", "cantilever_material") if by == "kind" else (by,)
    narrow = (*groups, "stylus_profile", *what.add, *what.subtract)
    few = None if model is None else _some_of_each(path, revision, by, filters, since)
    return _counting(path, revision, narrow, filters, since), quantity, by, model, few


@of_sheets
@st.cache_resource(max_entries=_FRAMES_KEPT, show_spinner=False)
def _counting(
    path: str, revision: str, columns: tuple[str, ...], filters: Filters, since: int | None
) -> pd.DataFrame:
    """Each unit once, by its newest sheet: the named columns of those that pass."""
    del revision
    wanted = [c for c in dict.fromkeys(columns) if c not in ("newest", "purpose")]
    return pick_sheets(Store(path), wanted, where=dict(filters), since=_first(since), counting=True)


@of_sheets
@st.cache_resource(max_entries=_FRAMES_KEPT, show_spinner=False)
def _some_of_each(path: str, revision: str, by: str, filters: Filters, since: int | None) -> pd.DataFrame:
    del revision
    return pick_sheets(
        Store(path),
        NEEDED_COLUMNS,
        where=dict(filters),
        since=_first(since),
        counting=True,
        each=(by, MODEL_UNITS_A_GROUP),
    )


def _first(since: int | None) -> date | None:
    return None if since is None else date(since, 1, 1)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Counting …")
def attainment_tables(
    path: str, revision: str, by: tuple[str, ...], per: str, measure: str, policy: Policy, since: int | None
) -> Attained:
    """Attainment by group and period under a policy."""
    columns = tuple(needed_columns(list(by), per))
    periods = attainment(_counting(path, revision, columns, (), since), list(by), policy, per)
    return Attained(
        groups=coarser(periods, list(by)),
        periods=periods,
        whole=coarser(periods, []),
        trends=trends(periods, measure),
    )


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Drawing the limits of chance …")
def source_limits(
    path: str, revision: str, per: str, measure: str, policy: Policy, since: int | None
) -> tuple[pd.DataFrame, Funnel]:
    """Every assembly source against the limits that chance sets around the common rate."""
    found = attainment_tables(path, revision, (SOURCE,), per, measure, policy, since)
    return source_funnel(found.groups, measure)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Allowing for kinds …")
def sources_by_kind(
    path: str, revision: str, measure: str, policy: Policy, since: int | None
) -> pd.DataFrame:
    """Every assembly source against the others within each kind."""
    by = [SOURCE, "kind"]
    counted = _counting(path, revision, tuple(needed_columns(by)), (), since)
    return case_mix(attainment(counted, by, policy), measure, SOURCE, "kind")


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Allowing for kinds …")
def periods_by_kind(
    path: str, revision: str, by: str, group: str, per: str, measure: str, policy: Policy, since: int | None
) -> pd.DataFrame:
    """Each period of one group against its other periods within each kind."""
    counted = _counting(path, revision, tuple(needed_columns(["kind"], per)), ((by, (group,)),), since)
    return case_mix(attainment(counted, ["kind"], policy, per), measure, "period", "kind")


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Judging under the other policy …")
def under_another(
    path: str,
    revision: str,
    by: tuple[str, ...],
    per: str,
    policy: Policy,
    other: Policy,
    since: int | None,
) -> pd.DataFrame:
    """The same units under another policy, all together and by group."""
    columns = tuple(needed_columns(list(by), per))
    frame = _counting(path, revision, columns, (), since)
    whole = what_if(frame, [], policy, other)
    return pd.concat([whole, what_if(frame, list(by), policy, other)], ignore_index=True)

"""What the pages show, fetched: the only cached functions, keyed by (path, revision, plain filters).

Each opens the store for one call, hands frames to a judgement and keeps the result; the revision in the key
is the state of the store's file, so a new intake or refit is seen at the next click and an unchanged store is
never read twice. Frames of many sheets are fetched with the columns that a page counts by and no others, and
are kept without being copied: nothing that gets one may change it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import streamlit as st

from fleet.alignment.tradeoff import TradeOff, trade_off
from fleet.attainment.attainment import attainment, coarser, needed_columns
from fleet.attainment.comparisons import source_funnel, trends, what_if
from fleet.attainment.contrasts import Contrast, by_period, contrast
from fleet.attainment.distributions import NEEDED_COLUMNS, QUANTITIES, Distribution, distribution
from fleet.columns import ENQUIRY_COLUMNS
from fleet.errors import FleetError
from fleet.quotes.recalibration import Recalibration, recalibrated
from fleet.store import Overview, Store, default_path, pick_sheets
from fleet.store import overview as look_over

if TYPE_CHECKING:
    from fleet.house_model.house import House
    from fleet.house_model.predict import Forecaster
    from fleet.policy.policy import Policy
    from fleet.quotes.value_of_information import Information
    from fleet.statistics.proportions import Funnel

ASKED: Final = "asked"
MODEL_UNITS_A_GROUP: Final = 3000
"""The house model's estimate of a large group is the mean over so many of its units."""
MANY_SHEETS: Final = 60_000
_STORES_KEPT, _FRAMES_KEPT, _RESULTS_KEPT = 2, 3, 64
Filters = tuple[tuple[str, tuple[str, ...]], ...]
Facts = tuple[tuple[str, str | float], ...]


@dataclass(frozen=True)
class Asked:
    """A quote as a page needs it.

    Attributes
    ----------
    table : the quote's one row, columns of the contract
    draws : joint draws of the bench reading
    trade : chances against tilt, of the true angles
    sentence : the answer
    """

    table: pd.DataFrame
    draws: pd.DataFrame
    trade: TradeOff
    sentence: str

    @property
    def row(self) -> pd.Series:
        """The quote's row."""
        return self.table.iloc[0]

    @property
    def figures(self) -> dict[str, Any]:
        """The quote's row by column."""
        return {str(name): value for name, value in self.row.items()}


@dataclass(frozen=True)
class Attained:
    """Attainment of one grouping: by group, by group and period, of the whole fleet, and the trends."""

    groups: pd.DataFrame
    periods: pd.DataFrame
    whole: pd.DataFrame
    trends: pd.DataFrame


def store_path() -> str:
    """The store that the dashboard was started for (`FLEET_STORE`, else the user's default)."""
    return str(default_path())


def revision(path: str) -> str:
    """State of the store's file and its log, unopened (a writer may hold it); "" if it isn't there."""
    parts = []
    for file in (Path(path), Path(f"{path}.wal")):
        try:
            stat = file.stat()
        except OSError:
            continue
        parts.append(f"{stat.st_mtime_ns}:{stat.st_size}")
    return "/".join(parts)


@st.cache_data(max_entries=_STORES_KEPT, show_spinner="Reading the store …")
def overview(path: str, revision: str) -> Overview:
    """Counts of what the store holds."""
    del revision
    return look_over(Store(path).open())


@st.cache_resource(max_entries=_STORES_KEPT, show_spinner="Loading the house model …")
def house(path: str, revision: str) -> House:
    """The house model in the store (never changed once loaded)."""
    from fleet.fitting.refit import load_house

    del revision
    return load_house(Store(path))


@st.cache_data(max_entries=_STORES_KEPT, show_spinner=False)
def model_age(path: str, revision: str) -> int:
    """How many changes the store has seen since the model was fitted."""
    return Store(path).changes_since(house(path, revision).revision)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Quoting …")
def quoted(path: str, revision: str, facts: Facts, policy: Policy) -> Asked:
    """Quote one enquiry of which `facts` are told."""
    from fleet.quotes.quote import quote

    frame, model, use = enquiry(facts), forecaster(path, revision), correction(path, revision)
    quotes = quote(frame, model, {policy.name: policy}, policy_name=policy.name, recalibration=use)
    true = model.draw(frame)
    if use is not None:
        true = recalibrated(true, np.array(quotes.standing, dtype=object), use)
    trade = trade_off(true.sra_true[0], true.vta_true[0], true.tilt_room[0], policy)
    return Asked(quotes.table, quotes.draws(), trade, quotes.sentences[0])


@st.cache_data(max_entries=_STORES_KEPT, show_spinner=False)
def correction(path: str, revision: str) -> Recalibration | None:
    """The track record's correction of intervals that is switched on; None if there is none."""
    from fleet.store.quotes import recalibration_text

    del revision
    text = recalibration_text(Store(path))
    return None if text is None else Recalibration.from_text(text)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Weighing what isn't told …")
def informed(path: str, revision: str, facts: Facts, policy: Policy) -> Information:
    """Which fact that isn't told would narrow the quote most."""
    from fleet.quotes.value_of_information import information

    return information(enquiry(facts), house(path, revision), policy)


def printable(path: str, revision: str, facts: Facts, policy: Policy, asked: str) -> str:
    """The quote as a page to print, the one that `fleet report quote` writes.

    Parameters
    ----------
    path, revision, facts, policy : as of `quoted`.
    asked : what to ask for next, in a sentence.
    """
    from fleet.quotes.quote import quote
    from fleet.report.page import html
    from fleet.report.quotes import quote_papers

    frame, model, use = enquiry(facts), forecaster(path, revision), correction(path, revision)
    quotes = quote(frame, model, {policy.name: policy}, policy_name=policy.name, recalibration=use)
    return html(quote_papers(frame, quotes, model, {"default": policy}, on=date.today(), asked=[asked]))


@st.cache_resource(max_entries=_STORES_KEPT, show_spinner=False)
def forecaster(path: str, revision: str) -> Forecaster:
    """The model's forecaster, which keeps what every quote needs."""
    from fleet.house_model.predict import Forecaster

    return Forecaster(house(path, revision))


def enquiry(facts: Facts) -> pd.DataFrame:
    """One enquiry as a typed row: every column of the contract, empty where not told."""
    told = dict(facts) | {"enquiry_id": ASKED}
    columns: dict[str, pd.Series[Any]] = {}
    for name, column in ENQUIRY_COLUMNS.items():
        kind, empty = ("float64", np.nan) if column.kind == "number" else ("str", None)
        columns["serial_token" if name == "serial" else name] = pd.Series([told.get(name, empty)], dtype=kind)
    return pd.DataFrame(columns)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Summing up …")
def distributed(
    path: str, revision: str, quantity: str, by: str, filters: Filters = (), since: int | None = None
) -> Distribution:
    """One quantity by group, raw and (where there is a model) partially pooled."""
    return distribution(*_to_sum_up(path, revision, quantity, by, filters, since))


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Comparing …")
def contrasted(
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
    except FleetError:  # no model yet: the raw readings stand alone, and the page says so
        model = None
    if overview(path, revision).sheets <= MANY_SHEETS:
        return _counting(path, revision, NEEDED_COLUMNS, filters, since), quantity, by, model, None
    what = QUANTITIES[quantity]
    groups = ("stylus_profile", "cantilever_material") if by == "kind" else (by,)
    narrow = (*groups, "stylus_profile", *what.add, *what.subtract)
    few = None if model is None else _some_of_each(path, revision, by, filters, since)
    return _counting(path, revision, narrow, filters, since), quantity, by, model, few


@st.cache_resource(max_entries=_FRAMES_KEPT, show_spinner=False)
def _counting(
    path: str, revision: str, columns: tuple[str, ...], filters: Filters, since: int | None
) -> pd.DataFrame:
    """Each unit once, by its newest sheet: the named columns of those that pass."""
    del revision
    wanted = [c for c in dict.fromkeys(columns) if c not in ("newest", "purpose")]
    return pick_sheets(Store(path), wanted, where=dict(filters), since=_first(since), counting=True)


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


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Counting …")
def attained(
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


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Drawing the limits of chance …")
def source_limits(
    path: str, revision: str, per: str, measure: str, policy: Policy, since: int | None
) -> tuple[pd.DataFrame, Funnel]:
    """Every assembly source against the limits that chance sets around the common rate."""
    found = attained(path, revision, ("assembly_source",), per, measure, policy, since)
    return source_funnel(found.groups, measure)


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

"""What the pages show, fetched: the only cached functions, keyed by (path, revision, plain filters).

Each opens the store for one call, hands frames to a judgement and keeps the result; the revision in the key
is the state of the store's file, so a new intake or refit is seen at the next click and an unchanged store is
never read twice. Results are small; no page gets a million rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import streamlit as st

from fleet.columns import ENQUIRY_COLUMNS
from fleet.errors import FleetError
from fleet.judgements.attainment import attainment
from fleet.judgements.cloud import Cloud, cloud
from fleet.judgements.comparisons import trends
from fleet.judgements.distributions import NEEDED_COLUMNS, Distribution, distribution
from fleet.judgements.tradeoff import TradeOff, trade_off
from fleet.store import Store, default_path

if TYPE_CHECKING:
    from fleet.judgements.policy import Policy
    from fleet.models.house import House
    from fleet.models.predict import Forecaster

ASKED: Final = "asked"
_SHEETS_KEPT, _RESULTS_KEPT = 2, 64
_COUNTED: Final = ("sheet_no", "unit", "newest", "purpose", "measured_on")
SHEET_COLUMNS: Final = tuple(
    dict.fromkeys([*_COUNTED, *NEEDED_COLUMNS, "remedy", "sra_after_deg", "vta_after_deg", "peculiarities"])
)
"""Columns the pages' judgements look at."""
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
class Listed:
    """Suspects as a page needs them: the table with each unit's kind and source, and the answer."""

    table: pd.DataFrame
    sentence: str


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


@st.cache_data(max_entries=_SHEETS_KEPT, show_spinner="Reading the store …")
def sheets(path: str, revision: str) -> pd.DataFrame:
    """Newest version of every sheet, the columns the pages need."""
    del revision
    return Store(path).open().current(SHEET_COLUMNS)


@st.cache_resource(max_entries=_SHEETS_KEPT, show_spinner="Loading the house model …")
def house(path: str, revision: str) -> House:
    """The house model in the store (never changed once loaded)."""
    from fleet.refit import load_house

    del revision
    return load_house(Store(path))


@st.cache_data(max_entries=_SHEETS_KEPT, show_spinner=False)
def model_age(path: str, revision: str) -> int:
    """How many changes the store has seen since the model was fitted."""
    return Store(path).changes_since(house(path, revision).revision)


@st.cache_data(max_entries=_SHEETS_KEPT, show_spinner=False)
def known(path: str, revision: str) -> dict[str, tuple[str, ...]]:
    """Codes and words that occur in each of the grouping columns, the most frequent first."""
    frame = sheets(path, revision)
    names = ("body_family", "stylus_profile", "cantilever_material", "assembly_source", "generator", "bench")
    counts = {name: frame[name].value_counts().sort_index() for name in names}
    return {n: tuple(c.sort_values(ascending=False, kind="stable").index) for n, c in counts.items()}


@st.cache_data(max_entries=_SHEETS_KEPT, show_spinner=False)
def years(path: str, revision: str) -> tuple[int, ...]:
    """Years in which sheets were measured, newest first."""
    found = pd.to_datetime(sheets(path, revision)["measured_on"]).dt.year.dropna().unique()
    return tuple(sorted((int(y) for y in found), reverse=True))


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Quoting …")
def quoted(path: str, revision: str, facts: Facts, policy: Policy) -> Asked:
    """Quote one enquiry of which `facts` are told."""
    from fleet.judgements.quote import quote

    frame, model = enquiry(facts), forecaster(path, revision)
    quotes = quote(frame, model, {policy.name: policy}, policy_name=policy.name)
    true = model.draw(frame)
    trade = trade_off(true.sra_true[0], true.vta_true[0], true.tilt_room[0], policy)
    return Asked(quotes.table, quotes.draws(), trade, quotes.sentences[0])


@st.cache_resource(max_entries=_SHEETS_KEPT, show_spinner=False)
def forecaster(path: str, revision: str) -> Forecaster:
    """The model's forecaster, which keeps what every quote needs."""
    from fleet.models.predict import Forecaster

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
    frame = _filtered(sheets(path, revision), filters, since)
    try:
        model = house(path, revision)
    except FleetError:  # no model yet: the raw readings stand alone, and the page says so
        model = None
    return distribution(frame, quantity, by, model)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Looking for suspects …")
def suspected(path: str, revision: str, fdr: float) -> Listed:
    """All units judged against their kind, the most suspect first."""
    from fleet.judgements.scoring import FaultPrior
    from fleet.judgements.suspects import suspects
    from fleet.judgements.verdicts import prior_from_verdicts
    from fleet.store import list_verdicts

    store = Store(path).open()
    frame = store.current()
    frame = frame[frame["purpose"] == "unit"]
    prior = prior_from_verdicts(FaultPrior(), list_verdicts(store))
    found = suspects(house(path, revision), frame, fdr=fdr, prior=prior)
    key = ["sheet_no", "unit"]
    about = frame[[*key, "stylus_profile", "cantilever_material", "assembly_source", "body_family"]]
    about = about.astype({"unit": "str"}).drop_duplicates(key)
    table = found.table.merge(about, on=key, how="left", validate="many_to_one")
    return Listed(table, found.sentence)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner=False)
def among_its_kind(path: str, revision: str, sheet_no: str) -> Cloud:
    """One sheet's readings against its kind."""
    return cloud(sheets(path, revision), sheet_no)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner=False)
def sheets_of_unit(path: str, revision: str, sheet_no: str) -> pd.DataFrame:
    """All sheets of the unit that a sheet belongs to, newest first."""
    frame = sheets(path, revision)
    unit = frame.loc[frame["sheet_no"] == sheet_no, "unit"]
    return frame[frame["unit"].isin(unit)].sort_values("measured_on", ascending=False)


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Counting …")
def attained(
    path: str, revision: str, by: tuple[str, ...], per: str, measure: str, policy: Policy, since: int | None
) -> Attained:
    """Attainment by group and period under a policy."""
    frame = _filtered(sheets(path, revision), (), since)
    periods = attainment(frame, list(by), policy, per)
    return Attained(
        groups=attainment(frame, list(by), policy),
        periods=periods,
        whole=attainment(frame, [], policy),
        trends=trends(periods, measure),
    )


def _filtered(frame: pd.DataFrame, filters: Filters, since: int | None) -> pd.DataFrame:
    keep = np.ones(len(frame), dtype=bool)
    for name, values in filters:
        if values:
            keep &= frame[name].isin(values).to_numpy()
    if since is not None:
        keep &= (pd.to_datetime(frame["measured_on"]) >= pd.Timestamp(date(since, 1, 1))).to_numpy()
    return frame[keep]

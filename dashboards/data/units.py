"""Units: one unit's readings among its kind, and the units behind a figure."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.group_figures import Filters
from dashboards.data.store_state import of_sheets
from fleet.alignment.targets import states
from fleet.attainment.attainment import NOT_TOLD, needed_columns, period_labels
from fleet.attainment.distributions import NEEDED_COLUMNS, QUANTITIES
from fleet.attainment.peers import FEWEST_OF_KIND, PeerGroup, peer_group
from fleet.errors import NoSuchUnitError
from fleet.store import Store, pick_sheets

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

MOST_OF_KIND: Final = 4000
COMPARED: Final = tuple(
    dict.fromkeys(["sheet_no", "unit", "newest", "purpose", "measured_on", *NEEDED_COLUMNS])
)
_RESULTS_KEPT: Final = 32
ABOUT: Final = ("stylus_profile", "cantilever_material", "assembly_source", "body_family", "bench")
MET_WORDS: Final = {1: "met", 0: "not met", -1: "not read"}


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner=False)
def among_its_kind(path: str, revision: str, sheet_no: str) -> PeerGroup:
    """One sheet's readings against its kind; where its kind is too thin, against others as well."""
    mine = pick_sheets(Store(path), COMPARED, where={"sheet_no": [sheet_no]})
    if mine.empty:
        raise NoSuchUnitError(f"there is no sheet {sheet_no!r} in the store; check its number")
    label = "/".join(
        NOT_TOLD if pd.isna(v) else str(v)
        for v in mine.iloc[-1][["stylus_profile", "cantilever_material"]].tolist()
    )
    others = of_kind(path, revision, label)
    frame = pd.concat([others[others["sheet_no"] != sheet_no], mine], ignore_index=True)
    return peer_group(frame, sheet_no)


@of_sheets
@st.cache_resource(max_entries=8, show_spinner=False)
def of_kind(path: str, revision: str, kind: str) -> pd.DataFrame:
    """The newest units of a kind, and where it is too thin for a comparison the newest of all kinds."""
    del revision
    store = Store(path)
    same = pick_sheets(store, COMPARED, where={"kind": [kind]}, counting=True, newest_first=MOST_OF_KIND)
    if len(same) > FEWEST_OF_KIND:
        return same
    return pick_sheets(store, COMPARED, counting=True, newest_first=MOST_OF_KIND)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Fetching the units …")
def units_read(
    path: str, revision: str, quantity: str, by: str, group: str, filters: Filters, since: int | None
) -> pd.DataFrame:
    """The units of one group that were read for a quantity: `sheet_no`, `measured_on`, …, `reading`."""
    what = QUANTITIES[quantity]
    columns = ("stylus_profile", *what.add, *what.subtract)
    frame = _members(path, revision, by, group, filters, since, columns)
    frame = frame.assign(reading=what.read(frame))
    return frame[frame["reading"].notna()].sort_values("reading", ignore_index=True)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Fetching the units …")
def units_counted(
    path: str,
    revision: str,
    by: str,
    group: str,
    measure: str,
    policy: Policy,
    since: int | None,
    per: str | None = None,
    period: str | None = None,
) -> pd.DataFrame:
    """The units that one rate counts: `sheet_no`, `measured_on`, …, and `met`: met, not met, not read."""
    frame = _members(path, revision, by, group, (), since, tuple(needed_columns([])))
    if per is not None and period is not None and len(frame):
        frame = frame[period_labels(frame["measured_on"], per) == period].reset_index(drop=True)
    met = pd.Series(states(frame, policy)[measure], index=frame.index).map(MET_WORDS)
    return frame.assign(met=met).sort_values("measured_on", ascending=False, ignore_index=True)


def _members(
    path: str,
    revision: str,
    by: str,
    group: str,
    filters: Filters,
    since: int | None,
    columns: tuple[str, ...],
) -> pd.DataFrame:
    del revision
    wanted = [
        c
        for c in dict.fromkeys(["sheet_no", "measured_on", *ABOUT, *columns])
        if c not in ("newest", "purpose")
    ]
    where = dict(filters) | {by: _common(dict(filters).get(by, ()), group)}
    first = None if since is None else date(since, 1, 1)
    return pick_sheets(Store(path), wanted, where=where, since=first, counting=True)


def _common(accepted: tuple[str, ...], group: str) -> tuple[str, ...]:
    """The group itself where the page's filter lets it through, else nothing that there is."""
    return (group,) if not accepted or group in accepted else ("",)

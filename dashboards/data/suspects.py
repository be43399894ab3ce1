"""Suspects: units judged against their kind, and groups that drift as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.judged_by import fault_prior, first_policy
from dashboards.data.store_state import house, of_sheets, overview
from dashboards.data.units import ABOUT
from fleet.store import CURRENT_COLUMNS, Store, list_verdicts, pick_sheets

if TYPE_CHECKING:
    from fleet.faults.group_drift import Groups
    from fleet.faults.verdicts import Record

NEWEST_JUDGED: Final = 10_000
"""So many of the newest sheets are judged at once; the command line judges any number."""


@dataclass(frozen=True)
class Listed:
    """Suspects as a page needs them.

    Attributes
    ----------
    table : the judgement's table with each unit's kind, source and newest verdict
    sentence : the answer
    record : how often the flags were right
    """

    table: pd.DataFrame
    sentence: str
    record: Record


@st.cache_resource(max_entries=4, show_spinner="Looking for suspects …")
def ranked_suspects(path: str, revision: str, fdr: float) -> Listed:
    """Units judged against their kind, the most suspect first: all, or of a large store the newest sheets."""
    from fleet.faults.suspects import suspects
    from fleet.faults.verdicts import flag_record

    store = Store(path).open()
    frame = judged_sheets(path, revision)
    verdicts = list_verdicts(store)
    found = suspects(house(path, revision), frame, fdr=fdr, prior=fault_prior(path), policy=first_policy())
    key = ["sheet_no", "unit"]
    about = frame[[*key, *ABOUT]].astype({"unit": "str"}).drop_duplicates(key)
    table = found.table.merge(about, on=key, how="left", validate="many_to_one")
    told = verdicts.assign(unit=verdicts["unit"].astype("str")).set_index("unit")
    table["verdict"] = table["unit"].map(told["outcome"].mask(told["fault"].notna(), told["fault"]))
    return Listed(table, found.sentence, flag_record(found.table, verdicts))


def judged_part(path: str, revision: str) -> str:
    """Which sheets are judged, where the store holds too many to judge all at once; else empty."""
    if overview(path, revision).unit_sheets <= NEWEST_JUDGED:
        return ""
    return f"Judged here: the newest {NEWEST_JUDGED} sheets; `fleet suspects --out suspects.csv` judges all."


@of_sheets
@st.cache_data(max_entries=4, show_spinner="Looking at sources and families …")
def group_drift(path: str, revision: str) -> Groups:
    """Sources and families that as a whole drift or spread, among the newest sheets."""
    from fleet.faults.group_drift import groups

    return groups(house(path, revision), judged_sheets(path, revision))


@of_sheets
@st.cache_resource(max_entries=1, show_spinner=False)
def judged_sheets(path: str, revision: str) -> pd.DataFrame:
    """The sheets that are judged: all, or of a large store the newest."""
    del revision
    return pick_sheets(Store(path), CURRENT_COLUMNS, newest_first=NEWEST_JUDGED)

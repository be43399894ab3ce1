"""Recording what a unit turned out to be; the only thing that this page writes, and only when told to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd
import streamlit as st

from dashboards import layout, state
from fleet.errors import FleetError
from fleet.faults.verdicts import CONFIRMABLE, check_verdict
from fleet.store import Store, record_verdict, unit_of
from fleet.words import fault_words

OUTCOMES: Final = {
    "confirmed": "the fault below was found",
    "healthy": "it is healthy",
    "other_fault": "another fault was found",
}


def ask(found: layout.Ready, sheet_no: str, row: Mapping[str, Any]) -> None:
    """Offer to record a verdict on the unit of a sheet; a later one replaces it."""
    known = row.get("verdict")
    if isinstance(known, str):
        layout.note(f"Recorded: {fault_words(known)}. A later verdict replaces it.")
    likeliest = str(row["leading_fault"])
    start = CONFIRMABLE.index(likeliest) if likeliest in CONFIRMABLE else 0
    with st.form(f"verdict_{sheet_no}", border=True):
        cells = st.columns(3)
        outcome = cells[0].selectbox(
            "Outcome", list(OUTCOMES), index=None, format_func=lambda o: OUTCOMES[o], placeholder="choose"
        )
        fault = cells[1].selectbox("Fault", list(CONFIRMABLE), index=start, format_func=fault_words)
        day = cells[2].date_input("On", value="today", max_value="today", format="YYYY-MM-DD")
        if st.form_submit_button("Record the verdict", on_click=state.touch):
            if outcome is None:
                st.warning("Nothing was recorded: choose an outcome first.")
                return
            try:
                _record(found.path, sheet_no, outcome, fault if outcome == "confirmed" else None, day)
            except FleetError as error:
                layout.explain(error)
                return
            st.rerun()


def _record(path: str, sheet_no: str, outcome: str, fault: str | None, day: object) -> None:
    outcome, fault = check_verdict(outcome, fault)
    store = Store(path).open()
    on = day if isinstance(day, dt.date) else pd.Timestamp.today().date()
    record_verdict(store, unit_of(store, sheet_no), outcome, fault=fault, recorded_on=on)

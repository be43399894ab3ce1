"""Recording what a unit turned out to be; the only thing that this page writes, and only when told to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, Final

import pandas as pd
import streamlit as st

from dashboards import layout, sentences, state
from dashboards.data import store_state
from dashboards.data.normal import FDR
from dashboards.data.suspects import ranked_suspects
from fleet.errors import FleetError
from fleet.faults.verdicts import CONFIRMABLE, check_verdict
from fleet.store import Store, list_verdicts, record_verdict, unit_of, withdraw_verdict
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
        if st.button("Take it back", key=f"undo_{sheet_no}", icon=":material/undo:", on_click=state.touch):
            _do(found, sheet_no, _take_back)
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
            _do(
                found,
                sheet_no,
                lambda store, unit: _record(
                    store, unit, outcome, fault if outcome == "confirmed" else None, day
                ),
            )


def _do(found: layout.Ready, sheet_no: str, act: Callable[[Store, str], str]) -> None:
    """Record or take back, then draw the page again with a line that says what it changed."""
    before = ranked_suspects(found.path, found.revision, FDR).table
    try:
        store = Store(found.path).open()
        unit = unit_of(store, sheet_no)
        done = act(store, unit)
    except FleetError as error:
        layout.explain(error)
        return
    after = ranked_suspects(found.path, store_state.revision(found.path), FDR).table
    st.session_state[layout.DONE] = f"{done} {sentences.what_it_changed(before, after, unit)}"
    st.rerun()


def _record(store: Store, unit: str, outcome: str, fault: str | None, day: object) -> str:
    outcome, fault = check_verdict(outcome, fault)
    on = day if isinstance(day, dt.date) else pd.Timestamp.today().date()
    record_verdict(store, unit, outcome, fault=fault, recorded_on=on)
    return f"Recorded: {fault_words(fault or outcome)}."


def _take_back(store: Store, unit: str) -> str:
    outcome, fault, on = withdraw_verdict(store, unit)
    stands = list_verdicts(store)
    mine = stands[stands["unit"].astype(str) == unit]
    now = "no verdict counts now" if mine.empty else "the one before it counts again"
    return f"Taken back: {fault_words(fault or outcome)}, recorded on {on:%Y-%m-%d}; {now}."

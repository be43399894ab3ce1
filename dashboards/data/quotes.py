"""A quote for one enquiry: its figures, what would narrow it, and its page to print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import streamlit as st

from dashboards.data.store_state import of_sheets, quoting_house
from fleet.alignment.tradeoff import TradeOff, trade_off
from fleet.columns import CODE_PATTERN, ENQUIRY_COLUMNS
from fleet.errors import FleetError
from fleet.quotes.recalibration import Recalibration, apply_recalibration
from fleet.store import Store

if TYPE_CHECKING:
    from fleet.house_model.predict import Forecaster
    from fleet.policy.policy import Policy
    from fleet.quotes.quote import Quotes
    from fleet.quotes.value_of_information import Information

ASKED: Final = "asked"
_STORES_KEPT, _RESULTS_KEPT = 2, 64
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


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Quoting …")
def make_quote(path: str, revision: str, facts: Facts, policy: Policy) -> Asked:
    """Quote one enquiry of which `facts` are told."""
    return _asked(facts, forecaster(path, revision), policy, correction(path, revision))


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Quoting …")
def published_quote(path: str, revision: str, facts: Facts, policy: Policy) -> Asked:
    """Quote one enquiry for others' eyes, by published groups alone.

    The track record's correction of intervals is no published figure: one quote's miss can decide it.
    """
    return _asked(facts, published_forecaster(path, revision), policy, None)


def _asked(facts: Facts, model: Forecaster, policy: Policy, use: Recalibration | None) -> Asked:
    frame = enquiry(facts)
    quotes = quote_as_told(frame, model, policy, use)
    true = model.draw(frame, [policy])
    if use is not None:
        true = apply_recalibration(true, np.array(quotes.standing, dtype=object), use)
    trade = trade_off(true.sra_true[0], true.vta_true[0], true.tilt_room[0], policy)
    return Asked(quotes.table, quotes.draws(), trade, quotes.sentences[0])


@of_sheets
@st.cache_data(max_entries=_STORES_KEPT, show_spinner=False)
def correction(path: str, revision: str) -> Recalibration | None:
    """The track record's correction of intervals that is switched on; None if there is none."""
    from fleet.store.quotes import recalibration_text

    del revision
    store = Store(path)
    text = recalibration_text(store) if store.path.exists() else None
    return None if text is None else Recalibration.from_text(text)


@of_sheets
@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Weighing what isn't told …")
def open_facts_value(path: str, revision: str, facts: Facts, policy: Policy) -> Information:
    """Which fact that isn't told would narrow the quote most."""
    from fleet.quotes.value_of_information import information

    return information(enquiry(facts), quoting_house(path, revision), policy)


def keep(path: str, revision: str, facts: Facts, policy: Policy, number: str) -> str:
    """Keep a quote for the track record under its enquiry's number, as `fleet quote` does; say what was done.

    Raises
    ------
    FleetError
        If the number is none, or the store can't be written.
    """
    from fleet.quotes.kept_quotes import archive_rows
    from fleet.store.models import model_in_use
    from fleet.store.quotes import keep_quotes

    if re.fullmatch(CODE_PATTERN, number) is None:
        raise FleetError("nothing was kept: give the enquiry's number, letters, digits or _ . - alone")
    frame, model, use = enquiry(facts), forecaster(path, revision), correction(path, revision)
    frame = frame.assign(enquiry_id=pd.Series([number], dtype="str"))
    quotes = quote_as_told(frame, model, policy, use)
    store, own = Store(path), quoting_house(path, revision)
    kept = keep_quotes(store, archive_rows(quotes, frame, own, model_id=model_in_use(store)))
    if not kept.new:
        return f"The quote {number} is kept already, just so; it is not kept twice."
    return f"Kept as {number}: write that number on the sheet, and the record scores the quote by itself."


def quote_as_told(
    frame: pd.DataFrame, model: Forecaster, policy: Policy, use: Recalibration | None
) -> Quotes:
    """Quote enquiries under one policy, corrected where the record says so."""
    from fleet.quotes.quote import quote

    return quote(frame, model, {policy.name: policy}, policy_name=policy.name, recalibration=use)


def printable(path: str, revision: str, facts: Facts, policy: Policy, asked: Information) -> str:
    """The quote as a page to print, the one that `fleet report quote` writes.

    Parameters
    ----------
    path, revision, facts, policy : as of `make_quote`.
    asked : what to ask for next.
    """
    from fleet.report.page import html
    from fleet.report.quotes import quote_papers

    frame, model, use = enquiry(facts), forecaster(path, revision), correction(path, revision)
    quotes = quote_as_told(frame, model, policy, use)
    return html(quote_papers(frame, quotes, model, {"default": policy}, on=date.today(), asked=[asked]))


@of_sheets
@st.cache_resource(max_entries=_STORES_KEPT, show_spinner=False)
def forecaster(path: str, revision: str) -> Forecaster:
    """The model's forecaster, which keeps what every quote needs."""
    from fleet.house_model.predict import Forecaster

    return Forecaster(quoting_house(path, revision))


@st.cache_resource(max_entries=_STORES_KEPT, show_spinner=False)
def published_forecaster(path: str, revision: str) -> Forecaster:
    """The forecaster of the model that published groups alone have taught."""
    from fleet.fitting.published import published_house
    from fleet.house_model.predict import Forecaster

    del revision
    return Forecaster(published_house(Store(path)))


def enquiry(facts: Facts) -> pd.DataFrame:
    """One enquiry as a typed row: every column of the contract, empty where not told."""
    told = dict(facts) | {"enquiry_id": ASKED}
    columns: dict[str, pd.Series[Any]] = {}
    for name, column in ENQUIRY_COLUMNS.items():
        kind, empty = ("float64", np.nan) if column.kind == "number" else ("str", None)
        columns["serial_token" if name == "serial" else name] = pd.Series([told.get(name, empty)], dtype=kind)
    return pd.DataFrame(columns)

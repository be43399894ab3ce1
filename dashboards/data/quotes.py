"""A quote for one enquiry: its figures, what would narrow it, and its page to print."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import streamlit as st

from dashboards.data.store_state import house
from fleet.alignment.tradeoff import TradeOff, trade_off
from fleet.columns import ENQUIRY_COLUMNS
from fleet.quotes.recalibration import Recalibration, apply_recalibration
from fleet.store import Store

if TYPE_CHECKING:
    from fleet.house_model.predict import Forecaster
    from fleet.policy.policy import Policy
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


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Quoting …")
def make_quote(path: str, revision: str, facts: Facts, policy: Policy) -> Asked:
    """Quote one enquiry of which `facts` are told."""
    from fleet.quotes.quote import quote

    frame, model, use = enquiry(facts), forecaster(path, revision), correction(path, revision)
    quotes = quote(frame, model, {policy.name: policy}, policy_name=policy.name, recalibration=use)
    true = model.draw(frame)
    if use is not None:
        true = apply_recalibration(true, np.array(quotes.standing, dtype=object), use)
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
def open_facts_value(path: str, revision: str, facts: Facts, policy: Policy) -> Information:
    """Which fact that isn't told would narrow the quote most."""
    from fleet.quotes.value_of_information import information

    return information(enquiry(facts), house(path, revision), policy)


def printable(path: str, revision: str, facts: Facts, policy: Policy, asked: str) -> str:
    """The quote as a page to print, the one that `fleet report quote` writes.

    Parameters
    ----------
    path, revision, facts, policy : as of `make_quote`.
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

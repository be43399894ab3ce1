"""What the enquiry page shows, in the workshop and shared alike: what to expect, as pictures and figures."""

from __future__ import annotations

import streamlit as st

from dashboards import layout
from dashboards.data.quotes import Asked
from fleet.charts import enquiry as charts
from fleet.charts import tables
from fleet.policy.policy import Policy
from fleet.report.paper import policy_words


def ask() -> None:
    """Head the page with its question."""
    layout.question(
        "What will this pickup need?",
        "Say what is known; everything may stay empty, and what isn't told widens the answer by itself.",
    )


def expectation(asked: Asked, policy: Policy) -> None:
    """Answer, headline figures, and what the bench will probably read."""
    layout.answer(asked.sentence)
    cells = st.columns(4)
    for cell, (label, value, note) in zip(cells, tables.headline(asked.row, policy), strict=True):
        cell.metric(label, value, help=note, border=True)
    st.header("What the bench will probably read, level headshell")
    for cell, quantity in zip(st.columns(3), charts.SHOWN, strict=True):
        with cell:
            draws = asked.draws[quantity]
            if draws.notna().any():
                layout.show(charts.predictive(draws, quantity, policy, layout.look()), quantity)
            else:
                st.info("A spherical stylus has no rake, so it has no such reading.")
    layout.note(
        "Diamond: median. Thick line: half of such pickups; thin line: nine in ten. Green: the target policy."
    )


def figures(asked: Asked, policy: Policy, basis: str) -> None:
    """The quote's tables, and what it stands on."""
    st.header("The figures")
    left, right = st.columns([3, 2])
    with left:
        layout.table(tables.quantiles(asked.row), "quantiles")
    with right:
        layout.table(tables.chances(asked.row), "chances")
    price = "" if asked.row["price_quoted"] > 0 else " No price: the policy has no hourly rate."
    layout.note(f"The quote stands on: {basis}. Target policy {policy.name}: {policy_words(policy)}.{price}")

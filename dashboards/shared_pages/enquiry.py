"""Enquiry, shared: what to expect of a pickup, without a word on the units behind it."""

import streamlit as st

from dashboards import layout, shared
from dashboards.data.quotes import quoted
from fleet.charts import enquiry as charts
from fleet.charts import tables

layout.question(
    "What will this pickup need?",
    "Say what is known; everything may stay empty, and what isn't told widens the answer by itself.",
)
found = layout.ready(model=True)
facts = shared.facts(found, shared.groups(found))
policy = layout.policy()
asked = quoted(found.path, found.revision, facts, policy)
row, look = asked.row, layout.look()
layout.answer(asked.sentence)
cells = st.columns(4)
for cell, (label, value, note) in zip(cells, tables.headline(row, policy), strict=True):
    cell.metric(label, value, help=note, border=True)

st.header("What the bench will probably read, level headshell")
shown = [q for q in charts.SHOWN if asked.draws[q].notna().any()]
for cell, quantity in zip(st.columns(len(shown)), shown, strict=True):
    with cell:
        layout.show(charts.predictive(asked.draws[quantity], quantity, policy, look), quantity)
layout.note(
    "Diamond: median. Thick line: half of such pickups; thin line: nine in ten. Green: the target policy."
)

st.header("The figures")
left, right = st.columns([3, 2])
with left:
    layout.table(tables.quantiles(row), "quantiles")
with right:
    layout.table(tables.chances(row), "chances")
layout.note(f"The quote stands on: {shared.told_only(str(row['basis']))}. Policy {policy.label}.")
layout.next_steps(
    [
        "Send the pickup in with whatever is known of it; each fact narrows the answer.",
        layout.BENCH_DECIDES,
    ]
)

"""Enquiry: say what is known of a pickup, see what to expect of it."""

import streamlit as st

from dashboards import asking, layout, sentences
from dashboards.data.quotes import informed, printable, quoted
from fleet.charts import enquiry as charts
from fleet.charts import information as open_facts
from fleet.charts import tables

layout.question(
    "What will this pickup need?",
    "Say what is known; everything may stay empty, and what isn't told widens the answer by itself.",
)
found = layout.ready(model=True)
facts = asking.facts(found)
policy = layout.policy()
asked = quoted(found.path, found.revision, facts, policy)
row, look = asked.row, layout.look()
layout.answer(asked.sentence)

cells = st.columns(4)
for cell, (label, value, note) in zip(cells, tables.headline(row, policy), strict=True):
    cell.metric(label, value, help=note, border=True)

st.header("What the bench will probably read, level headshell")
for cell, quantity in zip(st.columns(3), charts.SHOWN, strict=True):
    with cell:
        if asked.draws[quantity].notna().any():
            layout.show(charts.predictive(asked.draws[quantity], quantity, policy, look), quantity)
        else:
            st.info("A spherical stylus has no rake, so it has no such reading.")
layout.note(
    "Diamond: median. Thick line: half of such pickups; thin line: nine in ten. Green: the target policy."
)

st.header("What a tilt would buy")
left, right = st.columns(2)
with left:
    layout.show(charts.trade_off_line(asked.trade, look), "trade_off")
with right:
    if asked.draws["sra_dynamic_deg"].notna().any():
        layout.show(charts.tilt_path(asked.draws, row, policy, look), "tilt_path")
layout.note(asked.trade.sentence)

st.header("The figures")
left, right = st.columns([3, 2])
with left:
    layout.table(tables.quantiles(row), "quantiles")
with right:
    layout.table(tables.chances(row), "chances")
layout.note(f"The quote stands on: {row['basis']}. Policy {policy.label}.")
layout.download(asked.table, "quote", "quote_csv")

st.header("What to ask for next")
worth = informed(found.path, found.revision, facts, policy)
st.markdown(layout.plain(worth.sentence))
if len(worth.table):
    layout.show(open_facts.narrowing(worth, look), "narrowing")
    layout.table(open_facts.figures(worth), "worth")
    layout.note(
        "Bar: mean over rake, tracking angle and tilt. Table: width of nine in ten now, and as expected once "
        "the fact is told, over the answers that it may have. Under 3% it is hardly worth a question."
    )
    layout.download(worth.table, "what-next", "worth_csv")
st.download_button(
    "Quote to print",
    lambda: printable(found.path, found.revision, facts, policy, worth.sentence).encode(),
    "quote.html",
    "text/html",
    key="printable",
    on_click="ignore",
    icon=":material/print:",
    help="One page that stands alone, as `fleet report quote` writes it; print it from any browser.",
)
layout.next_steps(sentences.after_quote(asked.figures))
layout.note(layout.BENCH_DECIDES)

"""Enquiry: say what is known of a pickup, see what to expect of it."""

import streamlit as st

from dashboards import enquiry_page, form, layout, sentences, state
from dashboards.data.quotes import keep, make_quote, open_facts_value, printable
from fleet import words
from fleet.charts import enquiry as charts
from fleet.charts import information as open_facts
from fleet.errors import FleetError

enquiry_page.ask()
found, fitted = layout.quoting()
facts = tuple(sorted(form.enquiry(found).items()))
policy = layout.policy()
asked = make_quote(found.path, found.revision, facts, policy)
enquiry_page.expectation(asked, policy)

st.header("What a tilt would buy")
look, (left, right) = layout.look(), st.columns(2)
with left:
    layout.show(charts.trade_off_line(asked.trade, look), "trade_off")
with right:
    if asked.draws["sra_dynamic_deg"].notna().any():
        layout.show(charts.tilt_path(asked.draws, asked.row, policy, look), "tilt_path")
layout.note(asked.trade.sentence)

enquiry_page.figures(asked, policy, asked.row["basis"])
layout.download(asked.table, "quote", "quote_csv")

st.header("What to ask for next")
worth = open_facts_value(found.path, found.revision, facts, policy)
st.markdown(layout.plain(worth.sentence))
if len(worth.table):
    layout.show(open_facts.narrowing_chart(worth, look), "narrowing")
    layout.table(open_facts.figures(worth), "worth")
    layout.note(
        "Bar: mean over rake, tracking angle and tilt. Table: width of nine in ten now, and as expected once "
        "the fact is told, over the answers that it may have. Under 3 % it is hardly worth a question."
    )
    layout.download(worth.table, "what-next", "worth_csv")
st.download_button(
    "Quote to print",
    lambda: printable(found.path, found.revision, facts, policy, worth).encode(),
    "quote.html",
    "text/html",
    key="printable",
    on_click="ignore",
    icon=":material/print:",
    help="One page that stands alone, as `fleet report quote` writes it; print it from any browser.",
)
if fitted:
    with st.form("keep", border=True):
        st.markdown("**Keep this quote for the track record**")
        cells = st.columns([3, 2], vertical_alignment="bottom")
        number = cells[0].text_input(
            "Enquiry number",
            key=state.name("keep_number"),
            help="No blanks; written on the sheet later, it lets the record say whether the quote came true.",
        )
        if cells[1].form_submit_button("Keep the quote", on_click=state.touch):
            try:
                st.success(keep(found.path, found.revision, facts, policy, number.strip()))
            except FleetError as error:
                layout.explain(error)
steps = sentences.after_quote(asked.figures)
layout.next_steps(steps if fitted else [*steps, sentences.BEFORE_FIRST_FIT])
layout.note(words.BENCH_DECIDES)

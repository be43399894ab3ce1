"""The dashboard: pages over one store. Start it with `fleet dashboard`."""

import logging
from pathlib import Path

import streamlit as st

from dashboards import layout, shared, state
from fleet.errors import FleetError

# A folder "pages" beside this file would be served without this frame, and so without its gate.
PAGES = Path(__file__).parent / "workshop_pages"

st.set_page_config(page_title="fleet", page_icon=layout.ICON, layout="wide")
st.html(
    "<style>[data-testid=stMainBlockContainer] {padding-top: 1rem} "
    "[data-testid=stHeader] {background: none; pointer-events: none; max-width: 25vw; left: auto} "
    "[data-testid=stToolbarActions], [data-testid=stMainMenu] {pointer-events: auto}</style>"
)  # Streamlit's own bar is empty but for what it runs: the pages' links stand in its place
shared.gate()
pages = (
    shared.pages()
    if shared.is_shared()
    else [
        st.Page(PAGES / "enquiry.py", title="Enquiry", icon=":material/contact_support:", default=True),
        st.Page(PAGES / "on_the_bench.py", title="On the bench", icon=":material/straighten:"),
        st.Page(PAGES / "normal.py", title="Normal", icon=":material/scatter_plot:"),
        st.Page(PAGES / "suspects.py", title="Suspects", icon=":material/troubleshoot:"),
        st.Page(PAGES / "distributions.py", title="Distributions", icon=":material/bar_chart:"),
        st.Page(PAGES / "attainment.py", title="Attainment", icon=":material/target:"),
        st.Page(PAGES / "bench.py", title="Bench", icon=":material/monitor_heart:"),
        st.Page(PAGES / "record.py", title="Track record", icon=":material/fact_check:"),
        st.Page(PAGES / "sheets.py", title="Sheets", icon=":material/upload_file:"),
    ]
)
unit = [] if shared.is_shared() else [st.Page(PAGES / "unit.py", title="Unit", icon=":material/album:")]
page = st.navigation([*pages, *unit], position="hidden")
asked = state.gone_to()
if asked is not None:
    st.switch_page(PAGES / f"{asked[0]}.py", query_params=asked[1])
with st.container(horizontal=True, gap="small"):  # Streamlit's own bar hides its words in a narrow window
    for entry in pages:
        st.page_link(entry)
state.enter(page.url_path or "enquiry")
try:
    page.run()
except FleetError as error:
    layout.explain(error)
except Exception:
    if st.get_option("client.showErrorDetails") == "full":
        raise
    logging.getLogger("fleet").exception("the page could not be drawn")
    st.error(
        "This page could not be drawn: a fault of the program. The terminal it was started from says more."
    )

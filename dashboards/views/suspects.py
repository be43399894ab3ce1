"""Suspects: units that are not normal for their kind, and why."""

import streamlit as st

from dashboards import choosing, layout, sentences
from dashboards.data import among_its_kind, sheets_of_unit
from fleet.charts import suspects as charts
from fleet.judgements.cloud import PAIRS

layout.question(
    "Which units are not normal for their kind?",
    "Each unit is judged by a model that it had no part in: how sure it is off, and what is likely wrong.",
)
found = layout.ready(model=True)
listed, shown = choosing.suspect_list(found)
layout.answer(listed.sentence)
sheet_no = choosing.suspect(listed.table, shown)
layout.download(listed.table, "suspects", "suspects_csv")
if sheet_no is None:
    st.stop()

row = charts.row_of(listed.table, sheet_no)
look = layout.look()
st.header(f"Sheet {sheet_no}")
st.markdown(layout.plain(str(row["why"])))
cloud = among_its_kind(found.path, found.revision, sheet_no)
left, right = st.columns([2, 3])
with left:
    layout.show(charts.fault_chances(row, look), "fault_chances")
with right:
    layout.table(charts.compared(cloud), "compared")
layout.note(cloud.sentence)

st.subheader("Its readings among its kind")
pairs = [chart for pair in PAIRS if (chart := charts.pair_of_links(cloud, pair, look)) is not None]
for i in range(0, len(pairs), 2):
    for j, cell in enumerate(st.columns(2)):
        if i + j < len(pairs):
            with cell:
                layout.show(pairs[i + j], f"pair_{i + j}")
layout.note(
    "Diamond: this unit. Dots: the others of its kind, as read; those far outside the frame are left out."
)

st.subheader("Sheets of this unit")
layout.table(charts.unit_sheets(sheets_of_unit(found.path, found.revision, sheet_no)), "unit_sheets")
layout.next_steps(sentences.after_suspect(row))
st.page_link(
    "views/enquiry.py",
    label="Quote a pickup of this kind",
    icon=":material/contact_support:",
    query_params=sentences.asked_like(row),
)

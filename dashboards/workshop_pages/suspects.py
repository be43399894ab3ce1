"""Suspects: units that are not normal for their kind, why; groups that drift; what they turned out to be."""

import streamlit as st

from dashboards import layout, picker, sentences, state, verdict_form
from dashboards.data import suspects, units
from dashboards.data.judged_by import prior_file
from fleet.attainment.peers import PAIRS
from fleet.charts import suspects as charts
from fleet.charts import tables

layout.question(
    "Which units are not normal for their kind?",
    "Each unit is judged by a model that it had no part in: how sure it is off, and what is likely wrong.",
)
found = layout.ready(model=True)
listed, shown, filtered = picker.suspect_list(found)
if filtered:
    layout.answer(sentences.passing_sentence(listed.table, shown))
    layout.note(listed.sentence)
else:
    layout.answer(listed.sentence)
if prior_file():
    layout.note(f"Shares of faults to judge by: {prior_file()}, moved by the verdicts recorded here.")
if not listed.whole:
    layout.note(
        f"Judged here: the newest {suspects.NEWEST_JUDGED} sheets. `fleet suspects --out suspects.csv` "
        "judges the whole store."
    )
sheet_no = picker.suspect(listed.table, shown, filtered=filtered)
layout.download(shown, "suspects", "suspects_csv")

if sheet_no is not None:
    row = charts.row_of(listed.table, sheet_no)
    look = layout.look()
    st.header(f"Sheet {sheet_no}")
    st.markdown(layout.plain(str(row["why"])))
    cloud = units.among_its_kind(found.path, found.revision, sheet_no)
    left, right = st.columns([2, 3])
    with left:
        layout.show(charts.fault_chances(row, look), "fault_chances")
    with right:
        layout.table(charts.comparison_table(cloud), "compared")
    layout.note(cloud.sentence)

    st.subheader("Its readings among its kind")
    pairs = [chart for pair in PAIRS if (chart := charts.pair_of_links(cloud, pair, look)) is not None]
    for i in range(0, len(pairs), 2):
        for j, cell in enumerate(st.columns(2)):
            if i + j < len(pairs):
                with cell:
                    layout.show(pairs[i + j], f"pair_{i + j}")
    layout.note("Diamond: this unit. Dots: the others of its kind, as read; those far outside are left out.")

    st.subheader("Sheets of this unit")
    own = units.sheets_of_unit(found.path, found.revision, sheet_no, str(row["unit"]))
    layout.table(charts.unit_sheets(own), "unit_sheets")
    layout.note(sentences.earlier_sheets(own, sheet_no))

    st.subheader("What did it turn out to be?")
    verdict_form.ask(found, sheet_no, row)
    layout.note(listed.record.sentence)
    layout.next_steps(sentences.after_suspect(row))
    with st.container(horizontal=True):
        st.page_link(
            "workshop_pages/enquiry.py",
            label="Quote a pickup of this kind",
            icon=":material/contact_support:",
            query_params=sentences.asked_like(row),
        )
        picker.to_its_page(sheet_no)
        picker.history(sheet_no, "History of this sheet")

st.header("Sources and families that drift or spread")
if state.switch("Look at whole groups (takes some seconds)", "groups"):
    drift = suspects.group_drift(found.path, found.revision)
    layout.answer(drift.sentence)
    for why in drift.table.loc[drift.table["alarm"].astype(bool), "why"] if len(drift.table) else []:
        st.markdown(f"- {layout.plain(str(why))}")
    layout.table(tables.checks(drift), "drift")
    layout.download(drift.table, "groups", "groups_out")
else:
    layout.note("One unit may be off by itself; a batch shows when its source or family is looked at whole.")

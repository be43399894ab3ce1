"""Suspects: units that are not normal for their kind, and groups that drift; a row opens the unit's page."""

import streamlit as st

from dashboards import layout, picker, sentences, state
from dashboards.data import suspects
from dashboards.data.judged_by import prior_file
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
layout.note(suspects.judged_part(found.path, found.revision))
picker.suspects(shown)
layout.download(shown, "suspects", "suspects_csv")
layout.note(listed.record.sentence)


@layout.part
def whole_groups() -> None:
    """Sources and families judged as a whole, when asked for."""
    if not state.switch("Look at whole groups (takes some seconds)", "groups"):
        layout.note(
            "One unit may be off by itself; a batch shows when its source or family is looked at whole."
        )
        return
    drift = suspects.group_drift(found.path, found.revision)
    layout.answer(drift.sentence)
    for why in drift.table.loc[drift.table["alarm"].astype(bool), "why"] if len(drift.table) else []:
        st.markdown(f"- {layout.plain(str(why))}")
    layout.table(tables.checks(drift), "drift")
    layout.download(drift.table, "groups", "groups_out")


st.header("Sources and families that drift or spread")
whole_groups()
layout.next_steps(sentences.AFTER_SUSPECTS)

"""Sheets: what came in, a file to take in with a look at it first, and the history of one sheet."""

import streamlit as st

from dashboards import guide_form, layout, picker, sentences, state
from dashboards.data import sheets, store_state
from dashboards.data.sheets import Upload
from fleet.charts import tables
from fleet.errors import FleetError
from fleet.words import plain_word, quantity

FILTERS = (
    ("stylus_profile", "stylus"),
    ("body_family", "family"),
    ("assembly_source", "source"),
    ("operator", "operator"),
)
FILE, GUIDE, CORRECT, SURE, REPORT = map(state.name, state.INTAKE)
layout.question(
    "Which sheets are in the store, and what would this file add?",
    "A file is looked at first; nothing is stored until you confirm it. Serial numbers become keyed tokens.",
)
path = store_state.store_path()
found = layout.Ready(path, store_state.revision(path))
layout.say_done()

st.header("Take a file in")
cells = st.columns(2)
file = cells[0].file_uploader(
    "Bench sheets: CSV, workbook, Parquet",
    type=["csv", "gz", "tsv", "xlsx", "xlsm", "xls", "ods", "parquet"],
    key=FILE,
)
guide = cells[1].file_uploader("Reading guide of the bench, if it has one", type=["toml"], key=GUIDE)
upload = None if file is None else Upload(file.name, file.getvalue())
reading = None if guide is None else Upload(guide.name, guide.getvalue())
if upload is not None:
    correct = st.checkbox("Other contents under a known sheet number are a correction", key=CORRECT)
    looked = None
    try:
        looked = sheets.look(found.path, found.revision, upload, reading, supersede=correct)
    except FleetError as error:
        layout.explain(error)
    if looked is not None:
        report = looked.report
        layout.answer(sentences.looked_at(report))
        if report.ignored:
            layout.note(f"Columns not looked at: {', '.join(report.ignored)}.")
        layout.table(looked.holds, "holds")
        if len(looked.faults):
            st.subheader("Put aside, and why")
            layout.table(looked.faults, "faults")
            layout.download(looked.faults, "rejects", "rejects")
        if len(looked.warnings):
            st.subheader("Would go in, but worth a look")
            layout.table(looked.warnings, "warnings")
        if report.accepted:
            with st.form("take_in", border=True):
                sure = st.checkbox(f"Yes, store these {report.accepted} sheets in {path}", key=SURE)
                if st.form_submit_button("Take them in", on_click=state.touch):
                    if not sure:
                        st.warning("Nothing was stored: tick the box first.")
                    else:
                        try:
                            st.session_state[REPORT] = sheets.take_in(
                                path, upload, reading, supersede=correct
                            )
                        except FleetError as error:
                            layout.explain(error)
                        else:
                            st.rerun()
    if looked is None or looked.report.ignored:
        with st.expander("Headers of the bench's own? What each column is taken for, and what must be asked"):
            try:
                proposal = sheets.draft_guide(upload)
                layout.note(proposal.sentence)
                toml = guide_form.ask(proposal)
                st.code(toml, language="toml", height=260)
                st.download_button(
                    "Guide as TOML", toml.encode(), "guide.toml", key="guide_out", on_click="ignore"
                )
                if proposal.lacks:
                    layout.note(f"No column is known as {', '.join(proposal.lacks)}: map it in an editor.")
                elif "\nask = " in toml:
                    layout.note("Answer its questions above, or in an editor; then it can be kept.")
                elif st.button("Keep this guide: files with these headers are read by it", key="guide_keep"):
                    sheets.keep(path, upload, toml)
                    st.rerun()
            except FleetError as error:
                layout.explain(error)
done = st.session_state.get(REPORT)
if done is not None:
    st.success(f"{layout.plain(done.sentence)} Next: `fleet refit`")
    if done.faults:
        rejected = sheets.fault_table(done.faults)
        layout.table(rejected, "rejected")
        layout.download(rejected, "rejects", "rejected_out")
    layout.offer_refit(path)

try:
    held = store_state.overview(found.path, found.revision)
    intakes = sheets.intakes(found.path, found.revision)
except FleetError as error:
    layout.explain(error)
    st.stop()
st.header("What came in")
layout.answer(sentences.store_sentence(held.sheets, held.unit_sheets, len(intakes)))
if len(intakes):
    layout.table(tables.intakes(intakes), "intakes")
    layout.download(intakes, "intakes", "intakes_out")


@layout.part
def find() -> None:
    """List sheets that pass a search; a row opens its unit's page."""
    every = sheets.newest_sheets(found.path, found.revision)
    cells = st.columns(5)
    with cells[0]:
        part = state.text("Part of a sheet's number", "find", "any")
    chosen = []
    for cell, (name, key) in zip(cells[1:], FILTERS, strict=True):
        with cell:
            label = quantity(name).short.capitalize()
            options = held.levels[name] if name in held.levels else sorted(every[name].dropna().unique())
            chosen.append((name, tuple(state.several(label, list(options), key, names=plain_word))))
    hits = sheets.find_sheets(every, part, tuple(chosen))
    layout.note(sentences.sheets_found(len(hits), len(every), held.unit_sheets, picker.MOST_LISTED))
    if len(hits):
        head = hits.head(picker.MOST_LISTED)
        about = f"List of {len(head)} sheets, the newest first; picking one opens its unit's page"
        numbers = head["sheet_no"].astype(str).tolist()
        picker.to_unit_by_row(tables.sheets(head), "found", numbers, about, most=8)


@layout.part
def history() -> None:
    """Every version of one sheet."""
    number = state.text("Sheet number", "sheet_no", "as the bench numbered it")
    if number:
        versions = sheets.versions(found.path, found.revision, number)
        layout.note(sentences.versions(number, versions))
        layout.table(tables.versions(versions), "versions", rows=24)
        layout.download(versions.drop(columns="serial_token"), "history", "history_out")


st.header("Find a sheet")
find()
st.header("History of a sheet")
history()
layout.next_steps(sentences.AFTER_SHEETS)

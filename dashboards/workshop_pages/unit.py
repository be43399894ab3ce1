"""Unit: everything about one unit on one page; every click on a unit leads here."""

import streamlit as st

from dashboards import layout, picker, sentences, state, verdict_form
from dashboards.data import normal as standing
from dashboards.data import sheets
from dashboards.data.one_unit import card, life, one_unit, paper
from dashboards.data.suspects import ranked_suspects
from fleet.charts import alignment as drawings
from fleet.charts import normal, planes, tables
from fleet.charts import suspects as charts

PAPERS = {"sheet": ("unit sheet", paper), "card": ("card for its owner", card)}

layout.question(
    "What is this unit, and what is to be done about it?",
    "One unit: what was read, where it stands among the others, what is likely wrong, and how to align it.",
)
found = layout.ready(model=True)
policy = layout.policy()
cells = st.columns([3, 2])
with cells[0]:
    number = state.text("Sheet number", "sheet", "as the bench numbered it")
with cells[1]:
    paper_shown = state.maybe(
        "Paper shown here", list(PAPERS), "paper", names=lambda name: PAPERS[name][0], nothing="none"
    )
if not number:
    layout.answer("No unit is chosen: type a sheet's number, or click a unit on any page.")
    layout.next_steps(sentences.AFTER_NO_UNIT)
    st.stop()
unit = one_unit(found.path, found.revision, number, policy)
row, verdict, look = unit.row, unit.verdict, layout.look()
st.header(sentences.unit_heading(unit.sheet.iloc[0]))
layout.answer(str(row["why"]))
if unit.outcome:
    layout.note(sentences.known_outcome(unit.outcome))
with st.container(horizontal=True):
    st.download_button(
        "Unit sheet to print",
        lambda: paper(found.path, found.revision, number, policy).encode(),
        f"unit-{number}.html",
        "text/html",
        key="unit_paper",
        on_click="ignore",
        icon=":material/print:",
        help="As `fleet report unit` writes it; print it from any browser.",
    )
    st.download_button(
        "Card for its owner",
        lambda: card(found.path, found.revision, number, policy).encode(),
        f"card-{number}.html",
        "text/html",
        key="owner_card",
        on_click="ignore",
        icon=":material/contact_page:",
        help="One page in plain words; `fleet report owner` puts your workshop's name and reference on it.",
    )
    picker.history(number, "Every version of this sheet")
    st.page_link(
        "workshop_pages/enquiry.py",
        label="Quote a pickup of this kind",
        icon=":material/contact_support:",
        query_params=sentences.asked_like(unit.sheet.iloc[0].to_dict()),
    )
    st.page_link(
        "workshop_pages/unit.py",
        label="Link to this page",
        icon=":material/link:",
        query_params={"sheet": number},
    )
if paper_shown is not None:
    title, made = PAPERS[paper_shown]
    st.iframe(made(found.path, found.revision, number, policy), height=900, alt=title)

left, right = st.columns([2, 3])
with left:
    st.header("Normal, or what is wrong")
    layout.show(charts.fault_chances(row, look), "chances")
    if verdict.again:
        st.info(f"Read {verdict.again}.", icon=":material/replay:")
with right:
    st.header("How to align it")
    for words, sentence in sentences.alignment(verdict):
        st.markdown(f"**{words}** {layout.plain(sentence)}")
    for caution in sentences.alignment_cautions(verdict):
        layout.note(caution)
align = verdict.alignment
wedge = drawings.wedge_side(align, policy, look)
turns = [
    drawings.turned_body(align.roll.degrees, "Roll, facing the nose", look),
    drawings.turned_body(align.turn.degrees, "Turn, seen from above", look),
]
if wedge is not None or any(t is not None for t in turns):
    cells = st.columns([3, 1, 1])
    if wedge is not None:
        with cells[0]:
            st.markdown("**The wedge, from the side**")
            st.altair_chart(wedge, width="content", key="wedge")
    for cell, name, turn in zip(cells[1:], ("Roll, facing the nose", "Turn, from above"), turns, strict=True):
        if turn is not None:
            with cell:
                st.markdown(f"**{name}**")
                st.altair_chart(turn, width="content", key=name)

st.header("Its place among its kind")
kind = standing.kind_of(unit.sheet)
units, others = standing.judged_units(found.path, found.revision, (("kind", (kind,)),))
shown = normal.prepare(standing.every_standing(found.path, found.revision), units, own=unit.unit)
picker.to_units(normal.every_unit(shown, look), "own_standing")
layout.note(f"{shown.sentence} Large diamond: this unit, by its newest sheet.")
planes_of_two = st.container(horizontal=True, gap="large")
with planes_of_two.container(width=picker.PLANE_PX):
    point = sentences.place(unit.sheet, planes.TRACKING, planes.RAKE)
    hold = [(policy.tracking_wish_deg, edge) for edge in policy.rake_accepted_deg]
    if point is not None:
        there = (point[0] + align.tilt.degrees, point[1] + align.tilt.degrees)
        plane = planes.prepare(others, units, planes.TRACKING, planes.RAKE, hold=[*hold, point, there])
        picture = planes.rake_and_tracking(plane, policy, look, own=point, aligned=there)
        picker.to_units(picture, "own_plane", width="content")
        layout.note(
            "Diamond: this unit as read. Ring: with the tilt that is advised, along 45°. Boxes: targets."
        )
with planes_of_two.container(width=picker.PLANE_PX):
    point = sentences.place(unit.sheet, planes.SEEN, planes.ELECTRICAL)
    if point is not None:
        plane = planes.prepare(others, units, planes.SEEN, planes.ELECTRICAL, hold=[(0.0, 0.0), point])
        follows = standing.cant_followed(found.path, found.revision)
        picker.to_units(planes.azimuths(plane, follows, look, own=point), "own_azimuths", width="content")
        layout.note(sentences.FAULT_WAYS)
layout.table(charts.comparison_table(unit.cloud), "own_compared")
layout.note(unit.cloud.sentence)

left, right = st.columns([2, 3])
with left:
    st.header("As typed")
    layout.table(tables.versions(sheets.versions(found.path, found.revision, number)), "typed", rows=20)
with right:
    st.header("Every visit")
    picker.to_unit_by_row(
        charts.unit_sheets(unit.every),
        "visits",
        unit.every["sheet_no"].astype(str).tolist(),
        f"Table of {len(unit.every)} sheets of this unit; picking one opens it",
    )
    whole = life(found.path, found.revision, unit.unit, policy)
    layout.note(whole.sentence)
    st.markdown("\n".join(f"- {layout.plain(line)}" for line in whole.found))
    st.header("What did it turn out to be?")
    verdict_form.ask(found, number, {**row, "verdict": unit.outcome or None})
    layout.note(ranked_suspects(found.path, found.revision, standing.FDR).record.sentence)
layout.next_steps(sentences.after_suspect(row))

"""Normal: every unit on every reading, who is not normal and in what, and where a tilt or a roll leads."""

import streamlit as st

from dashboards import layout, picker, sentences, state
from dashboards.data import normal as data
from dashboards.data import store_state
from dashboards.data.quotes import make_quote
from dashboards.data.suspects import judged_part, ranked_suspects
from fleet.charts import normal, planes
from fleet.words import fault_words, plain_word

layout.question(
    "What is normal, and who is not?",
    "Each unit by its newest sheet, judged by a model that it had no part in; every flagged one is marked.",
)
found = layout.ready(model=True)
listed = ranked_suspects(found.path, found.revision, data.FDR)
levels = store_state.overview(found.path, found.revision).levels
cells = st.columns(4)
with cells[0]:
    kinds = state.several("Kind", data.kinds(found.path, found.revision), "kind", names=plain_word)
with cells[1]:
    families = state.several("Family", list(levels["body_family"]), "family", names=str)
with cells[2]:
    sources = state.several("Source", list(levels["assembly_source"]), "source", names=str)
with cells[3]:
    faults = state.several("Likeliest cause", list(normal.LOOKS), "fault", names=fault_words)
cells = st.columns(4)
with cells[0]:
    first = state.day("Measured from", "from")
with cells[1]:
    last = state.day("to", "to")
with cells[2]:
    open_only = state.switch("No verdict yet", "open")
filters = (
    ("kind", tuple(kinds)),
    ("body_family", tuple(families)),
    ("assembly_source", tuple(sources)),
    ("leading_fault", tuple(faults)),
)
units, sheets = data.judged_units(found.path, found.revision, filters, (first, last), open_only=open_only)
layout.answer(sentences.units_shown(units, listed.table["unit"].nunique(), listed.sentence))
if units.empty:
    st.info("No unit passes these filters.")
    st.stop()
look, policy = layout.look(), layout.policy()
shown = normal.prepare(data.every_standing(found.path, found.revision), units)
picker.to_units(normal.every_unit(shown, look), "every_unit")
layout.note(f"{shown.sentence} {judged_part(found.path, found.revision)}")
flagged = units[units["flagged"]]
if len(flagged):
    picker.to_unit_by_row(
        normal.flagged_list(flagged),
        "flagged",
        flagged["sheet_no"].tolist(),
        f"List of {len(flagged)} flagged units; picking one opens its page",
    )

planes_of_two = st.container(horizontal=True, gap="large")
with planes_of_two.container(width=picker.PLANE_PX):
    st.header("Where a tilt leads")
    told = kinds[0].split("/") if len(kinds) == 1 else []
    facts = tuple(zip(("stylus_profile", "cantilever_material"), told, strict=False))
    draws = None
    if facts and "(not told)" not in told:
        draws = make_quote(found.path, found.revision, tuple(sorted(facts)), policy).draws
    hold = [(policy.tracking_wish_deg, edge) for edge in policy.rake_accepted_deg]
    plane = planes.prepare(sheets, units, planes.TRACKING, planes.RAKE, hold=hold)
    picker.to_units(planes.rake_and_tracking(plane, policy, look, forecast=draws), "plane", width="content")
    layout.note(f"{plane.sentence} {sentences.plane_read(policy, kind=draws is not None)}")
with planes_of_two.container(width=picker.PLANE_PX):
    st.header("Where a fault leads")
    plane = planes.prepare(sheets, units, planes.SEEN, planes.ELECTRICAL, hold=[(0.0, 0.0)])
    follows = data.cant_followed(found.path, found.revision)
    picker.to_units(planes.azimuths(plane, follows, look), "azimuths", width="content")
    layout.note(f"{plane.sentence} {sentences.FAULT_WAYS}")
layout.next_steps(sentences.AFTER_NORMAL)
st.page_link(
    "workshop_pages/distributions.py", label="Raw readings, group by group", icon=":material/bar_chart:"
)

"""Distributions: what the bench has read, group by group."""

import streamlit as st

from dashboards import layout, sentences
from dashboards.data import distributed, known
from fleet.charts import groups as charts
from fleet.charts.words import spoken
from fleet.judgements.distributions import GROUPINGS, QUANTITIES

layout.question(
    "What does the bench read, kind by kind?",
    "Every unit once, by its newest sheet; beside each raw median stands what the house model expects.",
)
found = layout.ready(model=False)
cells = st.columns([3, 3, 3, 3, 2])
with cells[0]:
    names = {key: f"{q.words} ({q.unit})" for key, q in QUANTITIES.items()}
    quantity = layout.pick("Quantity", list(QUANTITIES), "quantity", names=names)
with cells[1]:
    by = layout.pick("By", list(GROUPINGS), "by", names=GROUPINGS)
codes = known(found.path, found.revision)
with cells[2]:
    styli = st.multiselect(
        "Only stylus",
        codes["stylus_profile"],
        key="stylus",
        format_func=spoken,
        placeholder="any",
        bind="query-params",
    )
with cells[3]:
    sources = st.multiselect(
        "Only source", codes["assembly_source"], key="source", placeholder="any", bind="query-params"
    )
with cells[4]:
    since = layout.since(found)
filters = (("stylus_profile", tuple(styli)), ("assembly_source", tuple(sources)))
result = distributed(found.path, found.revision, quantity, by, filters, since)
layout.answer(result.sentence)
layout.show(charts.readings_by_group(result, layout.look()), "groups")
layout.note(charts.reading_guide(result))
layout.table(charts.figures(result), "group_figures")
layout.download(result.table, "distributions", "distributions_csv")
layout.next_steps(sentences.after_distribution(result))

"""Distributions: what the bench has read, group by group, two groups against each other, and over time."""

import streamlit as st

from dashboards import layout, picker, sentences, state
from dashboards.data import group_figures, normal, store_state
from dashboards.data.suspects import judged_part
from dashboards.data.units import units_read
from fleet import words
from fleet.attainment.attainment import PERIODS
from fleet.attainment.distributions import GROUPINGS, QUANTITIES
from fleet.charts import contrasts
from fleet.charts import groups as charts
from fleet.words import plain_word

layout.question(
    "What does the bench read, kind by kind?",
    "Every unit once, by its newest sheet; beside each raw median stands what the house model expects.",
)
found = layout.ready(model=False)
cells = st.columns([3, 3, 3, 3, 2])
with cells[0]:
    names = words.titles(QUANTITIES)
    quantity = state.pick("Quantity", list(QUANTITIES), "quantity", names=names)
with cells[1]:
    by = state.pick("By", list(GROUPINGS), "by", names=words.longs(GROUPINGS))
levels = store_state.overview(found.path, found.revision).levels
with cells[2]:
    styli = state.several("Only stylus", list(levels["stylus_profile"]), "stylus")
with cells[3]:
    sources = state.several("Only source", list(levels["assembly_source"]), "source", names=str)
with cells[4]:
    since = layout.since(found)
filters = (("stylus_profile", tuple(styli)), ("assembly_source", tuple(sources)))
result = group_figures.group_distribution(found.path, found.revision, quantity, by, filters, since)
layout.answer(result.sentence)
look, what = layout.look(), QUANTITIES[quantity]
groups = result.table["group"].tolist()


@layout.part
def by_group() -> None:
    """Every group's readings, the units behind the one that is chosen, and its readings over time."""
    marked = normal.marked_here(found.path, found.revision, quantity, by, filters, since)
    drawn = charts.readings_by_group(result, look, flagged=marked, policy=layout.policy())
    picker.marks(drawn, "groups", groups, below=False)
    part = "" if marked is None else judged_part(found.path, found.revision)
    layout.note(f"{charts.reading_guide(result, marked)} {part}")
    picker.table(charts.figures(result), "group_figures", groups, below=False)
    layout.download(result.table, "distributions", "distributions_csv")
    group = picker.group(groups)
    if group is not None:
        units = units_read(found.path, found.revision, quantity, by, group, filters, since)
        st.header(f"The {len(units)} units of {plain_word(group)}")
        picker.units(units, picker.listed_readings(units, what), "units")

    st.header("Over time")
    per = state.pick("Per", PERIODS, "per")
    shown = (*filters, (by, (group,))) if group is not None else filters
    periods = group_figures.over_time(found.path, found.revision, quantity, per, shown, since)
    if group is not None:
        layout.note(f"Only {plain_word(group)}, as chosen above.")
    if len(periods):
        layout.show(contrasts.over_time(periods, what, look), "over_time")
        layout.table(contrasts.period_figures(periods, what), "period_figures")
        layout.note("Diamond: median with its 95 % interval; the bar holds the middle half of the readings.")
        layout.download(periods, "over-time", "over_time_csv")


by_group()


@layout.part
def two_groups() -> None:
    """Two groups set against each other."""
    left, right = st.columns(2)
    with left:
        first = state.maybe("This group", groups, "first", nothing="choose one")
    with right:
        second = state.maybe(
            "against that one", [g for g in groups if g != first], "second", nothing="choose one"
        )
    if first is not None and second is not None:
        pair = group_figures.group_contrast(
            found.path, found.revision, quantity, by, (second, first), filters, since
        )
        layout.answer(pair.sentence)
        layout.show(contrasts.differences(pair, look), "differences")
        layout.note(
            "As read: median of all differences between two units, one of each group. House model: what is "
            "left of it once both groups' own make-up of families, sources and materials is known."
        )
    else:
        layout.note(
            "Choose two groups: their difference is then shown with its interval, raw and as modelled."
        )


st.header("Two groups against each other")
two_groups()
layout.next_steps(sentences.after_distribution(result))

"""Distributions, shared: means and spreads of published groups, no unit among them."""

import streamlit as st

from dashboards import layout, shared, state
from fleet import words
from fleet.attainment.distributions import GROUPINGS
from fleet.attainment.published_readings import READINGS, published_readings
from fleet.attainment.publishing import COLUMNS
from fleet.charts import published as charts
from fleet.numerals import figure

layout.question(
    "What does the bench read, kind by kind?",
    "Means over groups of units; a group too small to be told is put together with others.",
)
found = layout.ready(model=False)
held = shared.groups(found)
cells = st.columns(2)
with cells[0]:
    reading = state.pick("Quantity", list(READINGS), "reading", names=words.titles(READINGS))
with cells[1]:
    by = state.pick("By", [name for name in GROUPINGS if name in COLUMNS], "by", names=words.longs(GROUPINGS))
what = words.quantity(reading)
whole = published_readings(held.contents, reading).iloc[0]
table = published_readings(held.contents, reading, by)
layout.answer(
    f"{what.long[:1].upper()}{what.long[1:]}: {what.figure(whole['mean'])} on average over "
    f"{whole['n']} units (95 % interval {what.span(whole['low'], whole['high'])}); one unit's "
    f"own lies within about {figure(2.0 * whole['sd'], what.unit)} of that nineteen times of twenty."
)
layout.show(charts.means_by_group(table, reading, layout.look()), "means")
layout.table(charts.figures(table, reading), "mean_figures")
layout.note(
    "Diamond: mean; line: its 95 % interval. Counts are to the nearest multiple of the smallest group."
)
layout.download(table, "published-readings", "published_csv")
layout.next_steps(["Two groups differ for sure only where their intervals are apart.", words.BENCH_DECIDES])

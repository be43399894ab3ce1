"""Attainment, shared: how often the targets are met, added up from published groups."""

import streamlit as st

from dashboards import layout, shared, state
from dashboards.data import judged_by
from fleet import words
from fleet.attainment.distributions import GROUPINGS
from fleet.attainment.publishing import COLUMNS, YEAR, published_attainment
from fleet.charts import rates as charts
from fleet.charts.published import BLURRED
from fleet.report.paper import policy_words

layout.question(
    "How often are the targets met, and is it getting better?",
    "Groups of units, with 95 % intervals; a group too small to be told is put together with others.",
)
found = layout.ready(model=False)
held = shared.groups(found)
policy = shared.counted_under(held, judged_by.policies())
cells = st.columns(3)
with cells[0]:
    by = state.pick("By", [name for name in GROUPINGS if name in COLUMNS], "by", names=words.longs(GROUPINGS))
with cells[1]:
    target = state.pick("Target", list(words.TARGETS), "target", names=words.TARGETS)
with cells[2]:
    counted_as = state.pick("Counted as", list(words.STATES), "state", names=words.STATES)
measure, title = f"{target}_{counted_as}", f"{words.TARGETS[target]} {words.STATES[counted_as]}"
whole = published_attainment(held.counts, [], policy)
layout.answer(charts.attainment_answer(whole, measure))
if not whole[f"{measure}_n"].any():
    st.stop()
table = charts.name_groups(published_attainment(held.counts, [by], policy), [by])
look = layout.look()
layout.show(charts.rates_by_group(table, measure, title, look), "rates")
layout.table(charts.figures(table, measure), "rate_figures")
layout.download(table, "published-attainment", "attainment_csv")

periods = charts.name_groups(published_attainment(held.counts, [], policy, YEAR), [])
told = periods[periods["period"].str[:1].str.isdigit() & (periods[f"{measure}_n"] > 0)]
if len(told) > 1:
    st.header(f"Over time: {title}")
    layout.show(charts.rates_over_time(told, measure, title), "over_time")

st.header("Where no tilt serves both: why")
layout.show(charts.conflict_causes(table, look), "causes")
layout.note(BLURRED)
layout.note(f"Target policy {policy.name}: {policy_words(policy)}.")
layout.next_steps(
    ["A difference between groups counts only where their intervals are apart.", words.BENCH_DECIDES]
)

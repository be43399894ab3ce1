"""Attainment: how often the targets are met, for whom, and whether it gets better."""

import streamlit as st

from dashboards import layout, sentences
from dashboards.data import attained
from fleet.charts import rates as charts
from fleet.judgements.attainment import PERIODS
from fleet.judgements.distributions import GROUPINGS

layout.question(
    "How often are the targets met, and is it getting better?",
    "Every unit once, by its newest sheet; with 95% intervals, so that few units don't look like many.",
)
found = layout.ready(model=False)
cells = st.columns([3, 3, 3, 2, 2])
with cells[0]:
    by = layout.pick("By", list(GROUPINGS), "group", names=GROUPINGS)
with cells[1]:
    target = layout.pick("Target", list(sentences.TARGETS), "target", names=sentences.TARGETS)
with cells[2]:
    state = layout.pick("Counted as", list(sentences.STATES), "state", names=sentences.STATES)
with cells[3]:
    per = layout.pick("Per", PERIODS, "per")
with cells[4]:
    since = layout.since(found)
policy = layout.policy()
measure = f"{target}_{state}"
result = attained(found.path, found.revision, (by,), per, measure, policy, since)
layout.answer(sentences.attainment_answer(result.whole, measure))
if not result.whole[f"{measure}_n"].any():
    st.stop()

look, title = layout.look(), f"{sentences.TARGETS[target]} {sentences.STATES[state]}"
groups = charts.named(result.groups, [by])
layout.show(charts.rates_by_group(groups, measure, title, look), "rates")
st.header(f"Over time: {title}")
layout.show(charts.rates_over_time(charts.named(result.periods, [by]), measure, title), "over_time")
for line in sentences.trend_lines(result.trends, [by]):
    layout.note(line)
st.header("Where no tilt serves both: why")
layout.show(charts.conflict_causes(groups, look), "causes")
layout.table(charts.figures(groups, measure), "rate_figures")
layout.download(result.periods, "attainment", "attainment_csv")
layout.note(f"Policy {policy.label}.")
layout.next_steps(sentences.after_attainment(result.whole))

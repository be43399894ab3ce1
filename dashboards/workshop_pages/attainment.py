"""Attainment: how often the targets are met, for whom, whether it gets better, and under another policy."""

import streamlit as st

from dashboards import layout, picker, policy_form, sentences, state
from dashboards.data import group_figures, units
from fleet import words
from fleet.attainment import case_mix
from fleet.attainment.attainment import PERIODS
from fleet.attainment.distributions import GROUPINGS
from fleet.charts import funnels
from fleet.charts import rates as charts
from fleet.report.paper import policy_words
from fleet.words import plain_word

layout.question(
    "How often are the targets met, and is it getting better?",
    "Every unit once, by its newest sheet; with 95 % intervals, so that few units don't look like many.",
)
found = layout.ready(model=False)
cells = st.columns([3, 3, 3, 2, 2])
with cells[0]:
    by = state.pick("By", list(GROUPINGS), "by", names=words.longs(GROUPINGS))
with cells[1]:
    target = state.pick(
        "Target",
        ["both", *(t for t in words.TARGETS if t != "both")],
        "target",
        names=words.TARGETS,
    )
with cells[2]:
    counted_as = state.pick("Counted as", list(words.STATES), "state", names=words.STATES)
with cells[3]:
    per = state.pick("Per", PERIODS, "per")
with cells[4]:
    since = layout.since(found)
policy = layout.policy()
measure = f"{target}_{counted_as}"
result = group_figures.attainment_tables(found.path, found.revision, (by,), per, measure, policy, since)
layout.answer(charts.attainment_answer(result.whole, measure))
if not result.whole[f"{measure}_n"].any():
    st.stop()

look, title = layout.look(), f"{words.TARGETS[target]} {words.STATES[counted_as]}"
names = result.groups[by].astype(str).tolist()
groups = charts.name_groups(result.groups, [by])


@layout.part
def by_group() -> None:
    """Every group's rate, and the units behind the one that is chosen."""
    picker.marks(charts.rates_by_group(groups, measure, title, look), "rates", names, below=False)
    figures = charts.figures(groups, measure)
    order = {plain_word(n): n for n in names}
    picker.table(figures, "rate_figures", [order[g] for g in figures["group"]], below=False)
    layout.download(result.groups, "attainment", "attainment_csv")
    group = picker.group(names)
    if group is None:
        return
    met = state.pick("Of them", ["all", *units.MET_WORDS.values()], "of_them")
    counted = units.units_counted(found.path, found.revision, by, group, measure, policy, since)
    counted = counted if met == "all" else counted[counted["met"] == met]
    st.header(f"{len(counted)} units of {plain_word(group)}: {met}")
    picker.units(counted, picker.listed_states(counted, title), "units")
    if by != "kind":
        st.subheader(f"{plain_word(group)} over time, allowing for kinds")
        own = group_figures.periods_by_kind(
            found.path, found.revision, by, group, per, measure, policy, since
        )
        layout.answer(case_mix.over_time(plain_word(group), own))
        layout.table(funnels.case_mix_figures(own, "period"), "own_periods")


by_group()

st.header(f"Over time: {title}")
periods = charts.name_groups(result.periods, [by])
picker.marks(charts.rates_over_time(periods, measure, title), "over_time", names)
for line in sentences.trend_lines(result.trends, [by]):
    layout.note(line)
layout.download(result.periods, "attainment-over-time", "periods_csv")

st.header("Where no tilt serves both: why")
picker.marks(charts.conflict_causes(groups, look), "causes", names)

st.header("Sources against chance")
table, limits = group_figures.source_limits(found.path, found.revision, per, measure, policy, since)
sources = charts.name_groups(table, ["assembly_source"])
codes = table["assembly_source"].astype(str).tolist()
drawn = funnels.funnel_plot(sources, limits, title, look)
picker.marks(drawn, "funnel", codes, by="assembly_source")
layout.note(f"{funnels.funnel_sentence(sources, limits)} Dashed: 95 % limits; full: 99.8 %.")
mixed = group_figures.sources_by_kind(found.path, found.revision, measure, policy, since)
layout.answer(case_mix.sentence(mixed, int((table["outside"] == "99.8").sum())))
by_source = funnels.case_mix_figures(mixed)
picker.table(by_source, "case_mix", by_source["source"].astype(str).tolist(), by="assembly_source")
layout.note(
    f"{words.CASE_MIX} Their kinds: the rate that each source's own kinds come to over all sources; a kind "
    "that no other source makes can't be compared."
)
layout.download(table, "funnel", "funnel_csv")


@layout.part
def another_policy() -> None:
    """The same units under other limits."""
    other = policy_form.another(policy)
    if other == policy:
        layout.note(
            "Move a limit: the same units are then judged under it, without measuring anything again."
        )
    else:
        changed = group_figures.under_another(found.path, found.revision, (by,), per, policy, other, since)
        changed = changed[changed["measure"] == measure]
        layout.answer(sentences.what_if_answer(changed[changed[by].isna()], title))
        each = charts.name_groups(changed[changed[by].notna()], [by])
        layout.show(funnels.other_policy(each, look), "what_if")
        layout.table(funnels.other_figures(each), "what_if_figures")
        layout.download(changed, "what-if", "what_if_csv")


st.header("Under another policy")
another_policy()

layout.note(f"Target policy {policy.name}: {policy_words(policy)}.")
layout.next_steps(sentences.after_attainment(result.whole))

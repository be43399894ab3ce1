"""Bench: do its readings stay, how much do they scatter, and who reads off?"""

import streamlit as st

from dashboards import layout, picker, state
from dashboards.data import bench_watch
from fleet import words
from fleet.charts import watch as charts
from fleet.errors import FleetError

layout.question(
    "Can the bench be trusted?",
    "Check pickups tell whether its readings stay where they were, repeats how much one reading is worth.",
)
found = layout.ready(model=False)
look = layout.look()
result = None
known = bench_watch.benches(found.path, found.revision)
if not known:
    layout.answer("There is no check pickup's sheet, so nobody can tell whether this bench has moved.")
    layout.empty("Read one pickup of your own every week, with purpose=reference.", "fleet explain watch")
else:
    cells = st.columns([2, 3, 2])
    with cells[0]:
        bench = state.pick("Bench", list(known), "bench")
    years = sorted({d.year for d in bench_watch.check_days(found.path, found.revision, bench)})
    with cells[2]:
        ends = ["first half", *(str(y) for y in years[:-1])]
        until = state.pick("Baseline", ends, "baseline", names={y: f"until the end of {y}" for y in ends[1:]})
    last_year = None if until == "first half" else int(until)
    try:
        result = bench_watch.bench_watch(found.path, found.revision, bench, last_year, layout.policy())
    except FleetError as error:
        layout.answer("There are too few checks yet to tell whether this bench has moved.")
        layout.explain(error)

if result is not None:
    watch = result.watch
    named = [r.reading for r in watch.readings]
    first = next((r.reading for r in reversed(watch.alarms)), named[0])
    with cells[1]:
        options = [first, *(name for name in named if name != first)]
        reading = state.pick("Reading", options, "reading", names=words.shorts(options))
    layout.answer(watch.sentence)
    if watch.alarms:
        st.markdown(layout.plain(result.touched.sentence))
    own = watch.of(bench, reading)
    st.header(f"Checks: {words.quantity(reading).short}")
    if own.sentence[1:] not in watch.sentence:
        st.markdown(layout.plain(own.sentence))
    picker.to_units(
        charts.check_chart(own, look), "checks", go=lambda number: state.go_to("sheets", sheet_no=number)
    )
    layout.show(charts.cusum_picture(own, look), "cusum")
    for line in (*watch.lines[len(watch.readings) :], *watch.cautions):
        layout.note(line)
    layout.table(charts.states(watch.readings), "states")
    layout.download(watch.table, "bench-watch", "watch_csv")
    if watch.alarms:
        st.subheader("What each sheet may be off by")
        layout.note("Offsets stand beside the sheets' readings; the sheets themselves are never changed.")
        layout.download(result.touched.table, "offsets", "offsets_csv")

st.header("How much does one reading scatter?")
noise = bench_watch.noise(found.path, found.revision)
st.markdown(layout.plain(noise.sentence))
layout.note(bench_watch.looked_at(found.path, found.revision))
if not noise.table.empty:
    layout.show(charts.noise_chart(noise, look), "noise")
    layout.table(charts.noise_figures(noise), "noise_figures")


@layout.part
def habits() -> None:
    """How far each operator reads off the others; a mark opens that operator's sheets."""
    pairs = noise.operators.sort_values("off", ascending=False, kind="stable")
    pairs = pairs[["bench", "reading"]].drop_duplicates()
    if pairs.empty:
        layout.note("No two operators read the same unit within weeks, so their habits can't be compared.")
        return
    labels = {f"{b}:{r}": f"{words.quantity(r).short}, bench {b}" for b, r in pairs.itertuples(index=False)}
    whose, which = state.pick("Operators' readings of", list(labels), "habit", names=labels).split(":")
    picture = charts.operator_chart(noise, whose, which, look)
    if picture is not None:
        picker.to_units(
            picture, "operators", field="operator", go=lambda who: state.go_to("sheets", operator=who)
        )
    layout.note(
        "Intervals hold for all operators and quantities at once. Click a mark: that operator's sheets. "
        "Operators' codes stay at the bench."
    )


st.header("Who reads off the others?")
habits()

st.header("How sure is one figure?")
layout.table(charts.budget_figures(bench_watch.budgets(found.path, found.revision)), "budgets", rows=14)
layout.note(
    "For the bench's middle unit, one reading each. `fleet budget QUANTITY` shows what stands behind it."
)
layout.next_steps(bench_watch.after_watch(result) if result is not None else bench_watch.without_checks())

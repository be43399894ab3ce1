"""Track record: whether the quotes came true, for whom they didn't, and what to do about it."""

import streamlit as st

from dashboards import layout, picker, state
from dashboards.data import quotes, track_record
from fleet import words
from fleet.attainment.attainment import PERIODS
from fleet.charts import record as charts
from fleet.quotes.track_record import CHANCES

GROUPS = {
    "standing": "whether the family was known",
    **words.shorts(("kind", "body_family", "assembly_source", "stylus_profile")),
    "model_id": "house model",
}
WHOLE = "the whole time"

layout.question(
    "Did the quotes come true?",
    "Quotes are kept when they are told, and scored when the unit's sheet comes in; a back-test quotes the "
    "history quarter by quarter, each from what was known before.",
)
found = layout.ready(model=False)
told, waiting = track_record.answers(found.path, found.revision, track_record.QUOTES)
tried, _none = track_record.answers(found.path, found.revision, track_record.BACKTEST)
if not len(told) and not len(tried):
    some = f"{waiting} kept quotes wait for their sheets; none" if waiting else "No quote"
    layout.empty(
        f"{some} has been answered by a sheet yet. How good quotes would have been so far:",
        "fleet backtest",
    )
    st.stop()
sources = [name for name, own in ((track_record.QUOTES, told), (track_record.BACKTEST, tried)) if len(own)]
cells = st.columns(3)
with cells[0]:
    source = state.pick("Of", sources, "source")
with cells[1]:
    by = state.pick("By", list(GROUPS), "by", names=GROUPS)
with cells[2]:
    per = state.pick("Per", (WHOLE, *PERIODS), "per")
result = track_record.track_record(found.path, found.revision, source, by, "" if per == WHOLE else per)
layout.answer(result.sentence)
if waiting:
    layout.note(f"{waiting} more kept quotes wait for their sheets.")

look = layout.look()
layout.show(charts.intervals_held(result.coverage, look), "intervals")
layout.note("Bars: where the share may lie, 95 % sure; quotes of one family err together and count for less.")
st.header("For whom")
layout.show(charts.groups_held(result.groups, look), "groups")

st.header("Every quote and the sheet that answered it")
pairs, _waiting = track_record.answers(found.path, found.revision, source)
quoted = charts.answered_quotes(pairs)
missed = int((quoted["missed"] != "").sum())
layout.note(
    f"{len(quoted)} quotes, {missed} of them with a reading outside its nine-in-ten interval, those first: "
    "one reading in ten lies outside by chance. Click a row: the unit's page."
)
head = quoted.head(picker.MOST_LISTED)
about = f"List of {len(head)} quotes, the most missed first; picking one opens its unit's page"
picker.to_unit_by_row(head.drop(columns="sheet_no"), "quoted", head["sheet_no"].tolist(), about, most=8)
layout.download(quoted.drop(columns="sheet_no"), "answered-quotes", "quoted_csv")

st.header("Were the chances honest?")
for place, (key, (what, _, _)) in zip(st.columns(2), CHANCES.items(), strict=True):
    with place:
        chances = result.chances[key]
        st.markdown(f"**{layout.plain(what[:1].upper() + what[1:])}**")
        if chances.n:
            layout.show(charts.chances_came(chances, what, look), f"chances_{key}")
            layout.note(
                f"Brier score {chances.brier:.3f}; always telling the plain rate: {chances.base:.3f}. "
                f"In all: {chances.verdict}."
            )
        else:
            layout.note("No sheet could tell: rake, tracking angle and tilt room are needed.")


@layout.part
def where_they_fell() -> None:
    """Where the readings of one quantity fell in their forecasts."""
    quantities = words.shorts(result.pit)
    quantity = state.pick("Quantity", list(quantities), "quantity", names=quantities)
    layout.show(charts.where_readings_fell(result.pit[quantity], quantities[quantity], look), "pit")
    layout.note(
        "Honest forecasts fill the tenths evenly, within the dashed lines in 95 of 100 records. Full ends: "
        "too narrow; full middle: too wide; one side full: told too high or too low."
    )


st.header("Where readings fell in their forecasts")
where_they_fell()

st.header("Against simpler forecasts from the same sheets")
layout.table(charts.score_figures(result), "scores", rows=16)
layout.note("CRPS in degrees or minutes; for chances the Brier score. Less is better; ± two standard errors.")
for line in (*result.money, *result.cautions):
    layout.note(line)
st.header("Every interval")
layout.table(charts.held_figures(result), "held", rows=21)
layout.download(result.table(), "record", "record_csv")

use = quotes.correction(found.path, found.revision)
option = " --backtest" if source == track_record.BACKTEST else ""
lines = []
if use is not None:
    lines.append(f"{use.sentence} `fleet record --no-recalibrate` stops that.")
elif track_record.correction_effect(found.path, found.revision, source).changes:
    lines.append(f"Some intervals are wrong: `fleet record{option} --recalibrate` corrects them, visibly.")
else:
    lines.append("Nothing to correct: promise what the quotes say.")
if not len(tried):
    lines.append("`fleet backtest` shows how good quotes would have been on the sheets that are there.")
lines.append("Write the enquiry's number on the sheet: without it or a serial no quote can be scored.")
layout.next_steps([*lines, words.BENCH_DECIDES])

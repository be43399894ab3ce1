"""On the bench: one unit's readings as they come, judged at once, and saved as a sheet on request."""

import streamlit as st

from dashboards import form, layout, picker, sentences, state
from dashboards.data.bench_unit import judge_readings, save
from fleet.charts import suspects as charts
from fleet.errors import FleetError

layout.question(
    "Is the unit on the bench normal, and how is it to be aligned?",
    "Type what is read, as it is read; every field may stay empty. Nothing is stored until you save it.",
)
found = layout.ready(model=True)
told = tuple((name, v if isinstance(v, str) else f"{v:g}") for name, v in form.bench(found).items())
policy = layout.policy()
if not {name for name, _ in told} & {*state.SIDE, *state.FRONT}:
    layout.answer("Nothing is read yet. Start with rake and tracking angle, record turning.")
    layout.next_steps(sentences.BEFORE_READING)
    st.stop()

verdict, cloud = judge_readings(found.path, found.revision, told, policy)
layout.answer(verdict.sentence)
if verdict.again:
    st.info(f"Read {verdict.again}.", icon=":material/replay:")

left, right = st.columns([2, 3])
with left:
    st.header("Normal, or what is wrong")
    layout.show(charts.fault_chances(verdict.row, layout.look()), "bench_chances")
with right:
    st.header("How to align it")
    for words, sentence in sentences.alignment(verdict):
        st.markdown(f"**{words}** {layout.plain(sentence)}")
    for caution in sentences.alignment_cautions(verdict):
        layout.note(caution)

st.header("Its readings beside its kind")
layout.table(charts.comparison_table(cloud), "bench_compared")
layout.note(cloud.sentence)
with st.expander("Everything that the judgement says"):
    st.markdown("\n".join(f"- {layout.plain(line)}" for line in verdict.lines))

st.header("Save it as a sheet")
with st.form("save", border=True):
    cells = st.columns(3)
    number = cells[0].text_input(
        "Sheet number", key=state.name("save_number"), help="No blanks; your own numbering."
    )
    day = cells[1].date_input("Measured on", key=state.name("save_day"), value="today", format="YYYY-MM-DD")
    sure = cells[2].checkbox("The readings are final: store them", key=state.name("save_sure"))
    if st.form_submit_button("Save the sheet", on_click=state.touch):
        try:
            if not sure:
                raise FleetError("nothing was stored: tick the box that the readings are final")
            st.success(layout.plain(save(found.path, told, number.strip(), str(day))))
            picker.to_its_page(number.strip())
        except FleetError as error:
            layout.explain(error)
layout.next_steps(sentences.after_judging(verdict))

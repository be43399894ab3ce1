"""On the bench: typed readings are judged as the command line judges them, and saved only after a tick."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage, bold

from fleet.faults.one_unit import judge
from fleet.fitting.kept_model import load_house
from fleet.policy.policy import Policy
from fleet.store import Store

pytestmark = pytest.mark.long


def test_nothing_read_says_where_to_start(filled: Path, open_page: OpenPage) -> None:
    """An empty form has no verdict, only what to read first."""
    app = open_page(filled, "on_the_bench", stylus_profile="elliptical")
    assert not app.exception
    assert bold(app).startswith("Nothing is read yet.")
    assert not app.get("vega_lite_chart")


def test_the_verdict_is_the_judgements_own(filled: Path, open_page: OpenPage) -> None:
    """Readings in the address give the sentence, the tilt, the zenith and the reading to take again."""
    told = {"sra_static_deg": 88.1, "sra_dynamic_deg": 87.6, "vta_dynamic_deg": 24.0, "zenith_deg": 9.5}
    words = {"stylus_profile": "line_contact", "cantilever_material": "boron"}
    app = open_page(filled, "on_the_bench", **words, **{k: str(v) for k, v in told.items()})
    assert not app.exception
    sheet = pd.DataFrame({k: [v] for k, v in {**words, **told}.items()})
    own = judge(load_house(Store(filled)), sheet, Policy())
    assert bold(app) == own.sentence
    text = " ".join(str(m.value).replace("\\", "") for m in app.markdown)
    for _, step in own.alignment.steps:
        assert step in text
    assert app.info[0].value == f"Read {own.again}."
    assert "read the electrical azimuth: the roll stands on it" in text
    readings = app.dataframe[0].value.set_index("reading")
    assert readings.loc["dynamic sag", "this unit"] == 0.5


def test_a_unit_may_have_a_target_of_its_own(filled: Path, open_page: OpenPage) -> None:
    """With its reason the alignment aims at it, as the judgement does; without one the page asks for it."""
    told = {
        "sra_dynamic_deg": "89.6",
        "vta_dynamic_deg": "19.0",
        "tilt_room_deg": "4",
        "rake_aim_deg": "91.8",
    }
    app = open_page(filled, "on_the_bench", **told)
    assert not app.exception
    assert "needs its reason" in app.error[0].value
    app = open_page(filled, "on_the_bench", **told, target_reason="owners_wish")
    assert not app.exception
    assert not app.error
    sheet = pd.DataFrame({**{k: [float(v)] for k, v in told.items()}, "target_reason": ["owners_wish"]})
    own = judge(load_house(Store(filled)), sheet, Policy())
    plain = judge(load_house(Store(filled)), sheet.drop(columns=["rake_aim_deg", "target_reason"]), Policy())
    assert own.alignment.tilt.degrees != plain.alignment.tilt.degrees
    text = " ".join(str(m.value).replace("\\", "") for m in app.markdown)
    assert dict(own.alignment.steps)["Tilt"] in text
    assert "Target of its own: " in text


def test_saving_needs_the_tick_and_a_whole_sheet(own: Path, open_page: OpenPage) -> None:
    """Without the tick, and without a family, nothing is stored; with both the readings are a sheet."""
    app = open_page(own, "on_the_bench", sra_dynamic_deg="91.2", vta_dynamic_deg="21.5")
    before = len(Store(own).current(["sheet_no"]))
    app.text_input(key="on_the_bench.save_number").set_value("B-1")
    app.button[-1].click().run()
    assert "tick the box" in app.error[0].value
    app.checkbox(key="on_the_bench.save_sure").set_value(True)
    app.button[-1].click().run()
    assert "body_family" in app.error[0].value.replace("\\", "")
    assert len(Store(own).current(["sheet_no"])) == before
    app.selectbox(key="on_the_bench.body_family").set_value("F001")
    app.button[-1].click().run()
    assert not app.exception
    assert app.success[0].value.startswith("Saved as a sheet")
    saved = Store(own).current().set_index("sheet_no").loc["B-1"]
    assert (saved["sra_dynamic_deg"], saved["body_family"]) == (91.2, "F001")

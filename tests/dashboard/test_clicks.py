"""How many clicks lead from a figure to a unit's page, where its sheet as typed and its papers are."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from page_helpers import OpenPage, bench_sheets
from streamlit.proto.WidgetStates_pb2 import WidgetState
from streamlit.testing.v1 import AppTest

from fleet.fitting.refit import refit
from fleet.store import Store

pytestmark = pytest.mark.long

CLICKS = {
    ("normal", "every_unit"): 1,
    ("normal", "plane"): 1,
    ("normal", "azimuths"): 1,
    ("normal", "flagged"): 1,
    ("unit", "own_standing"): 1,
    ("unit", "own_plane"): 1,
    ("unit", "own_azimuths"): 1,
    ("unit", "visits"): 1,
    ("distributions", "groups"): 2,
    ("distributions", "group_figures"): 2,
    ("attainment", "rates"): 2,
    ("attainment", "rate_figures"): 2,
    ("attainment", "over_time"): 2,
    ("attainment", "causes"): 2,
    ("attainment", "funnel"): 2,
    ("attainment", "case_mix"): 2,
    ("suspects", "list"): 1,
    ("bench", "operators"): 2,
    ("sheets", "found"): 1,
}
"""Clicks by page and figure."""
FIRST = [("normal", "flagged"), ("unit", "visits"), ("distributions", "groups"), ("suspects", "list")]
"""Of all those in the short run: a mark and a row, one click and two."""
NUMBER = "DEMO-W00000005"
UNIT = "What is this unit, and what is to be done about it?"


def widget(app: AppTest, key: str) -> Any:
    """The chart or table of a key."""
    for element in [*app.get("vega_lite_chart"), *app.dataframe]:
        own = element.proto.id.partition("-")[2].partition("-")
        if own[2] == key or own[2].startswith(f"{key}_"):
            return element
    raise AssertionError(f"{key} takes no click")


def picked(element: Any) -> dict[str, Any]:
    """What a browser reports of a click on the first row, or on the first mark with a unit or a group."""
    if element.type != "vega_lite_chart":
        return {"rows": [0], "columns": [], "cells": []}
    frames = [pa.ipc.open_stream(d.data.data).read_all() for d in element.proto.datasets]
    found = json.loads(element.proto.spec)
    for param in [p for part in (found, *found["layer"]) for p in part.get("params", [])]:
        (field,) = param["select"]["fields"]
        for frame in frames:
            if field in frame.column_names and frame.num_rows:
                return {param["name"]: [{field: str(frame[field][0])}]}
    raise AssertionError("no mark speaks of a unit or a group")


def click(app: AppTest, key: str, on: dict[str, Any] | None = None) -> AppTest:
    """Click as a browser does: the widget's new state goes to the server, which runs the page again."""
    element = widget(app, key)
    states = app._tree.get_widget_states()
    states.widgets.append(
        WidgetState(id=element.proto.id, string_value=json.dumps({"selection": on or picked(element)}))
    )
    return app._run(states)


@pytest.fixture(scope="module")
def longer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """So many sheets that two operators read one unit, and a house model."""
    store = Store(tmp_path_factory.mktemp("clicks") / "longer.duckdb").create()
    store.append(bench_sheets(360), file_name="demo.csv")
    refit(store)
    return store.path


@pytest.mark.parametrize(
    ("page", "figure"),
    [c if c in FIRST else pytest.param(*c, marks=pytest.mark.long) for c in CLICKS],
)
def test_clicks_from_a_figure_to_the_unit(
    page: str, figure: str, filled: Path, longer: Path, open_page: OpenPage
) -> None:
    """As many as the table says, two at most; what opens shows the sheet as typed, and its papers."""
    filled = longer if page == "bench" else filled
    app = open_page(filled, page, **({"sheet": NUMBER} if page == "unit" else {}))
    app = click(app, figure)
    if CLICKS[page, figure] == 2:
        assert app.title[0].value != UNIT
        app = click(app, "found" if page == "bench" else "units_list")
    assert not app.exception
    assert app.title[0].value == UNIT
    number = app.query_params["sheet"]
    assert number in Store(filled).current(["sheet_no"])["sheet_no"].tolist()
    assert "As typed" in [h.value for h in app.header]
    assert {b.label for b in app.get("download_button")} >= {"Unit sheet to print", "Card for its owner"}


@pytest.mark.parametrize("page", [pytest.param("distributions", marks=pytest.mark.long), "attainment"])
def test_clicks_from_a_groups_figure_to_a_paper(page: str, filled: Path, open_page: OpenPage) -> None:
    """The first lists the group's units, the second, beside a unit's number, shows its paper."""
    app = click(open_page(filled, page), "groups" if page == "distributions" else "rates")
    listed = widget(app, "units_list").value
    app = click(app, "units_list", {"rows": [], "columns": [], "cells": [[1, "paper"]]})
    assert not app.exception
    assert app.query_params["sheet"] == listed["sheet"].iloc[1]
    assert app.query_params["paper"] == "sheet"
    shown = app.get("iframe")[0].proto
    assert listed["sheet"].iloc[1] in shown.srcdoc
    assert "Is this unit normal for its kind" in shown.srcdoc

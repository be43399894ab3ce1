"""The suspects page: the list is the judgement's own, and every sheet of it can be looked at."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage, bold, notes

from dashboards import picker
from fleet.attainment.peers import peer_group
from fleet.faults.suspects import Suspects, suspects
from fleet.fitting.kept_model import load_house
from fleet.store import Store
from fleet.words import fault_words


@pytest.fixture(scope="module")
def own_list(filled: Path) -> Suspects:
    """The judgement's own answer, asked for without any page."""
    store = Store(filled)
    return suspects(load_house(store), store.current())


def test_the_page_shows_the_judgements_own_list(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """Answer and order are those of the same call without a page; the first suspect is opened."""
    app = open_page(filled, "suspects")
    assert not app.exception
    assert app.title[0].value == "Which units are not normal for their kind?"
    assert bold(app) == own_list.sentence
    flagged = own_list.table[own_list.table["flagged"]]
    assert len(flagged) > 3
    table = app.dataframe[0].value
    assert table["sheet"].tolist() == flagged["sheet_no"].tolist()
    assert table["likeliest"].tolist() == [fault_words(f) for f in flagged["leading_fault"]]
    assert app.header[0].value == f"Sheet {flagged['sheet_no'].iloc[0]}"
    assert flagged["why"].iloc[0] in [m.value.replace("\\", "") for m in app.markdown]
    assert table["kind"].str.contains("/").all()


def test_all_units_can_be_listed(filled: Path, open_page: OpenPage, own_list: Suspects) -> None:
    """Showing all units lists every judged sheet, suspects first."""
    app = open_page(filled, "suspects")
    app.selectbox(key="suspects.show").set_value(picker.WHOLE).run()
    assert not app.exception
    assert app.dataframe[0].value["sheet"].tolist() == own_list.table["sheet_no"].tolist()


def test_fewer_false_alarms_mean_a_shorter_list(filled: Path, open_page: OpenPage) -> None:
    """At 1% fewer are flagged than at 20%, as the judgement itself says."""
    app = open_page(filled, "suspects")
    found = {}
    for share in ("0.01", "0.2"):
        app.selectbox(key="suspects.fdr").set_value(share).run()
        assert not app.exception
        found[share] = len(app.dataframe[0].value)
        store = Store(filled)
        own = suspects(load_house(store), store.current(), fdr=float(share))
        assert found[share] == own.table["flagged"].sum()
    assert found["0.01"] < found["0.2"]


def test_filters_by_fault_source_and_year(filled: Path, open_page: OpenPage, own_list: Suspects) -> None:
    """Each filter leaves the judgement's own rows that pass it, in their order."""
    flagged = own_list.table[own_list.table["flagged"]]
    fault = flagged["leading_fault"].iloc[0]
    app = open_page(filled, "suspects")
    app.multiselect(key="suspects.fault").set_value([fault]).run()
    assert not app.exception
    mine = flagged[flagged["leading_fault"] == fault]
    assert app.dataframe[0].value["sheet"].tolist() == mine["sheet_no"].tolist()
    app.multiselect(key="suspects.fault").set_value([]).run()
    source = app.dataframe[0].value["source"].iloc[0]
    app.multiselect(key="suspects.source").set_value([source]).run()
    assert set(app.dataframe[0].value["source"]) == {source}
    app.multiselect(key="suspects.source").set_value([]).run()
    year = app.selectbox(key="suspects.since").options[1]
    app.selectbox(key="suspects.since").set_value(year).run()
    assert not app.exception
    later = flagged[pd.to_datetime(flagged["measured_on"]).dt.year >= int(year)]
    listed = app.dataframe[0].value["sheet"].tolist() if len(later) else []
    assert listed == later["sheet_no"].tolist()


def test_picking_a_sheet_shows_its_own_readings(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """The sheet picked from the box is the one whose chances, readings and earlier sheets are shown."""
    app = open_page(filled, "suspects")
    number = own_list.table["sheet_no"].iloc[2]
    app.selectbox(key="suspects.sheet").set_value(number).run()
    assert not app.exception
    assert app.header[0].value == f"Sheet {number}"
    found = peer_group(Store(filled).current(), number)
    readings = app.dataframe[1].value.set_index("reading")
    own = found.own["azimuth_optical_deg"]
    assert readings.loc["azimuth, optical", "this unit"] == f"{own:.2f}°"
    assert number in app.dataframe[2].value["sheet"].tolist()
    assert found.sentence in notes(app)


def test_a_link_opens_a_sheet_that_the_filters_hide(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """A sheet named in the address is shown although it isn't flagged, and said to be normal if it is."""
    calm = own_list.table.sort_values("p_healthy").iloc[-1]
    assert not calm["flagged"]
    app = open_page(filled, "suspects", sheet=calm["sheet_no"])
    assert not app.exception
    assert app.header[0].value == f"Sheet {calm['sheet_no']}"
    assert any("Nothing stands out" in m.value for m in app.markdown)


def test_a_link_to_no_sheet_is_an_error_line(filled: Path, open_page: OpenPage) -> None:
    """A number that isn't among those judged opens no unit at all, until another is chosen."""
    app = open_page(filled, "suspects", sheet="NO-SUCH-1")
    assert not app.exception
    assert "There is no sheet 'NO-SUCH-1'" in app.error[0].value
    assert not [h.value for h in app.header if h.value.startswith("Sheet ")]
    assert len(app.dataframe) == 1
    number = app.dataframe[0].value["sheet"].iloc[1]
    app.selectbox(key="suspects.sheet").set_value(number).run()
    assert not app.error
    assert app.header[0].value == f"Sheet {number}"


def test_panel_and_answer_agree_with_the_filters(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """With a source chosen, the answer counts its units and the panel leaves another source's sheet."""
    flagged = own_list.table[own_list.table["flagged"]]
    source_of = (
        Store(filled).current(["sheet_no", "assembly_source"]).set_index("sheet_no")["assembly_source"]
    )
    sources = flagged["sheet_no"].map(source_of)
    first = flagged["sheet_no"].iloc[0]
    other = next(s for s in sources.dropna() if s != source_of[first])
    app = open_page(filled, "suspects", sheet=first)
    app.multiselect(key="suspects.source").set_value([other]).run()
    assert not app.exception
    mine = flagged[(sources == other).to_numpy()]
    said = f"{mine['unit'].nunique()} of them among the {flagged['unit'].nunique()} flagged."
    assert bold(app).startswith("With these filters: ")
    assert bold(app).endswith(said)
    assert f"Sheet {first} doesn't pass these filters, so it isn't opened." in notes(app)
    assert app.header[0].value == f"Sheet {mine['sheet_no'].iloc[0]}"
    assert "sheet" not in app.query_params
    app.multiselect(key="suspects.source").set_value([]).run()
    assert bold(app) == own_list.sentence
    assert app.header[0].value == f"Sheet {first}"


def test_a_unit_with_two_sheets_shows_both(filled: Path, open_page: OpenPage) -> None:
    """Looking at one sheet of a unit lists all of the unit's sheets, newest first."""
    frame = Store(filled).current()
    twice = frame[frame["unit"].duplicated(keep=False) & (frame["purpose"] == "unit")]
    assert len(twice) > 1
    number = twice["sheet_no"].iloc[0]
    unit = frame[frame["unit"] == twice["unit"].iloc[0]]
    app = open_page(filled, "suspects", sheet=number)
    assert not app.exception
    listed = app.dataframe[2].value
    assert sorted(listed["sheet"]) == sorted(unit["sheet_no"])
    assert listed["measured"].tolist() == sorted(listed["measured"], reverse=True)


def test_narrowed_keeps_the_order() -> None:
    """The filter function leaves rows that pass all filters, in the list's order."""
    table = pd.DataFrame(
        {
            "sheet_no": list("abcd"),
            "flagged": [True, True, True, False],
            "leading_fault": ["misread", "other", "misread", "misread"],
            "assembly_source": ["S1", "S1", "S2", "S1"],
            "measured_on": pd.to_datetime(["2023-01-01", "2024-01-01", "2024-06-01", "2024-07-01"]),
            "verdict": ["healthy", None, None, None],
        }
    )
    assert picker.filter_rows(table, "flagged", [], [], None)["sheet_no"].tolist() == ["a", "b", "c"]
    assert picker.filter_rows(table, "open", [], [], None)["sheet_no"].tolist() == ["b", "c"]
    assert picker.filter_rows(table, "all", ["misread"], ["S1"], 2024)["sheet_no"].tolist() == ["d"]

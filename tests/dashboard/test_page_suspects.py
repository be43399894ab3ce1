"""The suspects page: the list is the judgement's own, and every sheet of it can be looked at."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage, bold

from dashboards import picker
from fleet.faults.suspects import Suspects, suspects
from fleet.fitting.kept_model import load_house
from fleet.numerals import NOT_KNOWN
from fleet.store import Store, record_verdict, unit_of
from fleet.words import fault_words

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def own_list(filled: Path) -> Suspects:
    """The judgement's own answer, asked for without any page."""
    store = Store(filled)
    return suspects(load_house(store), store.current())


def test_the_page_shows_the_judgements_own_list(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """Answer and order are those of the same call without a page; a column alike in all rows is left out."""
    app = open_page(filled, "suspects")
    assert not app.exception
    assert app.title[0].value == "Which units are not normal for their kind?"
    assert bold(app) == own_list.sentence
    flagged = own_list.table[own_list.table["flagged"]]
    assert len(flagged) > 3
    table = app.dataframe[0].value
    assert table["sheet"].tolist() == flagged["sheet_no"].tolist()
    assert table["likeliest"].tolist() == [fault_words(f) for f in flagged["leading_fault"]]
    assert table["why"].tolist() == flagged["why"].tolist()
    assert "flagged" not in table
    assert own_list.table["flagged"].sum() == len(table)
    assert table["kind"].str.contains("/").all()


def test_all_units_can_be_listed(filled: Path, open_page: OpenPage, own_list: Suspects) -> None:
    """Showing all units lists every judged sheet, suspects first."""
    app = open_page(filled, "suspects")
    app.selectbox(key="suspects.show").set_value(picker.WHOLE).run()
    assert not app.exception
    assert app.dataframe[0].value["sheet"].tolist() == own_list.table["sheet_no"].tolist()


@pytest.mark.long
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


def test_answer_and_list_agree_with_the_filters(
    filled: Path, open_page: OpenPage, own_list: Suspects
) -> None:
    """With a source chosen, the answer counts its units alone; without it, it is the judgement's again."""
    flagged = own_list.table[own_list.table["flagged"]]
    source_of = (
        Store(filled).current(["sheet_no", "assembly_source"]).set_index("sheet_no")["assembly_source"]
    )
    sources = flagged["sheet_no"].map(source_of)
    app = open_page(filled, "suspects")
    app.multiselect(key="suspects.source").set_value([sources.dropna().iloc[0]]).run()
    assert not app.exception
    mine = flagged[(sources == sources.dropna().iloc[0]).to_numpy()]
    said = f"{mine['unit'].nunique()} of them among the {flagged['unit'].nunique()} flagged."
    assert bold(app).startswith("With these filters: ")
    assert bold(app).endswith(said)
    assert app.dataframe[0].value["sheet"].tolist() == mine["sheet_no"].tolist()
    app.multiselect(key="suspects.source").set_value([]).run()
    assert bold(app) == own_list.sentence


@pytest.mark.long
def test_a_verdict_stands_in_the_list(own: Path, open_page: OpenPage) -> None:
    """Once a flagged unit's outcome is recorded it stands in its row, and the open ones leave it out."""
    app = open_page(own, "suspects")
    first = app.dataframe[0].value["sheet"].iloc[0]
    assert "turned out" not in app.dataframe[0].value
    store = Store(own)
    record_verdict(store, unit_of(store, first), "healthy", recorded_on=date(2025, 1, 2))
    app.run()
    told = app.dataframe[0].value.set_index("sheet")["turned out"]
    assert told[first] == "healthy"
    assert set(told) == {"healthy", NOT_KNOWN}
    app.selectbox(key="suspects.show").set_value(picker.OPEN).run()
    assert not app.exception
    assert first not in app.dataframe[0].value["sheet"].tolist()


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

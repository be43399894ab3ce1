"""The page of a unit and the page of who is not normal: the judgements' own figures, and no other unit."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_helpers import OpenPage, bold, notes

from dashboards.data import normal as data
from dashboards.data.one_unit import card, one_unit, paper
from dashboards.data.store_state import revision
from fleet.errors import FleetError
from fleet.faults.one_unit import judge
from fleet.faults.suspects import suspects
from fleet.fitting.kept_model import load_house
from fleet.policy.policy import Policy
from fleet.store import Store

pytestmark = pytest.mark.long


def test_a_flagged_unit_on_its_page(filled: Path, open_page: OpenPage) -> None:
    """Its sentence is the list's, its alignment that of `fleet judge`, and its readings stand as typed."""
    store = Store(filled)
    current, house = store.current(), load_house(store)
    listed = suspects(house, current).table
    number = str(listed["sheet_no"].iloc[0])
    app = open_page(filled, "unit", sheet=number)
    assert not app.exception
    assert bold(app) == listed["why"].iloc[0]
    own = current[current["sheet_no"] == number]
    verdict = judge(house, own, Policy(), taught=bool(own["newest"].iloc[0]))
    text = " ".join(str(m.value).replace("\\", "") for m in app.markdown)
    for _, step in verdict.alignment.steps:
        assert step in text
    typed = next(d.value for d in app.dataframe if "column" in d.value.columns)
    rows = dict(zip(typed["column"], typed.iloc[:, 1].astype(str), strict=True))
    assert rows["sheet_no"] == number
    assert float(rows["sra_dynamic_deg [°]"]) == own["sra_dynamic_deg"].iloc[0]
    visits = next(d.value for d in app.dataframe if "built-in angle" in d.value.columns)
    assert number in visits["sheet"].tolist()


@pytest.mark.parametrize("number", ["NOPE", "'; drop table sheet; --", "<b>x</b>"])
def test_an_unknown_number_is_an_error_and_no_other_unit(
    filled: Path, open_page: OpenPage, number: str
) -> None:
    """A number that no sheet has is told as such; nothing of any other unit is shown."""
    app = open_page(filled, "unit", sheet=number)
    assert not app.exception
    assert "There is no sheet" in app.error[0].value
    assert not app.dataframe
    assert not app.header


@pytest.mark.long
def test_papers_from_the_page(filled: Path) -> None:
    """The unit's sheet and the owner's card are about this unit; an unknown number is refused."""
    where = str(filled), revision(str(filled))
    number = str(Store(filled).current()["sheet_no"].iloc[0])
    assert "Is this unit normal for its kind" in paper(*where, number, Policy())
    assert "how to set it" in card(*where, number, Policy())
    with pytest.raises(FleetError, match="there is no sheet 'NOPE'"):
        one_unit(*where, "NOPE", Policy())


@pytest.mark.long
def test_who_is_normal_can_be_narrowed(filled: Path, open_page: OpenPage) -> None:
    """Source, day and cause narrow the picture; the answer counts what is shown, by the list's own flags."""
    where = str(filled), revision(str(filled))
    store = Store(filled)
    found = suspects(load_house(store), store.current())
    flagged = found.table.loc[found.table["flagged"].astype(bool), "unit"]
    units, _ = data.judged_units(*where)
    assert set(units.loc[units["flagged"], "unit"]) == set(flagged)
    assert len(units) == found.table["unit"].nunique()
    some, sheets = data.judged_units(*where, (("assembly_source", ("S01",)),))
    assert set(sheets["assembly_source"]) == {"S01"}
    assert len(some) == len(sheets)
    last = sheets["measured_on"].max().date()
    late, newest = data.judged_units(*where, (), (last, None))
    assert (newest["measured_on"].dt.date >= last).all()
    assert 0 < len(late) < len(units)
    app = open_page(filled, "normal", source="S01")
    assert not app.exception
    assert found.sentence in bold(app)
    assert f"Shown here: {len(some)} units" in bold(app)
    assert any("every reading of the" in n for n in notes(app)) is bool(some["flagged"].any())

"""The distributions page: counts, medians and the model's word as the judgement says them."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_helpers import OpenPage, bold
from worlds import LONG

from fleet.attainment.distributions import GROUPINGS, QUANTITIES, distribution
from fleet.fitting.kept_model import load_house
from fleet.store import Store

pytestmark = pytest.mark.long


def test_the_page_shows_the_judgements_own_figures(filled: Path, open_page: OpenPage) -> None:
    """Answer, table and picture are those of the same call without a page."""
    app = open_page(filled, "distributions")
    assert not app.exception
    assert app.title[0].value == "What does the bench read, kind by kind?"
    store = Store(filled)
    own = distribution(store.current(), "sra_dynamic_deg", "kind", load_house(store))
    assert bold(app) == own.sentence
    table = app.dataframe[0].value
    assert table["units"].tolist() == own.table["n"].tolist()
    assert table["raw median"].tolist() == [float(f"{m:.2f}") for m in own.table["median"]]
    assert table["house model"].tolist() == [float(f"{m:.2f}") for m in own.table["model"]]


@pytest.mark.long
def test_every_quantity_can_be_shown(filled: Path, open_page: OpenPage) -> None:
    """Each quantity has an answer that names it, with a model's estimate beside the raw one.

    Outside the long run that is every third: angles and minutes among them.
    """
    app = open_page(filled, "distributions")
    for quantity, what in list(QUANTITIES.items())[1 :: 1 if LONG else 3]:
        app.selectbox(key="distributions.quantity").set_value(quantity).run()
        assert not app.exception
        assert what.words in bold(app)
        assert "house model" in app.dataframe[0].value.columns


def test_every_grouping_can_be_shown(filled: Path, open_page: OpenPage) -> None:
    """Each grouping counts every unit once; outside the long run one in three, the first among them."""
    app = open_page(filled, "distributions", quantity="channel_balance_db")
    frame = Store(filled).current()
    for by in list(GROUPINGS)[:: 1 if LONG else 3]:
        app.selectbox(key="distributions.by").set_value(by).run()
        assert not app.exception
        own = distribution(frame, "channel_balance_db", by)
        assert app.dataframe[0].value["units"].tolist() == own.table["n"].tolist()


def test_filters_narrow_and_stand_in_the_address(filled: Path, open_page: OpenPage) -> None:
    """Stylus, source and year narrow the count; a link with them opens the same view."""
    app = open_page(filled, "distributions")
    everyone = app.dataframe[0].value["units"].sum()
    app.multiselect(key="distributions.stylus").set_value(["elliptical"]).run()
    some = app.dataframe[0].value["units"].sum()
    assert 0 < some < everyone
    source = app.multiselect(key="distributions.source").options[0]
    app.multiselect(key="distributions.source").set_value([source]).run()
    fewer = app.dataframe[0].value["units"].sum()
    assert 0 < fewer < some
    linked = open_page(filled, "distributions", stylus=["elliptical"], source=[source])
    assert linked.dataframe[0].value["units"].sum() == fewer
    frame = Store(filled).current()
    frame = frame[(frame["stylus_profile"] == "elliptical") & (frame["assembly_source"] == source)]
    assert fewer == distribution(frame, "sra_dynamic_deg", "kind").table["n"].sum()


def test_a_year_can_be_named(filled: Path, open_page: OpenPage) -> None:
    """Measured since the newest year counts only sheets from then on."""
    app = open_page(filled, "distributions", quantity="tilt_room_deg")
    year = app.selectbox(key="distributions.since").options[1]
    app.selectbox(key="distributions.since").set_value(year).run()
    assert not app.exception
    frame = Store(filled).current()
    own = distribution(frame[frame["measured_on"].dt.year >= int(year)], "tilt_room_deg", "kind")
    assert app.dataframe[0].value["units"].sum() == own.table["n"].sum()


def test_filters_that_leave_nothing_are_told(filled: Path, open_page: OpenPage) -> None:
    """Rake by spherical styli alone: a sentence says that nothing was read, not an empty picture."""
    app = open_page(filled, "distributions", stylus=["spherical"])
    assert not app.exception
    assert "No sheet tells the rake, record turning" in app.error[0].value

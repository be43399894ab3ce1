"""Every figure opens the units behind it: as many as it counts, and those that it counts."""

from __future__ import annotations

import pandas as pd
import pytest
from page_helpers import OpenPage, bold, notes

from dashboards.data import suspects
from fleet.attainment.attainment import attainment
from fleet.attainment.contrasts import contrast
from fleet.attainment.distributions import distribution
from fleet.faults.group_drift import groups
from fleet.fitting.kept_model import load_house
from fleet.policy.policy import Policy
from fleet.store import Store, list_verdicts

pytestmark = [pytest.mark.filterwarnings("error"), pytest.mark.long]


@pytest.mark.long
def test_a_groups_units_are_those_it_counts(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """Each stylus's units are listed, by reading; their median is the group's own."""
    own = distribution(Store(filled).current(), "sag_deg", "stylus_profile").table
    for row in own.to_dict("records"):
        app = open_page(filled, "distributions", quantity="sag_deg", by="stylus_profile", of=row["group"])
        assert not app.exception
        assert any(f"The {row['n']} units of" in h.value for h in app.header)
        listed = app.dataframe[1].value
        assert len(listed) == min(row["n"], 300)
        readings = listed["dynamic sag"]
        assert readings.is_monotonic_increasing
        if row["n"] <= 300:
            assert readings.median() == pytest.approx(row["median"], abs=0.006)


def test_a_rates_units_are_those_it_counts(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """Met, not met and not read add up to the group, each as many as the rate says."""
    own = attainment(Store(filled).current(), ["assembly_source"], Policy()).iloc[0]
    source = own["assembly_source"]
    counts = {}
    for met in ("met", "not met", "not read"):
        app = open_page(filled, "attainment", by="assembly_source", of=source, of_them=met)
        assert not app.exception
        counts[met] = int(next(s.value for s in app.header if "units of" in s.value).split()[0])
    assert counts["met"] == own["both_reachable_met"]
    assert counts["not met"] == own["both_reachable_n"] - own["both_reachable_met"]
    assert sum(counts.values()) == own["units"]


@pytest.mark.long
def test_a_click_on_a_mark_or_a_row_picks_the_group(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """What the chart's selection names is listed."""
    app = open_page(filled, "attainment", by="stylus_profile")
    app.selectbox(key="attainment.of").set_value("elliptical").run()
    assert not app.exception
    assert any("units of elliptical" in s.value for s in app.header)
    assert app.query_params["of"] in (["elliptical"], "elliptical")
    app.selectbox(key="attainment.of").set_value(None).run()
    assert not any("units of" in s.value for s in app.header)


def test_two_groups_and_time(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """The contrast is the judgement's sentence, the periods add up to the group's units."""
    store = Store(filled)
    app = open_page(filled, "distributions", by="assembly_source", first="S01", second="S02", of="S01")
    assert not app.exception
    own = contrast(
        store.current(), "sra_dynamic_deg", "assembly_source", load_house(store), pair=("S02", "S01")
    )
    assert own.sentence in [str(m.value).strip("*").replace("\\", "") for m in app.markdown]
    units = distribution(store.current(), "sra_dynamic_deg", "assembly_source").table.set_index("group")
    assert app.dataframe[2].value["units"].sum() == units.loc["S01", "n"]


def test_another_policy_is_judged_on_the_same_units(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """A moved slider shows what would be gained, and the figures are those of that policy."""
    app = open_page(filled, "attainment", by="stylus_profile")
    app.slider(key="attainment.if_tracking").set_value(26.0).run()
    assert not app.exception
    other = Policy(name="other", tracking_limit_deg=26.0)
    whole = attainment(Store(filled).current(), [], other).iloc[0]
    said = next(str(m.value) for m in app.markdown if "become" in str(m.value))
    assert f"become {100 * whole['both_reachable_rate']:.0f} %" in said
    table = app.dataframe[-1].value
    strict = attainment(Store(filled).current(), [], Policy()).iloc[0]
    gained = whole["both_reachable_met"] - strict["both_reachable_met"]
    assert table["gained"].sum() - table["lost"].sum() == gained


@pytest.mark.long
def test_a_verdict_from_the_page(own, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """Recorded through the store's own door; the list shows it and the open ones leave it out."""
    app = open_page(own, "suspects")
    number = app.dataframe[0].value["sheet"].iloc[0]
    app = open_page(own, "unit", sheet=number)
    outcome = next(s for s in app.selectbox if s.label == "Outcome")
    app.button[-1].click().run()
    assert "choose an outcome first" in app.warning[0].value
    outcome = next(s for s in app.selectbox if s.label == "Outcome")
    outcome.set_value("confirmed")
    fault = next(s for s in app.selectbox if s.label == "Fault")
    fault.set_value("misread")
    app.button[-1].click().run()
    assert not app.exception
    verdicts = list_verdicts(Store(own))
    assert verdicts[["outcome", "fault"]].to_numpy().tolist() == [["confirmed", "misread"]]
    assert any("Recorded: misread." in n for n in notes(app))
    app = open_page(own, "suspects", show="open")
    assert number not in app.dataframe[0].value["sheet"].tolist()


@pytest.mark.long
def test_groups_stand_apart(filled, open_page: OpenPage) -> None:  # type: ignore[no-untyped-def]
    """Only when asked for; the sentence is the judgement's own."""
    app = open_page(filled, "suspects")
    assert not any("groups charted" in str(m.value) for m in app.markdown)
    app.toggle(key="suspects.groups").set_value(True).run()
    assert not app.exception
    store = Store(filled)
    own = groups(load_house(store), store.current())
    assert any(own.sentence in str(m.value).replace("\\", "") for m in app.markdown)


@pytest.mark.long
def test_a_large_store_is_judged_by_its_newest_sheets(  # type: ignore[no-untyped-def]
    filled, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the number judged at once the page says so and judges the newest."""
    monkeypatch.setattr(suspects, "NEWEST_JUDGED", 150)
    suspects.ranked_suspects.clear()
    suspects.judged_sheets.__wrapped__.clear()
    app = open_page(filled, "suspects", show="all")
    suspects.ranked_suspects.clear()
    suspects.judged_sheets.__wrapped__.clear()
    assert not app.exception
    assert any("the newest 150 sheets" in n for n in notes(app))
    listed = app.dataframe[0].value
    assert len(listed) == 150
    frame = Store(filled).current().sort_values("measured_on")
    assert pd.to_datetime(listed["measured"]).min() >= frame["measured_on"].iloc[-150]
    assert bold(app)

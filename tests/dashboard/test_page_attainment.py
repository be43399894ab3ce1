"""The attainment page: rates, intervals and reasons as the judgement counts them."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest
from page_helpers import OpenPage, bold, notes
from worlds import LONG

from fleet.attainment.attainment import PERIODS, attainment
from fleet.attainment.distributions import GROUPINGS
from fleet.policy.policy import Policy
from fleet.store import Store
from fleet.words import STATES, TARGETS

pytestmark = pytest.mark.long


def test_the_page_shows_the_judgements_own_figures(filled: Path, open_page: OpenPage) -> None:
    """Answer and table are those of the same count without a page."""
    app = open_page(filled, "attainment")
    assert not app.exception
    assert app.title[0].value == "How often are the targets met, and is it getting better?"
    whole = attainment(Store(filled).current(), [], Policy()).iloc[0]
    assert f"Of {whole['both_reachable_n']} units read" in bold(app)
    assert f"{100 * whole['both_reachable_low']:.0f} to {100 * whole['both_reachable_high']:.0f} %" in bold(
        app
    )
    own = attainment(Store(filled).current(), ["kind"], Policy())
    table = app.dataframe[0].value
    assert table["met"].sum() == own["both_reachable_met"].sum()
    assert table["units"].sum() == own["units"].sum()
    assert len(app.get("vega_lite_chart")) == 4


def test_every_grouping_can_be_shown(filled: Path, open_page: OpenPage) -> None:
    """Each grouping counts every unit once; outside the long run one in three, the first among them."""
    app = open_page(filled, "attainment")
    frame = Store(filled).current()
    for by in list(GROUPINGS)[:: 1 if LONG else 3]:
        app.selectbox(key="attainment.by").set_value(by).run()
        assert not app.exception
        own = attainment(frame, [by], Policy())
        assert sorted(app.dataframe[0].value["units"]) == sorted(own["units"])


@pytest.mark.long
def test_every_target_and_state_can_be_shown(filled: Path, open_page: OpenPage) -> None:
    """Each target in each state shows its own count; outside the long run each target and each state once."""
    app = open_page(filled, "attainment")
    own = attainment(Store(filled).current(), ["kind"], Policy())
    for target, state in (
        product(TARGETS, STATES) if LONG else zip(TARGETS, reversed(list(STATES)), strict=True)
    ):
        app.selectbox(key="attainment.target").set_value(target)
        app.selectbox(key="attainment.state").set_value(state).run()
        assert not app.exception
        assert app.dataframe[0].value["met"].sum() == own[f"{target}_{state}_met"].sum()
        assert TARGETS[target] in bold(app)


@pytest.mark.long
def test_every_period_can_be_shown(filled: Path, open_page: OpenPage) -> None:
    """Years, quarters and months each draw; what chance explains is said to be chance."""
    app = open_page(filled, "attainment")
    for per in PERIODS:
        app.selectbox(key="attainment.per").set_value(per).run()
        assert not app.exception
        assert any("period" in c or "chance" in c for c in notes(app))


def test_a_link_opens_the_same_view(filled: Path, open_page: OpenPage) -> None:
    """Filters in the address are the filters of the page."""
    app = open_page(filled, "attainment", by="assembly_source", target="tracking", per="quarter")
    assert not app.exception
    assert app.selectbox(key="attainment.by").value == "assembly_source"
    assert app.selectbox(key="attainment.target").value == "tracking"
    assert app.selectbox(key="attainment.per").value == "quarter"


def test_a_year_narrows_the_count(filled: Path, open_page: OpenPage) -> None:
    """Measured since the newest year: only units measured from then on are counted."""
    app = open_page(filled, "attainment")
    year = app.selectbox(key="attainment.since").options[1]
    app.selectbox(key="attainment.since").set_value(year).run()
    assert not app.exception
    frame = Store(filled).current()
    own = attainment(frame[frame["measured_on"].dt.year >= int(year)], ["kind"], Policy())
    assert app.dataframe[0].value["units"].sum() == own["units"].sum()


def test_the_policy_decides_what_counts_as_met(
    filled: Path, open_page: OpenPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under a policy with a generous tracking limit more units meet both, and the page says under which."""
    file = tmp_path / "policy.toml"
    file.write_text("[default]\n[generous]\ntracking_limit_deg = 30.0\n")
    monkeypatch.setenv("FLEET_POLICY", str(file))
    app = open_page(filled, "attainment")
    strict = app.dataframe[0].value["met"].sum()
    app.selectbox(key="attainment.policy").set_value("generous").run()
    assert not app.exception
    assert app.dataframe[0].value["met"].sum() > strict
    assert any("generous" in c for c in notes(app))

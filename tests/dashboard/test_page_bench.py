"""The bench page: watch, noise, operators, budgets as their judgements say."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage, bench_sheets, bold

from dashboards.data import bench_watch
from fleet.bench_trust.noise import repeat_noise
from fleet.bench_trust.watch import check_pickups, watch
from fleet.store import Store, pick_sheets
from synthetic_data.demo import demo_fleet

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with units and every check pickup's sheet of the demo bench, which creeps at the end."""
    path = tmp_path_factory.mktemp("bench") / "checked.duckdb"
    sheets = demo_fleet().sheets
    some = pd.concat(
        [sheets[sheets["purpose"] == "unit"].tail(300), sheets[sheets["purpose"] == "reference"]]
    )
    store = Store(path).create()
    store.append(some.rename(columns={"serial": "serial_token"}), file_name="demo.csv")
    return path


def words(app) -> str:  # type: ignore[no-untyped-def]
    return " ".join(str(m.value) for m in app.markdown).replace("\\", "")


def test_the_page_says_what_the_watch_says(checked: Path, open_page: OpenPage) -> None:
    """Question, the watch's own sentence as answer, its sheets, its table, and what to do next."""
    app = open_page(checked, "bench")
    assert not app.exception
    assert app.title[0].value == "Can the bench be trusted?"
    found = watch(check_pickups(Store(checked).current()))
    assert found.alarms
    assert bold(app) == found.sentence
    assert "sheets of units were read since" in words(app)
    states = app.dataframe[0].value
    assert states["reading"].tolist() == [
        "static rake", "dynamic rake", "tracking angle", "zenith", "optical azimuth", "electrical azimuth",
        "channel balance", "rake",
    ]  # fmt: skip
    assert states.set_index("reading").loc["rake", "stands"] == "off"
    assert any(h.value == "What to do next" for h in app.header)
    assert "a second one" in words(app)
    assert "never changed" in words(app)


def test_charts_carry_their_words(checked: Path, open_page: OpenPage) -> None:
    """Each picture has a description with its figures; the first is of the reading that moved."""
    app = open_page(checked, "bench")
    told = [json.loads(c.proto.spec)["description"] for c in app.get("vega_lite_chart")]
    assert len(told) == 4
    assert told[0].startswith("Checks of the rake reading, ")
    assert "moving average now +" in told[0]
    assert told[1].startswith("CUSUM of the rake reading")
    assert "Scatter of one reading" in told[2]
    assert "against their mean" in told[3]


@pytest.mark.long
def test_every_reading_and_baseline_can_be_shown(checked: Path, open_page: OpenPage) -> None:
    """A link opens a reading; another baseline gives the watch with it."""
    app = open_page(checked, "bench", reading="zenith_deg", baseline="2021")
    assert not app.exception
    assert app.selectbox(key="bench.reading").value == "zenith_deg"
    assert any(h.value == "Checks: zenith" for h in app.header)
    sheets = check_pickups(Store(checked).current())
    found = watch(sheets, baseline=(None, pd.Timestamp("2021-12-31").date()))
    assert bold(app) == found.sentence


def test_noise_and_operators_are_those_of_the_repeats(checked: Path, open_page: OpenPage) -> None:
    """The noise table is the judgement's; another quantity's operators can be picked."""
    app = open_page(checked, "bench")
    found = repeat_noise(Store(checked).current())
    table = app.dataframe[1].value
    assert table["readings"].tolist() == found.table["readings"].tolist()
    assert found.sentence in words(app)
    app.selectbox(key="bench.habit").set_value("demo:zenith_deg").run()
    assert not app.exception
    assert "zenith readings against their mean" in str(app.get("vega_lite_chart")[3].proto.spec)
    assert len(app.dataframe[2].value) == 13


@pytest.mark.long
def test_a_large_store_is_looked_at_by_its_newest_sheets_and_all_checks(
    checked: Path, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the number looked at the watch stays the same, noise is that of the newest, and it is said."""
    monkeypatch.setattr(bench_watch, "NEWEST_OF_UNITS", 200)
    for kept in (bench_watch.bench_sheets, bench_watch.noise, bench_watch.bench_watch):
        kept.__wrapped__.clear()
    app = open_page(checked, "bench")
    for kept in (bench_watch.bench_sheets, bench_watch.noise, bench_watch.bench_watch):
        kept.__wrapped__.clear()
    assert not app.exception
    sheets = Store(checked).current()
    assert bold(app) == watch(check_pickups(sheets)).sentence
    of_units = pick_sheets(Store(checked), tuple(sheets), newest_first=200)
    checks = sheets[sheets["purpose"] == "reference"]
    own = repeat_noise(pd.concat([of_units, checks]).sort_values(["measured_on", "bench", "sheet_no"]))
    assert app.dataframe[1].value["readings"].tolist() == own.table["readings"].tolist()
    assert "the newest 200 sheets of units" in words(app)


def test_a_bench_without_check_pickups(filled: Path, open_page: OpenPage) -> None:
    """Customers' units alone: the page says what is missing and still shows noise and budgets."""
    app = open_page(filled, "bench")
    assert not app.exception
    assert "no check pickup's sheet" in bold(app)
    assert app.code[0].value == "fleet explain watch"
    assert len(app.dataframe) == 2


def test_too_few_checks(open_page: OpenPage, tmp_path: Path) -> None:
    """Ten checks make no baseline; the page says how many it takes."""
    sheets = demo_fleet().sheets
    few = sheets[sheets["purpose"] == "reference"].head(10).rename(columns={"serial": "serial_token"})
    store = Store(tmp_path / "few.duckdb").create()
    store.append(pd.concat([bench_sheets(20), few]), file_name="few.csv")
    app = open_page(store.path, "bench")
    assert not app.exception
    assert "too few checks" in bold(app)
    assert any("at least 20 checks" in str(e.value) for e in app.error)


def test_a_store_that_is_not_there(open_page: OpenPage, tmp_path: Path) -> None:
    """Without a store the page names the ways to make one."""
    app = open_page(tmp_path / "none.duckdb", "bench")
    assert not app.exception
    assert app.code[0].value == "fleet intake FILE\nfleet demo"

"""What is chosen or typed on one page reaches no other, and is found again whole or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from page_helpers import OpenPage, bold
from streamlit.testing.v1 import AppTest

from dashboards import state
from fleet.fitting.kept_model import load_house
from fleet.policy.policy import Policy
from fleet.quotes.hindcasts import all_facts, make_hindcasts
from fleet.store import Store
from fleet.store.quotes import keep_backtest

KINDS = (
    "selectbox",
    "multiselect",
    "number_input",
    "slider",
    "text_input",
    "toggle",
    "checkbox",
    "date_input",
)
UNIT = {
    "body_family": "F001",
    "stylus_profile": "line_contact",
    "cantilever_material": "boron",
    "assembly_source": "S01",
    "generator": "moving_coil",
    "bench": "demo",
    "vtf_mn": 21.0,
    "compliance_um_per_mn": 15.0,
    "compliance_frequency_hz": "10",
    "cantilever_length_mm": 6.0,
    "tilt_room_deg": 3.0,
    "temperature_c": 22.0,
    "hours_used": 400.0,
    "sra_static_deg": 92.0,
    "sra_dynamic_deg": 91.3,
    "vta_dynamic_deg": 22.0,
    "read_by": "photo",
    "azimuth_optical_deg": 0.4,
    "azimuth_electrical_deg": 0.5,
    "zenith_deg": 4.9,
    "channel_balance_db": 0.5,
    "height_mm": 16.0,
    "tip_to_mount_mm": 9.5,
    "roll_applied_deg": 0.3,
    "rake_aim_deg": 91.8,
    "tracking_limit_deg": 21.0,
    "target_reason": "owners_wish",
}
FILLED: dict[str, dict[str, Any]] = {
    "enquiry": {name: UNIT[name] for name in state.ENQUIRY},
    "on_the_bench": {name: UNIT[name] for name in state.BENCH},
    "normal": {"source": ["S01"], "fault": ["misread"]},
    "unit": {"sheet": "DEMO-W00000001", "paper": "card"},
    "suspects": {"show": "all", "fdr": "0.2", "source": ["S01"], "since": "2021"},
    "distributions": {
        "quantity": "zenith_deg",
        "by": "assembly_source",
        "stylus": ["line_contact"],
        "of": "S01",
        "per": "quarter",
    },
    "attainment": {
        "by": "assembly_source",
        "target": "rake",
        "per": "quarter",
        "of": "S01",
        "if_tracking": 26.0,
        "if_rake": (90.0, 93.0),
    },
    "bench": {"reading": "zenith_deg", "habit": "demo:zenith_deg"},
    "record": {"by": "kind", "per": "year"},
    "sheets": {"find": "W0000000", "operator": ["A"], "sheet_no": "NO-SUCH"},
}


@pytest.fixture(scope="module")
def store(with_checks: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The filled store with check pickups and a back-test, so that every page has something to choose."""
    path = Path(shutil.copy(with_checks, tmp_path_factory.mktemp("kept") / "kept.duckdb"))
    own = Store(path)
    current = own.current()
    old = current[current["purpose"] == "unit"].tail(60).reset_index(drop=True)
    kept = make_hindcasts(load_house(own), current, old, all_facts(len(old)), Policy(), boosting=False)
    keep_backtest(own, kept.assign(origin=pd.Timestamp("2022-01-01").date()))
    return path


def values(app: AppTest) -> dict[str, Any]:
    """What stands in every widget of the page that has a key, by key."""
    assert not app.exception
    return {w.key: w.value for kind in KINDS for w in app.get(kind) if w.key is not None}


def fill(app: AppTest, page: str) -> AppTest:
    """Choose and type, as somebody at the page would."""
    for key, value in FILLED[page].items():
        widget = next(w for kind in KINDS for w in app.get(kind) if w.key == f"{page}.{key}")
        widget.set_value(value)
        if page not in ("enquiry", "on_the_bench"):
            app.run()
    return app.run()


def go(app: AppTest, page: str, **link: str) -> AppTest:
    """Open a page by its name in the navigation, which empties the address, or by a link."""
    app.query_params.clear()
    app.query_params.update(link)
    app.switch_page(f"workshop_pages/{page}.py")
    return app.run()


@pytest.fixture(scope="module")
def untouched(store: Path) -> Callable[[OpenPage, str], dict[str, Any]]:
    """Widgets of a page as somebody finds them who comes first to it."""
    found: dict[str, dict[str, Any]] = {}

    def of(open_page: OpenPage, page: str) -> dict[str, Any]:
        if page not in found:
            found[page] = values(open_page(store, page))
        return found[page]

    return of


def left_behind(app: AppTest, page: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What stands in a page once it is filled, and its address."""
    left, address = values(fill(app, page)), dict(app.query_params)
    assert {key: left[f"{page}.{key}"] for key in FILLED[page]} == FILLED[page]
    assert set(address) >= set(FILLED[page])
    return left, address


Untouched = Callable[[OpenPage, str], dict[str, Any]]


@pytest.mark.parametrize(
    "pages",
    [["on_the_bench", "record"], pytest.param(list(FILLED), marks=pytest.mark.long)],
    ids=len,
)
def test_nothing_reaches_another_page_and_all_is_found_again(
    pages: list[str], store: Path, open_page: OpenPage, untouched: Untouched
) -> None:
    """Through all pages, each filled before it is left: the next is as if none were, and all are found again.

    What reached an earlier page from a later one would be found there on the way back.
    """
    app, left = open_page(store, pages[0]), {}
    for page in pages:
        if left:
            assert values(go(app, page)) == untouched(open_page, page), page
            assert not app.query_params
        left[page] = left_behind(app, page)
    for page in pages:
        assert (values(go(app, page)), dict(app.query_params)) == left[page], page


@pytest.mark.long
@pytest.mark.parametrize("page", FILLED)
def test_a_filled_page_reaches_no_other_and_is_found_after_each(
    page: str, store: Path, open_page: OpenPage, untouched: Untouched
) -> None:
    """From a filled page to every other and back after each: those are as if nothing were filled."""
    app = open_page(store, page)
    left = left_behind(app, page)
    for name in state.PAGES:
        if name != page:
            assert values(go(app, name)) == untouched(open_page, name), name
            assert not app.query_params
            assert (values(go(app, page)), dict(app.query_params)) == left, name


def test_every_page_is_walked() -> None:
    """Every page of the dashboard has its keys named, is filled above, and all its fields are typed in."""
    pages = {p.stem for p in (Path(state.__file__).parent / "workshop_pages").glob("[a-z]*.py")}
    assert set(FILLED) == set(state.PAGES) == pages
    for page, filled in FILLED.items():
        assert set(filled) <= set(state.PAGES[page])
    assert {*state.ENQUIRY, *state.BENCH} == set(UNIT)


def test_a_link_replaces_the_form_whole(store: Path, open_page: OpenPage) -> None:
    """A link that tells a stylus opens an enquiry that tells it alone: nothing older is left."""
    app = fill(open_page(store), "enquiry")
    fresh = open_page(store, stylus_profile="elliptical")
    go(app, "suspects")
    go(app, "enquiry", stylus_profile="elliptical")
    assert values(app) == values(fresh)
    assert bold(app) == bold(fresh)
    assert dict(app.query_params) == {"stylus_profile": "elliptical"}


def test_the_way_back_to_a_bare_address_empties_the_form(store: Path, open_page: OpenPage) -> None:
    """The browser's way back from a filled form to its empty address leaves no field filled."""
    app = open_page(store)
    empty, answer = values(app), bold(app)
    fill(app, "enquiry")
    app.query_params.clear()
    app.run()
    assert values(app) == empty
    assert bold(app) == answer


def test_what_is_typed_fast_is_kept(store: Path, open_page: OpenPage) -> None:
    """A field changed while the browser still holds an older address loses no field changed before it."""
    app = open_page(store, "on_the_bench", body_family="F001")
    older = dict(app.query_params)
    told = {"sra_dynamic_deg": 87.6, "vta_dynamic_deg": 24.0, "zenith_deg": 9.5}
    for key, value in told.items():
        app.query_params.clear()
        for name, codes in older.items():
            app.query_params[name] = codes
        app.number_input(f"on_the_bench.{key}").set_value(value).run()
    left = values(app)
    assert {key: left[f"on_the_bench.{key}"] for key in told} == told
    assert left["on_the_bench.body_family"] == "F001"
    address = {key: codes if isinstance(codes, str) else codes[0] for key, codes in app.query_params.items()}
    assert {key: float(address[key]) for key in told} == told


@pytest.mark.parametrize("page", ["enquiry", "on_the_bench"])
def test_the_form_can_be_emptied(page: str, store: Path, open_page: OpenPage) -> None:
    """One button empties every field and the address; what the page then says is what it says at first."""
    app = open_page(store, page)
    empty, answer = values(app), bold(app)
    assert not [b for b in app.button if b.label == "Empty the form"]
    fill(app, page)
    assert bold(app) != answer
    next(b for b in app.button if b.label == "Empty the form").click().run()
    assert values(app) == empty
    assert bold(app) == answer
    assert not app.query_params


def test_a_key_that_no_page_names_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A widget's key has to be named with its page's."""
    monkeypatch.setattr(state.st, "session_state", {"@page": "sheets"})
    assert state.name("sheet_no") == "sheets.sheet_no"
    with pytest.raises(KeyError, match="vtf_mn is no key of the page sheets"):
        state.name("vtf_mn")

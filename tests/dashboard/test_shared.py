"""The shared dashboard: its pages show published figures and no unit, and nobody comes in unasked."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from page_helpers import APP, OpenPage, bold
from streamlit.testing.v1 import AppTest
from test_layers import ROOT, imports

from dashboards import shared
from fleet.attainment.published_readings import published_readings
from fleet.attainment.publishing import counting_rule, group_counts, published_attainment
from fleet.charts.rates import attainment_answer
from fleet.policy.policy import Policy
from fleet.sharing.groups import bring_up_to_date, publish_attainment
from fleet.store import Store
from fleet.store.sharing import UNITS, Published
from fleet.words import quantity

pytestmark = pytest.mark.long

WORKSHOP = "workshop_pages"
VIEWS = sorted(p.stem for p in (ROOT / "dashboards" / "shared_pages").glob("[a-z]*.py"))
NOT_FOR_OTHERS = (
    "dashboards.data.units",
    "dashboards.data.suspects",
    "dashboards.picker",
    "dashboards.verdict_form",
)


@pytest.fixture(scope="session")
def published(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Published]:
    """The filled store with its units in published groups, and those groups."""
    path = Path(shutil.copy(filled, tmp_path_factory.mktemp("shared") / "published.duckdb"))
    store, policy = Store(path), Policy()
    ready = bring_up_to_date(store)
    return path, publish_attainment(
        store,
        ready,
        policy=counting_rule(policy),
        count=lambda sheets: group_counts(sheets, policy, ready.smallest),
    )


@pytest.fixture
def open_shared(monkeypatch: pytest.MonkeyPatch) -> OpenPage:
    """Open one page of the shared dashboard."""
    monkeypatch.setenv(shared.SHARED, "1")

    def opened(store: Path, page: str = "enquiry", **filters: str) -> AppTest:
        monkeypatch.setenv("FLEET_STORE", str(store))
        app = AppTest.from_file(str(APP), default_timeout=30)
        if page != "enquiry":
            app.switch_page(f"shared_pages/{page}.py")
        for name, value in filters.items():
            app.query_params[name] = value
        return app.run()

    return opened


def everything_said(app: AppTest) -> str:
    """Every protocol message of a page as text, tables and charts with their data."""
    parts: list[str] = []

    def walk(block: Any) -> None:
        for child in block.children.values():
            if hasattr(child, "children"):
                walk(child)
            else:
                parts.append(str(child.proto))
                if child.type == "arrow_data_frame":
                    parts.append(child.value.to_csv())

    walk(app.main)
    return "\n".join(parts)


def test_a_unit_would_be_found(filled: Path, open_page: OpenPage) -> None:
    """The search below finds the sheets and units that the house's own page of suspects sends."""
    said = everything_said(open_page(filled, "suspects"))
    sheets = Store(filled).current()
    assert sum(str(number) in said for number in sheets["sheet_no"]) >= 3


@pytest.mark.parametrize("view", VIEWS)
def test_no_page_shows_a_unit(view: str, published: tuple[Path, Published], open_shared: OpenPage) -> None:
    """No sheet number, unit or operator of the store is anywhere in what a page sends to the browser."""
    path, _ = published
    app = open_shared(path, view)
    assert not app.exception
    said = everything_said(app)
    assert len(said) > 3000
    sheets = Store(path).current()
    for name in ("sheet_no", "unit", "serial_token", "operator"):
        values = (
            {str(v) for v in sheets[name].dropna().unique() if len(str(v)) > 2} if name in sheets else set()
        )
        assert not [v for v in values if v in said], name
    assert {link.proto.page or "enquiry" for link in app.get("page_link")} == set(VIEWS)
    assert not app.get("file_uploader")


def test_only_three_pages_are_served(published: tuple[Path, Published], open_shared: OpenPage) -> None:
    """Suspects, sheets, bench and track record are no pages of the shared dashboard, by link either."""
    path, _ = published
    assert VIEWS == ["attainment", "distributions", "enquiry"]
    app = open_shared(path)
    app.switch_page("shared_pages/attainment.py").run()
    assert "How often" in app.title[0].value
    for page in ("suspects", "sheets", "on_the_bench", "bench", "record", "attainment", "distributions"):
        with pytest.raises(ValueError, match="Could not find a navigation page"):
            AppTest.from_file(str(APP), default_timeout=30).run().switch_page(f"{WORKSHOP}/{page}.py").run()


def test_no_folder_lets_pages_past_the_gate() -> None:
    """Beside the main script stands no folder "pages": it would be served without the login."""
    assert (APP.parent / WORKSHOP).is_dir()
    assert not (APP.parent / "pages").exists()


def test_shared_pages_import_nothing_that_fetches_units() -> None:
    """Shared pages import neither modules that fetch units nor the picking of sheets."""
    for view in VIEWS:
        names = imports(ROOT / "dashboards" / "shared_pages" / f"{view}.py")
        assert not names & set(NOT_FOR_OTHERS)
        assert not [n for n in names if n.startswith(("fleet.store", "duckdb"))]
    names = imports(ROOT / "dashboards" / "shared.py")
    assert not names & set(NOT_FOR_OTHERS)
    assert not [n for n in names if "pick_sheets" in n]


def test_figures_are_the_published_groups_own(
    published: tuple[Path, Published], open_shared: OpenPage
) -> None:
    """Attainment and readings are what the judgements add up from the groups, to the letter."""
    path, groups = published
    parts = groups.of(UNITS)
    whole = published_attainment([(g.labels, g.units, g.counts or {}) for g in parts], [], Policy())
    app = open_shared(path, "attainment")
    assert bold(app) == attainment_answer(whole, "both_reachable")
    app = open_shared(path, "distributions", reading="sag", by="assembly_source")
    table = published_readings([(g.labels, g.units, g.content) for g in parts], "sag", "assembly_source")
    assert list(app.dataframe[0].value["units"]) == table["n"].tolist()
    assert quantity("sag").long in bold(app).lower()


def test_an_enquiry_offers_published_codes_without_counts(
    published: tuple[Path, Published], open_shared: OpenPage
) -> None:
    """Families are those of published groups, without counts; the basis names none either."""
    path, groups = published
    app = open_shared(path, "enquiry", stylus_profile="elliptical")
    codes = {str(g.labels["by body_family"]) for g in groups.of(UNITS) if "by body_family" in g.labels}
    family = next(box for box in app.selectbox if box.label == "Body family")
    assert set(family.options) == codes
    known = set(Store(path).current()["body_family"].dropna())
    assert codes < known
    basis = next(str(m.value) for m in app.markdown if "stands on" in str(m.value))
    assert "units" not in basis


def test_before_the_first_publication_it_says_what_to_run(filled: Path, open_shared: OpenPage) -> None:
    """Without published groups every page is a sentence and the command that makes some."""
    for view in VIEWS:
        app = open_shared(filled, view)
        assert not app.exception
        assert [c.value for c in app.code] == [shared.PUBLISH]


def test_another_policy_is_no_way_to_subtract(
    published: tuple[Path, Published], open_shared: OpenPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Under a policy that counts otherwise no rate is shown."""
    path, _ = published
    file = tmp_path / "policy.toml"
    file.write_text("[default]\ntracking_limit_deg = 23.0\n", encoding="utf-8")
    monkeypatch.setenv("FLEET_POLICY", str(file))
    app = open_shared(path, "attainment")
    assert not app.exception
    assert [c.value for c in app.code] == [shared.PUBLISH]
    assert not app.dataframe


@pytest.mark.parametrize(
    ("user", "enters"),
    [
        ({"email": "A@Example.org", "email_verified": True}, True),
        ({"email": "b@example.net", "email_verified": "true"}, True),
        ({"email": "a@example.org"}, False),
        ({"email": "a@example.org", "email_verified": False}, False),
        ({"email": "x@example.org", "email_verified": True}, False),
        ({"email": "a@sub.example.net", "email_verified": True}, False),
        ({"email": "a@evil.org@example.net", "email_verified": True}, False),
        ({"email": "", "email_verified": True}, False),
        ({}, False),
    ],
)
def test_who_may_enter(user: dict[str, Any], enters: bool) -> None:
    """Only addresses that the provider has verified, and only those named or of a named domain."""
    assert shared.may_enter(user, "a@example.org,@example.net") is enters
    assert shared.may_enter(user, shared.EVERYONE)


def test_nobody_comes_in_unasked(
    published: tuple[Path, Published], open_shared: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a login configured, whoever hasn't logged in sees a question and a button and nothing else."""
    path, _ = published
    monkeypatch.setenv(shared.ALLOWED, "a@example.org")
    for view in VIEWS:
        app = open_shared(path, view)
        assert [t.value for t in app.title] == ["Who is there?"]
        assert [b.label for b in app.button] == ["Log in"]
        assert not app.dataframe
        assert not app.metric


@pytest.mark.parametrize(
    ("email", "title"),
    [("a@example.org", "What will this pickup need?"), ("b@example.org", "Not for this account")],
)
def test_who_has_logged_in(
    email: str, title: str, published: tuple[Path, Published], open_shared: OpenPage,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Somebody on the list sees the page; somebody who is not sees only the way out."""
    import streamlit as st

    path, _ = published
    user = {"is_logged_in": True, "email": email, "email_verified": True}
    monkeypatch.setattr(st, "user", user)
    monkeypatch.setenv(shared.ALLOWED, "a@example.org")
    app = open_shared(path)
    assert app.title[0].value == title
    assert json.dumps([b.label for b in app.button]) == ("[]" if "What" in title else '["Log out"]')

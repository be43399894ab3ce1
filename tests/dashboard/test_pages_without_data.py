"""When there is nothing to show, a page says why and which command changes that, never a traceback."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage, bench_sheets, bold, notes

from fleet.estimation.prior_only import prior_house
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.store import Store, connection

pytestmark = pytest.mark.long

PAGES = ("on_the_bench", "distributions", "suspects", "attainment")
NEED_MODEL = ("on_the_bench", "suspects")


def words(app) -> str:  # type: ignore[no-untyped-def]
    return " ".join(str(e.value) for e in [*app.info, *app.warning, *app.error, *app.code]).replace("\\", "")


@pytest.mark.parametrize("page", PAGES)
def test_a_store_that_is_not_there(page: str, open_page: OpenPage, tmp_path: Path) -> None:
    """Without a store, every page names the place it looked at and both ways to make one."""
    app = open_page(tmp_path / "none.duckdb", page)
    assert not app.exception
    assert f"There is no store at {tmp_path / 'none.duckdb'} yet." in words(app)
    assert app.code[0].value == "fleet intake FILE\nfleet demo"
    assert app.title[0].value.endswith("?")


@pytest.mark.parametrize("page", PAGES)
def test_a_store_without_sheets(page: str, open_page: OpenPage, tmp_path: Path) -> None:
    """An empty store gets a sentence and the intake command."""
    Store(tmp_path / "empty.duckdb").create()
    app = open_page(tmp_path / "empty.duckdb", page)
    assert not app.exception
    assert "no bench sheet of a unit in the store yet" in words(app)
    assert app.code[0].value == "fleet intake FILE"


@pytest.mark.parametrize("page", NEED_MODEL)
def test_no_model_yet(page: str, open_page: OpenPage, tmp_path: Path) -> None:
    """With sheets but no model, the pages that need one say to fit it."""
    store = Store(tmp_path / "raw.duckdb").create()
    store.append(bench_sheets(30), file_name="demo.csv")
    app = open_page(store.path, page)
    assert not app.exception
    assert "no house model yet" in words(app)
    assert app.code[0].value == "fleet refit"


@pytest.mark.parametrize("sheets", [None, 0, 30])
def test_an_enquiry_is_answered_before_the_first_fit(
    sheets: int | None, open_page: OpenPage, tmp_path: Path
) -> None:
    """Without store, sheet or model, mechanics and practice answer as the command does, and it is said."""
    store = Store(tmp_path / "cold.duckdb")
    if sheets is not None:
        store.create()
    if sheets:
        store.append(bench_sheets(sheets), file_name="demo.csv")
    app = open_page(store.path, "enquiry", stylus_profile="line_contact", vtf_mn="18")
    assert not app.exception
    assert not app.error
    assert "mechanics and common practice answer alone" in words(app)
    asked = pd.DataFrame({"enquiry_id": ["E1"], "stylus_profile": ["line_contact"], "vtf_mn": [18.0]})
    policy = Policy()
    own = quote(asked, prior_house(), {policy.name: policy}, policy_name=policy.name)
    assert bold(app) == own.sentences[0]
    assert not [b for b in app.button if b.label == "Keep the quote"]
    assert bool([b for b in app.button if b.label == "Fit the house model now"]) == bool(sheets)
    assert store.path.exists() == (sheets is not None)


@pytest.mark.long
def test_the_first_fit_is_made_from_the_page(open_page: OpenPage, tmp_path: Path) -> None:
    """One button fits the model; the page then says what became of it and quotes from the bench's sheets."""
    store = Store(tmp_path / "raw.duckdb").create()
    store.append(bench_sheets(40), file_name="demo.csv")
    app = open_page(store.path, "enquiry")
    next(b for b in app.button if b.label == "Fit the house model now").click().run()
    assert not app.exception
    assert app.success[0].value == "Model 1 is in use, the first one."
    assert "mechanics and common practice answer alone" not in words(app)
    assert [b for b in app.button if b.label == "Keep the quote"]


def test_readings_stand_alone_without_a_model(open_page: OpenPage, tmp_path: Path) -> None:
    """Distributions need no model: the raw readings are shown, and the page says what is missing."""
    store = Store(tmp_path / "raw.duckdb").create()
    store.append(bench_sheets(30), file_name="demo.csv")
    app = open_page(store.path, "distributions")
    assert not app.exception
    assert "house model" not in app.dataframe[0].value.columns
    assert any("There is no house model yet" in c for c in notes(app))


@pytest.mark.parametrize("page", PAGES)
def test_one_sheet_in_the_store(page: str, open_page: OpenPage, tmp_path: Path) -> None:
    """One sheet is too few to say what is normal, but its own figures are shown where that is honest."""
    store = Store(tmp_path / "one.duckdb").create()
    store.append(bench_sheets(1), file_name="demo.csv")
    app = open_page(store.path, page)
    assert not app.exception
    if page in NEED_MODEL:
        assert "There is one bench sheet in the store: too few to say what is normal." in words(app)
    else:
        assert "1 unit" in " ".join(str(m.value) for m in app.markdown)


@pytest.mark.parametrize("page", ["enquiry", "attainment"])
def test_a_locked_store_is_told_in_a_sentence(
    page: str, own: Path, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another program writes, the page says so and offers to try again; then it shows its data."""
    monkeypatch.setattr(connection, "READER_WAIT_S", 0.2)
    monkeypatch.setattr("fleet.store.store.READER_WAIT_S", 0.2)
    hold = (
        "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(own)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "held\n"
        app = open_page(own, page)
        assert not app.exception
        assert "is in use by another program; try again when it has finished." in app.warning[0].value
        writer.communicate()
    app.button(key="again").click().run()
    assert not app.exception
    assert not app.warning
    assert app.dataframe


def test_something_that_is_no_store(open_page: OpenPage, tmp_path: Path) -> None:
    """A file that is no store gets one line that says so."""
    (tmp_path / "notes.duckdb").write_text("not a database at all\n" * 200)
    app = open_page(tmp_path / "notes.duckdb", "attainment")
    assert not app.exception
    assert "is not a fleet store" in app.error[0].value


def test_a_model_older_than_the_sheets_is_said(own: Path, open_page: OpenPage) -> None:
    """New sheets after the fit: the quote still stands, with a line that the model could be refitted."""
    late = bench_sheets(270).tail(5)
    Store(own).append(late, file_name="late.csv")
    app = open_page(own)
    assert not app.exception
    assert any("fleet refit" in i.value for i in app.info)
    assert app.metric


def test_new_sheets_are_seen_at_the_next_click(own: Path, open_page: OpenPage) -> None:
    """The cache follows the store: after an intake the same page counts the new units."""
    app = open_page(own, "distributions")
    before = app.dataframe[0].value["units"].sum()
    Store(own).append(bench_sheets(280).tail(20), file_name="late.csv")
    app.run()
    assert app.dataframe[0].value["units"].sum() > before

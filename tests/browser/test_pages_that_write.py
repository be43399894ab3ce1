"""What the pages write, in a real browser: a file, a verdict, a judged sheet; and stores that are shut."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from browser_tools import choose, open_page, running, settled

from fleet.faults.suspects import suspects
from fleet.fitting.kept_model import load_house
from fleet.store import Store, list_verdicts

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = [pytest.mark.browser, pytest.mark.long]
FILE = """sheet_no,measured_on,body_family,stylus_profile,cantilever_material,sra_dynamic_deg,vta_dynamic_deg
NEW-1,2025-05-01,F001,elliptical,aluminium,91.5,21.0
NEW-2,2025-05-02,F001,elliptical,aluminium,9150,21.0
NEW-3,2025-05-03,F001,elliptical,aluminium,92.0,22.5
"""


def test_a_file_is_looked_at_before_it_goes_in(page: Page, own_server: str, own_store: Path) -> None:
    """Good rows and faults are shown, rejects downloaded; only the ticked box stores the good ones."""
    store = Store(own_store)
    before = len(store.current(["sheet_no"]))
    open_page(page, f"{own_server}/sheets")
    page.locator('input[type="file"]').first.set_input_files(
        {"name": "late.csv", "mimeType": "text/csv", "buffer": FILE.encode()}
    )
    page.get_by_text("3 rows read, 2 would go in, 0 are there already, 1 would be put aside").wait_for()
    settled(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Table as CSV").first.click()
    rejects = pd.read_csv(waiting.value.path())
    assert rejects["column"].tolist() == ["sra_dynamic_deg"]
    assert rejects["line"].tolist() == [3]
    page.get_by_role("button", name="Take them in").click()
    page.get_by_text("Nothing was stored: tick the box first.").wait_for()
    assert len(store.current(["sheet_no"])) == before
    page.get_by_text("Yes, store these 2 sheets").click()
    settled(page)
    page.get_by_role("button", name="Take them in").click()
    page.get_by_text("2 taken in").wait_for()
    settled(page)
    assert len(store.current(["sheet_no"])) == before + 2
    page.get_by_role("textbox", name="Sheet number", exact=True).fill("NEW-3")
    page.get_by_role("textbox", name="Sheet number", exact=True).press("Enter")
    page.get_by_text("Sheet NEW-3: 1 version").wait_for()


def test_a_verdict_is_recorded(page: Page, own_server: str, own_store: Path) -> None:
    """A verdict chosen on the page is the store's, and the page shows it."""
    store = Store(own_store)
    own = suspects(load_house(store), store.current()).table
    number = own["sheet_no"].iloc[2]
    open_page(page, f"{own_server}/unit?sheet={number}", charts=4)
    page.get_by_role("heading", name=f"Sheet {number}").wait_for()
    choose(page, "Outcome", "it is healthy")
    page.get_by_role("button", name="Record the verdict").click()
    page.get_by_text("Recorded: healthy.").wait_for()
    verdicts = list_verdicts(store).set_index("unit")
    assert verdicts.loc[own["unit"].iloc[2], "outcome"] == "healthy"


def test_judged_readings_are_saved_after_a_tick(page: Page, own_server: str, own_store: Path) -> None:
    """Without the tick nothing is stored; with it, the readings are a sheet with the typed figures."""
    store = Store(own_store)
    page.goto(
        f"{own_server}/on_the_bench?body_family=F001&stylus_profile=elliptical&sra_dynamic_deg=91.2&vta_dynamic_deg=21.5"
    )
    page.get_by_role("button", name="Save the sheet").wait_for()
    page.get_by_role("textbox", name="Sheet number", exact=True).fill("BENCH-7")
    page.get_by_role("button", name="Save the sheet").click()
    page.get_by_text("tick the box that the readings are final").wait_for()
    assert "BENCH-7" not in set(store.current(["sheet_no"])["sheet_no"])
    page.get_by_text("The readings are final: store them").click()
    page.get_by_role("button", name="Save the sheet").click()
    page.get_by_text("Saved as a sheet").wait_for()
    saved = store.current().set_index("sheet_no").loc["BENCH-7"]
    assert saved["sra_dynamic_deg"] == 91.2
    assert saved["body_family"] == "F001"


def test_a_store_that_another_program_holds(page: Page, own_server: str, own_store: Path) -> None:
    """While the store is locked the page says so; tried again afterwards, it shows its figures."""
    hold = (
        "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    )
    open_page(page, f"{own_server}/attainment", charts=1)
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(own_store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "held\n"
        choose(page, "By", "cantilever material")
        page.get_by_text("is in use by another program; try again when it has finished.").wait_for()
        writer.communicate()
    page.get_by_role("button", name="Try again").click()
    page.get_by_text("What to do next").wait_for()


def test_no_store_and_no_model(page: Page, tmp_path: Path) -> None:
    """Without a store the pages name the commands that make one; the sheets page takes the first file in."""
    with running(tmp_path / "none.duckdb", tmp_path / "log.txt") as (address, _):
        page.goto(f"{address}/attainment")
        page.get_by_text("fleet intake FILE").wait_for()
        page.goto(f"{address}/sheets")
        page.locator('input[type="file"]').first.set_input_files(
            {"name": "first.csv", "mimeType": "text/csv", "buffer": FILE.encode()}
        )
        page.get_by_text("2 would go in").wait_for()
        settled(page)
        page.get_by_text("Yes, store these 2 sheets").click()
        settled(page)
        page.get_by_role("button", name="Take them in").click()
        page.get_by_text("2 taken in").wait_for()
        page.goto(f"{address}/suspects")
        page.get_by_text("There are 2 bench sheets in the store: too few").wait_for()

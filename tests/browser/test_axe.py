"""Pages for people who can't see or point: axe-core's rules find no fault of ours on any page or paper."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_tools import running, settled

from fleet.cli import run
from fleet.cli.week.dashboard import SHARED
from fleet.faults.suspects import suspects
from fleet.fitting.kept_model import load_house
from fleet.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = [pytest.mark.browser, pytest.mark.long]

FOLDER: Final = Path(__file__).resolve().parents[2] / "dashboards"
PAGES: Final = sorted(p.stem for p in (FOLDER / "workshop_pages").glob("[a-z]*.py"))
SHARED_PAGES: Final = sorted(p.stem for p in (FOLDER / "shared_pages").glob("[a-z]*.py"))
STREAMLITS_OWN: Final[dict[str, tuple[str, ...]]] = {
    # The uploader's drop zone: a section with role=presentation that its author gave a label and a focus.
    "presentation-role-conflict": ('data-testid="stFileUploaderDropzone"',),
}
"""Per rule the places in Streamlit's own markup that break it, each with its reason; no others."""
GROUND: Final = """getComputedStyle(document.querySelector('[data-testid="stApp"]')).colorScheme"""
CONTRAST: Final = {"runOnly": {"type": "rule", "values": ["color-contrast"]}, "resultTypes": ["violations"]}


def faults(page: Page, options: dict[str, Any] | None = None) -> list[str]:
    """What axe finds on a page, but for Streamlit's own, one line a place."""
    told = options or {"resultTypes": ["violations"]}
    found: list[dict[str, Any]] = Axe().run(page, options=told).response["violations"]
    lines = []
    for rule in found:
        for node in rule["nodes"]:
            place = " ".join(str(part) for part in node["target"])
            if not any(part in place or part in node["html"] for part in STREAMLITS_OWN.get(rule["id"], ())):
                lines.append(f"{rule['id']} ({rule['impact']}) at {place}: {node['html'][:300]}")
    return lines


def drawn(page: Page, address: str) -> None:
    """Go there and wait until the page's heading and everything below it stand."""
    page.goto(address)
    page.get_by_role("heading", level=1).wait_for()
    settled(page)


def address_of(view: str) -> str:
    return "" if view == "enquiry" else view


@pytest.fixture(scope="module")
def shared_server(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a shared dashboard over a copy of the demo store with published groups."""
    import shutil

    folder = tmp_path_factory.mktemp("shared")
    store = Path(shutil.copy(demo_store, folder / "shared.duckdb"))
    assert run(["--store", str(store), "attainment", "--publish"]) == 0
    os.environ[SHARED] = "1"
    try:
        with running(store, folder / "log.txt") as (address, _):
            yield address
    finally:
        del os.environ[SHARED]


@pytest.mark.parametrize("view", PAGES)
def test_no_page_has_a_fault_of_ours(view: str, page: Page, server: str) -> None:
    """Every page with demo data by all rules, and by that of contrast on a dark ground too."""
    drawn(page, f"{server}/{address_of(view)}")
    assert faults(page) == []
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"{GROUND} === 'dark'")
    settled(page)
    assert faults(page, CONTRAST) == []


def test_a_unit_and_a_group_opened(page: Page, server: str, demo_store: Path) -> None:
    """A suspect with its readings, verdict and links, and a group opened to its units."""
    store = Store(demo_store)
    first = suspects(load_house(store), store.current()).table["sheet_no"].iloc[0]
    drawn(page, f"{server}/unit?sheet={first}&paper=card")
    assert faults(page) == []
    drawn(page, f"{server}/sheets?sheet_no={first}")
    assert faults(page) == []
    drawn(page, f"{server}/attainment?of=elliptical%2Fboron")
    assert faults(page) == []
    drawn(page, f"{server}/attainment?by=assembly_source&of=S03")
    assert faults(page) == []


@pytest.mark.parametrize("view", SHARED_PAGES)
def test_no_shared_page_has_a_fault_of_ours(view: str, page: Page, shared_server: str) -> None:
    """The shared pages too."""
    drawn(page, f"{shared_server}/{address_of(view)}")
    assert faults(page) == []


@pytest.mark.parametrize(
    "words",
    [["quote", "--kind", "line_contact/boron", "--no-keep"], ["year", "2024"], ["unit", "DEMO-W00000181"]],
)
def test_no_paper_has_a_fault(words: list[str], page: Page, demo_store: Path, tmp_path: Path) -> None:
    """Papers have no allowance: nothing of them is anybody else's markup. They run under their own policy."""
    paper = tmp_path / "paper.html"
    assert run(["--store", str(demo_store), "report", *words, "--out", str(paper)]) == 0
    page.set_content(paper.read_text(encoding="utf-8"))
    found = Axe().run(page).response["violations"]
    assert [(rule["id"], [n["html"][:200] for n in rule["nodes"]]) for rule in found] == []


def test_the_rules_would_find_a_fault(page: Page) -> None:
    """A page with a picture without words and pale letters is found at fault: the check has teeth."""
    page.set_content(
        '<html lang="en"><title>t</title><main><h1>h</h1><img src="data:,">'
        '<p style="color:#ccc">pale</p></main>'
    )
    assert {line.split(" ")[0] for line in faults(page)} == {"image-alt", "color-contrast"}

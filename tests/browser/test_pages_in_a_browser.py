"""Each page as a person meets it: opened, clicked through, its figures compared with the judgement's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from fleet.charts.words import fault_words, percent
from fleet.judgements.attainment import attainment
from fleet.judgements.distributions import distribution
from fleet.judgements.policy import Policy
from fleet.judgements.quote import quote
from fleet.judgements.suspects import suspects
from fleet.models.predict import Forecaster
from fleet.refit import load_house
from fleet.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser


def opened(page: Page, address: str, *, charts: int) -> None:
    """Go there and wait until the whole page stands and its pictures are drawn."""
    page.goto(address)
    page.get_by_text("What to do next").wait_for()
    page.locator('[data-testid="stVegaLiteChart"] svg.marks').nth(charts - 1).wait_for()


def choose(page: Page, label: str, option: str) -> None:
    """Pick an option of a list by keyboard-reachable roles."""
    page.get_by_role("combobox", name=label).click()
    page.get_by_role("option", name=option, exact=True).click()


def described(page: Page) -> list[str]:
    """What a screen reader says of each picture."""
    charts = page.locator('[data-testid="stVegaLiteChart"][role="graphics-document"]')
    return [charts.nth(i).get_attribute("aria-label") or "" for i in range(charts.count())]


def test_enquiry(page: Page, server: str, demo_store: Path) -> None:
    """Facts picked in the form stand in the address; the figures shown are the quote's own."""
    opened(page, server, charts=5)
    choose(page, "Stylus", "line contact")
    choose(page, "Cantilever", "boron")
    page.wait_for_url(lambda url: "stylus_profile=line+contact" in url and "cantilever_material=boron" in url)
    asked = pd.DataFrame(
        {"enquiry_id": ["Q"], "stylus_profile": ["line_contact"], "cantilever_material": ["boron"]}
    )
    house = load_house(Store(demo_store))
    row = quote(asked, Forecaster(house), {"default": Policy()}).table.iloc[0]
    page.get_by_text(f"The quote stands on: {row['basis']}").wait_for()
    metric = page.locator('[data-testid="stMetricValue"]')
    assert metric.nth(1).inner_text() == f"{row['tilt_deg_q50']:+.1f}°"
    assert metric.nth(2).inner_text() == f"{row['bench_minutes_q50']:.0f} min"
    texts = described(page)
    assert f"median {row['vta_dynamic_deg_q50']:.2f}" in texts[2]
    assert all(len(text) > 40 for text in texts)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Table as CSV").click()
    table = pd.read_csv(waiting.value.path())
    assert table["sag_deg_q50"].iloc[0] == pytest.approx(row["sag_deg_q50"])


def test_distributions(page: Page, server: str, demo_store: Path) -> None:
    """A link opens quantity and grouping; every group's row is drawn, and a list changes it in place."""
    opened(page, f"{server}/distributions?quantity=dynamic+sag+%28%C2%B0%29&by=stylus+profile", charts=1)
    store = Store(demo_store)
    own = distribution(store.current(), "sag_deg", "stylus_profile", load_house(store))
    page.get_by_text(own.sentence).wait_for()
    text = described(page)[0]
    for row in own.table.to_dict("records"):
        assert f"(n {row['n']}) {row['median']:.2f}°" in text
    marks = page.locator(
        '[data-testid="stVegaLiteChart"] [aria-roledescription="point"][aria-label*="house model"]'
    )
    assert marks.count() == len(own.table)
    choose(page, "By", "cantilever")
    other = distribution(store.current(), "sag_deg", "cantilever_material", load_house(store))
    page.get_by_text(other.sentence).wait_for()


def test_suspects(page: Page, server: str, demo_store: Path) -> None:
    """The second row, clicked, opens that sheet; the address leads to it, and a link from it to a quote."""
    opened(page, f"{server}/suspects", charts=5)
    store = Store(demo_store)
    own = suspects(load_house(store), store.current())
    page.get_by_text(own.sentence).wait_for()
    second = own.table.iloc[1]
    rows = page.locator('[data-testid="stDataFrame"]').first
    rows.click(position={"x": 20, "y": 35 + 35 + 17})
    page.get_by_role("heading", name=f"Sheet {second['sheet_no']}").wait_for()
    page.wait_for_url(lambda url: f"sheet={second['sheet_no']}" in url)
    page.get_by_text(second["why"][:60]).last.wait_for()
    likeliest = f"{fault_words(second['leading_fault'])} {percent(second['p_' + second['leading_fault']])}"
    assert likeliest in described(page)[0]
    material = store.current().set_index("sheet_no").loc[second["sheet_no"], "cantilever_material"]
    page.locator(f'a[href*="cantilever_material={material}"]').click()
    page.get_by_role("heading", name="What will this pickup need?").wait_for()
    page.locator(f'input[role="combobox"][value="{material}"]').wait_for()


def test_attainment(page: Page, server: str, demo_store: Path) -> None:
    """The rate shown is the count's own; choosing another target changes answer and address."""
    opened(page, f"{server}/attainment?group=stylus+profile", charts=3)
    frame = Store(demo_store).current()
    whole = attainment(frame, [], Policy()).iloc[0]
    said = f"in {whole['both_reachable_met']}: {100 * whole['both_reachable_rate']:.0f}%"
    page.get_by_text(said).wait_for()
    choose(page, "Target", "the rake target")
    page.wait_for_url(lambda url: "target=the+rake+target" in url)
    page.get_by_text(
        f"in {whole['rake_reachable_met']}: {100 * whole['rake_reachable_rate']:.0f}%"
    ).wait_for()


def test_pages_are_linked_by_a_bar_at_the_top(page: Page, server: str) -> None:
    """From a first visit deep in the dashboard, every page can be reached by a link with its name."""
    opened(page, f"{server}/attainment", charts=3)
    for name in ("Enquiry", "Distributions"):
        page.get_by_role("link", name=name).click()
        page.get_by_text("What to do next").wait_for()
        page.get_by_role("heading", level=1).wait_for()
    assert page.get_by_role("heading", level=1).inner_text() == "What does the bench read, kind by kind?"


def test_a_dark_screen_gets_light_ink(browser, server: str) -> None:  # type: ignore[no-untyped-def]
    """On a dark ground the interval lines of the quote are drawn in light ink."""
    from fleet.charts.style import DARK

    context = browser.new_context(viewport={"width": 1280, "height": 2400}, color_scheme="dark")
    window = context.new_page()
    opened(window, server, charts=5)
    lines = window.locator(f'[data-testid="stVegaLiteChart"] line[stroke="{DARK.ink}"]')
    lines.first.wait_for(state="attached")
    assert lines.count() >= 6
    context.close()

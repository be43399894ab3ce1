"""Each page as a person meets it: opened, clicked through, its figures compared with the judgement's own."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from browser_tools import CHARTS, choose, described, open_page, settled

from fleet.attainment.attainment import attainment
from fleet.attainment.contrasts import contrast
from fleet.attainment.distributions import distribution
from fleet.faults.one_unit import judge
from fleet.faults.suspects import suspects
from fleet.fitting.kept_model import load_house
from fleet.house_model.predict import Forecaster
from fleet.numerals import percent
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.quotes.value_of_information import information
from fleet.store import Store
from fleet.words import fault_words

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = [pytest.mark.browser, pytest.mark.long]


def test_enquiry(page: Page, server: str, demo_store: Path) -> None:
    """Facts picked in the form stand in the address as codes; the figures shown are the quote's own."""
    open_page(page, server, charts=6)
    choose(page, "Stylus", "line contact")
    choose(page, "Cantilever", "boron")
    page.wait_for_url(lambda url: "stylus_profile=line_contact" in url and "cantilever_material=boron" in url)
    asked = pd.DataFrame(
        {"enquiry_id": ["Q"], "stylus_profile": ["line_contact"], "cantilever_material": ["boron"]}
    )
    house = load_house(Store(demo_store))
    row = quote(asked, Forecaster(house), {"default": Policy()}).table.iloc[0]
    page.get_by_text(f"The quote stands on: {row['basis']}").wait_for()
    page.get_by_text(information(asked, house, Policy()).sentence).wait_for()
    metric = page.locator('[data-testid="stMetricValue"]')
    assert metric.nth(1).inner_text() == f"{row['tilt_deg_q50']:+.1f}°"
    assert metric.nth(2).inner_text() == f"{row['bench_minutes_q50']:.0f} min"
    texts = described(page)
    assert f"median {row['vta_dynamic_deg_q50']:.2f}" in texts[2]
    assert all(len(text) > 40 for text in texts)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Table as CSV").first.click()
    table = pd.read_csv(waiting.value.path())
    assert table["sag_deg_q50"].iloc[0] == pytest.approx(row["sag_deg_q50"])
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Table as XLSX").first.click()
    book = pd.read_excel(io.BytesIO(Path(waiting.value.path()).read_bytes()), engine="openpyxl")
    assert book["sag_deg_q50"].iloc[0] == pytest.approx(row["sag_deg_q50"])
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Quote to print").click()
    assert "What will this pickup need?" in Path(waiting.value.path()).read_text()


def test_an_enquiry_by_keyboard_alone(page: Page, server: str, demo_store: Path) -> None:
    """With Tab, letters, Enter and a digit a whole enquiry is asked, and its answer is the quote's."""
    open_page(page, server, charts=6)

    def focused() -> str:
        found = page.evaluate(
            "() => { const e = document.activeElement;"
            " return (e.getAttribute('aria-label') || e.innerText || '').trim() }"
        )
        return str(found) if len(str(found)) < 150 else ""  # a part of the page that scrolls, not a field

    def to(label: str, most: int = 60) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if label in focused() and not focused().startswith("Help"):
                return
        raise AssertionError(f"Tab never reached {label!r}")

    to("Stylus")
    page.keyboard.type("elliptical")
    page.get_by_role("option", name="elliptical").wait_for()
    page.keyboard.press("Enter")
    settled(page)
    page.wait_for_url(lambda url: "stylus_profile=elliptical" in url)
    to("Figures: force")
    page.keyboard.press("Enter")
    to("Tilt room")
    page.keyboard.type("2.5")
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: "tilt_room_deg=2.5" in url)
    settled(page)
    asked = pd.DataFrame({"enquiry_id": ["Q"], "stylus_profile": ["elliptical"], "tilt_room_deg": [2.5]})
    quotes = quote(asked, Forecaster(load_house(Store(demo_store))), {"default": Policy()})
    page.get_by_text(quotes.sentences[0]).wait_for()


def test_distributions_to_the_unit(page: Page, server: str, demo_store: Path) -> None:
    """A link opens quantity and grouping; a click on a group's mark lists its units, a row opens one."""
    open_page(page, f"{server}/distributions?quantity=sag_deg&by=stylus_profile", charts=2)
    store = Store(demo_store)
    own = distribution(store.current(), "sag_deg", "stylus_profile", load_house(store))
    page.get_by_text(own.sentence).wait_for()
    text = described(page)[0]
    for row in own.table.to_dict("records"):
        assert f"(n {row['n']}) {row['median']:.2f}°" in text
    marks = page.locator(f'{CHARTS} [aria-roledescription="point"][aria-label*="house model"]')
    assert marks.count() == len(own.table)
    smallest = own.table.iloc[-1]
    chosen = str(smallest["group"]).replace("_", " ")
    marks.and_(page.locator(f'[aria-label*="{chosen}"]')).first.click()
    page.wait_for_url(lambda url: f"of={smallest['group']}" in url)
    page.get_by_role("heading", name=f"The {smallest['n']} units of {chosen}").wait_for()
    settled(page)
    page.locator('[data-testid="stDataFrame"]').nth(1).click(position={"x": 20, "y": 35 + 17})
    page.wait_for_url(lambda url: "unit?sheet=" in url)
    number = page.url.split("unit?sheet=")[1].split("&")[0]
    frame = store.current().set_index("sheet_no")
    assert frame.loc[number, "stylus_profile"] == smallest["group"]
    page.get_by_role("heading", name="What is this unit, and what is to be done about it?").wait_for()
    page.get_by_role("heading", name=f"Sheet {number}").wait_for()


def test_two_groups_against_each_other(page: Page, server: str, demo_store: Path) -> None:
    """A link sets two sources against each other; the sentence is the judgement's."""
    open_page(page, f"{server}/distributions?by=assembly_source&first=S01&second=S02", charts=3)
    store = Store(demo_store)
    own = contrast(
        store.current(), "sra_dynamic_deg", "assembly_source", load_house(store), pair=("S02", "S01")
    )
    page.get_by_text(own.sentence).wait_for()


def test_suspects(page: Page, server: str, demo_store: Path) -> None:
    """The second row, clicked, opens that unit's page; a link there leads to a quote of its kind."""
    page.goto(f"{server}/suspects")
    store = Store(demo_store)
    own = suspects(load_house(store), store.current())
    page.get_by_text(own.sentence).wait_for()
    settled(page)
    second = own.table.iloc[1]
    page.locator('[data-testid="stDataFrame"]').first.click(position={"x": 20, "y": 35 + 35 + 17})
    page.wait_for_url(lambda url: f"/unit?sheet={second['sheet_no']}" in url)
    page.get_by_role("heading", name=f"Sheet {second['sheet_no']}").wait_for()
    page.get_by_text(second["why"][:60]).last.wait_for()
    likeliest = f"{fault_words(second['leading_fault'])} {percent(second['p_' + second['leading_fault']])}"
    settled(page)
    assert likeliest in described(page)[0]
    material = store.current().set_index("sheet_no").loc[second["sheet_no"], "cantilever_material"]
    page.locator(f'a[href*="cantilever_material={material}"]').click()
    page.get_by_role("heading", name="What will this pickup need?").wait_for()
    page.wait_for_url(lambda url: f"cantilever_material={material}" in url)
    page.locator(f'input[role="combobox"][value^="{material}"]').wait_for()


def test_attainment_to_the_unit(page: Page, server: str, demo_store: Path) -> None:
    """The rate shown is the count's own; a click on it lists its units, and those that miss the target."""
    open_page(page, f"{server}/attainment?by=stylus_profile", charts=4)
    frame = Store(demo_store).current()
    whole = attainment(frame, [], Policy()).iloc[0]
    said = f"in {whole['both_reachable_met']}: {100 * whole['both_reachable_rate']:.0f} %"
    page.get_by_text(said).wait_for()
    choose(page, "Target", "the rake target")
    page.wait_for_url(lambda url: "target=rake" in url)
    page.get_by_text(
        f"in {whole['rake_reachable_met']}: {100 * whole['rake_reachable_rate']:.0f} %"
    ).wait_for()
    own = attainment(frame, ["stylus_profile"], Policy()).set_index("stylus_profile").loc["elliptical"]
    mark = page.locator(f'{CHARTS} [aria-roledescription="point"][aria-label*="elliptical"]').first
    mark.click()
    page.get_by_role("heading", name=f"{own['units']} units of elliptical: all").wait_for()
    choose(page, "Of them", "not met")
    missed = own["rake_reachable_n"] - own["rake_reachable_met"]
    page.get_by_role("heading", name=f"{missed} units of elliptical: not met").wait_for()
    page.wait_for_url(lambda url: "of=elliptical" in url and "of_them=not+met" in url)


def test_on_the_bench(page: Page, server: str, demo_store: Path) -> None:
    """Readings typed one after the other are judged at once, as `fleet judge` would."""
    page.goto(f"{server}/on_the_bench?stylus_profile=line_contact&cantilever_material=boron")
    page.get_by_text("Nothing is read yet.").wait_for()
    told = {"sra_dynamic_deg": 87.6, "vta_dynamic_deg": 24.0, "zenith_deg": 9.5}
    labels = ("Rake, record turning [°]", "Tracking angle, record turning [°]", "Zenith error [°]")
    for label, value in zip(labels, told.values(), strict=True):
        field = page.get_by_label(label, exact=True)
        field.fill(str(value))
        field.press("Enter")
        settled(page)
    sheet = pd.DataFrame(
        {"stylus_profile": ["line_contact"], "cantilever_material": ["boron"]}
        | {k: [v] for k, v in told.items()}
    )
    own = judge(load_house(Store(demo_store)), sheet, Policy())
    page.get_by_text(own.sentence).first.wait_for()
    steps = dict(own.alignment.steps)
    page.get_by_text(steps["Tilt"]).first.wait_for()
    page.get_by_text(steps["Turn"]).first.wait_for()
    page.get_by_text(f"Read {own.again}.").first.wait_for()


def test_pages_are_linked_by_a_bar_at_the_top(page: Page, server: str) -> None:
    """From a first visit deep in the dashboard, every page can be reached by a link with its name."""
    open_page(page, f"{server}/attainment", charts=4)
    for name in ("Enquiry", "On the bench", "Suspects", "Sheets", "Distributions"):
        page.get_by_role("link", name=name, exact=True).click()
        page.wait_for_url(lambda url, name=name: name.lower().replace(" ", "_") in url or name == "Enquiry")
        page.get_by_text("What to do next").wait_for()
        settled(page)
    assert page.get_by_role("heading", level=1).inner_text() == "What does the bench read, kind by kind?"
    page.set_viewport_size({"width": 720, "height": 450})  # 1440 by 900 at 200 %
    for name in ("Enquiry", "On the bench", "Normal", "Suspects", "Attainment", "Track record", "Sheets"):
        assert page.get_by_role("link", name=name, exact=True).is_visible()


def test_a_dark_screen_gets_light_ink(browser, server: str) -> None:  # type: ignore[no-untyped-def]
    """On a dark ground the interval lines of the quote are drawn in light ink."""
    from fleet.charts.style import DARK

    context = browser.new_context(viewport={"width": 1280, "height": 2400}, color_scheme="dark")
    context.set_default_timeout(90_000)
    window = context.new_page()
    open_page(window, server, charts=6)
    lines = window.locator(f'{CHARTS} line[stroke="{DARK.ink}"]')
    lines.first.wait_for(state="attached")
    assert lines.count() >= 6
    context.close()

"""The owner's card: one page, an owner's words, the wedge's millimetres; and papers that lose no cell."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from worlds import LONG

from fleet.cli import run
from fleet.faults.one_unit import Verdict, judge
from fleet.faults.signatures import FAULTS
from fleet.house_model.house import House
from fleet.policy.policy import Policy
from fleet.report.owners import found_words, owner_card
from fleet.report.page import html
from fleet.report.pdf import load_library
from fleet.store import Store

DAY = date(2025, 7, 1)
NOT_AN_OWNERS_WORDS = re.compile(
    r"sigma|µs|\brms\b|\bq value\b|posterior|residual|hourly rate", re.IGNORECASE
)


def card_of(sheet: pd.DataFrame, house: House, policy: Policy | None = None, **told: Any) -> str:
    """The card as a page, pictures as their words."""
    chosen = policy or Policy()
    made = owner_card(sheet, judge(house, sheet, chosen), chosen, on=DAY, **told)
    return html([made], draw=lambda _chart, _abreast: "data:,")


def text(page: str) -> str:
    """What is to be read on a page."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.split("<body>")[1]))


def outside(page: str) -> list[str]:
    """Table cells of a page that lie beyond the edge of the paper, or that another page's edge cuts."""
    document = load_library().HTML(string=page).render()
    lost = []
    for sheet in document.pages:
        box = sheet._page_box
        right = box.position_x + box.margin_width() - box.margin_right
        cells = (b for b in box.descendants() if b.element_tag in {"td", "th"})
        lines = (line for cell in cells for line in cell.descendants() if getattr(line, "text", ""))
        lost += [line.text for line in lines if line.position_x + line.width > right + 0.5]
    return lost


def cells(page: str) -> list[str]:
    return [
        unescape(re.sub(r"<[^>]+>", "", c)) for c in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", page, re.DOTALL)
    ]


@pytest.fixture
def unit(bench: Store) -> pd.DataFrame:
    """A sheet with everything read and a tilt that needs a wedge."""
    sheets = bench.current()
    read = (
        sheets[["sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg", "height_mm", "vtf_mn"]]
        .notna()
        .all(axis=1)
    )
    return sheets[read & (sheets["remedy"] == "made_wedge")].iloc[[0]].reset_index(drop=True)


@pytest.mark.long
def test_no_word_is_beyond_an_owner(bench: Store, house: House) -> None:
    """Over eight units (forty in the long run), whatever is found, no card says sigma, µs, rms or a rate."""
    for i in range(0, 400, 10 if LONG else 50):
        sheet = bench.current().iloc[[i]].reset_index(drop=True)
        said = text(card_of(sheet, house))
        assert not NOT_AN_OWNERS_WORDS.search(said), said
        assert "nan" not in said.lower().split()


def test_steps_carry_the_alignments_own_figures(unit: pd.DataFrame, house: House) -> None:
    """Wedge, force in grams, and both angles before and after are those of the alignment and the sheet."""
    verdict = judge(house, unit, Policy())
    way, said = verdict.alignment.mounting, text(card_of(unit, house))
    assert way.kind == "made_wedge"
    for mm in (way.nose_mm, way.tail_mm, way.outer_mm, way.inner_mm, way.holes_mm):
        assert f"{mm:.2f} mm" in said
    assert f"{unit['vtf_mn'].iloc[0] / 9.80665:.2f} g" in said
    assert f"{unit['sra_dynamic_deg'].iloc[0]:.1f}°" in said
    steps = [said.index(word) for word in ("between pickup and headshell", "tracking force", "Play a record")]
    assert steps == sorted(steps)


def test_how_sure_is_said(unit: pd.DataFrame, house: House) -> None:
    """Chances of 7 and 92 % get different sentences, and every cause has its words."""
    verdict = judge(house, unit, Policy())

    def said(fault: str, chance: float) -> str:
        row = dict(verdict.row) | {f"p_{f}": 0.0 for f in FAULTS} | {"p_healthy": 0.05}
        return found_words(_with_row(verdict, row | {f"p_{fault}": chance, "leading_fault": fault}))

    assert len({said("stylus_twisted", chance) for chance in (0.07, 0.45, 0.75, 0.92)}) == 4
    assert len({said(fault, 0.92) for fault in FAULTS}) == len(FAULTS)


def _with_row(verdict: Verdict, row: dict[str, Any]) -> Verdict:
    return replace(verdict, row=row)


def test_price_reference_and_lines_to_sign(unit: pd.DataFrame, house: House) -> None:
    """With a rate the price of the bench's minutes stands with its last day; without one, a ruled line."""
    sheet = unit.assign(bench_minutes=60.0)
    rated = Policy(hourly_rate=50.0, wedge_fee=20.0, currency="EUR")
    made = judge(house, sheet, rated).alignment.remedy == "made_wedge"
    said = text(card_of(sheet, house, rated, workshop="Bench two", reference="R-7", valid_days=10))
    assert f"{50 + 20 * made} EUR, valid until 2025-07-11" in said
    assert "Bench two" in said
    assert "R-7" in said
    bare = card_of(sheet, house)
    assert "<dt>Price</dt><dd></dd>" in bare
    assert "<dt>Signature</dt><dd></dd>" in bare
    assert f"<dt>Reference</dt><dd>{sheet['sheet_no'].iloc[0]}</dd>" in bare


def test_a_card_of_little(house: House) -> None:
    """A sheet with nothing but its number is told as it is, and asks for no tilt."""
    sheet = pd.DataFrame({"sheet_no": ["X1"]})
    said = text(card_of(sheet, house))
    assert "angles were not read" in said
    assert "Leave it level" in said


@pytest.mark.usefixtures("pdf_library")
@pytest.mark.parametrize("size", ["a4", "letter"])
def test_the_card_is_one_page_with_every_cell_on_it(size: str, unit: pd.DataFrame, house: House) -> None:
    """On either paper one page holds every cell, the signature line last."""
    made = owner_card(unit, judge(house, unit, Policy()), Policy(), on=DAY, workshop="Bench two")
    page = html([made], size=size)
    assert outside(page) == []
    document = load_library().HTML(string=page).render()
    assert len(document.pages) == 1


@pytest.mark.long
@pytest.mark.usefixtures("pdf_library")
def test_a_units_pdf_loses_no_cell(own_bench: Path, bench: Store) -> None:
    """Every cell of every table of a unit with several sheets stands on its page, wide tables too."""
    from pypdf import PdfReader

    sheets = bench.current()
    often = sheets[sheets.groupby("unit")["sheet_no"].transform("count") > 1]
    number = str(often["sheet_no"].iloc[0])
    assert run(["report", "unit", number, "--out", "u.html"]) == 0
    assert run(["report", "unit", number, "--out", "u.pdf"]) == 0
    page = (own_bench / "u.html").read_text(encoding="utf-8")
    assert "Every sheet of this unit" in page
    assert outside(page) == []
    read = "".join(p.extract_text() or "" for p in PdfReader(own_bench / "u.pdf").pages)
    printed = re.sub(r"\s+", "", read)
    told = [re.sub(r"\s+", "", c) for c in cells(page)]
    assert len(told) > 60
    assert [c for c in told if c and c not in printed] == []


@pytest.mark.long
def test_the_command_adds_the_annex(
    own_bench: Path, bench: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """`fleet report owner` writes the card; with --annex the unit's sheet follows it."""
    number = str(bench.current()["sheet_no"].iloc[0])
    assert run(["report", "owner", number, "--annex", "--workshop", "Bench two"]) == 0
    page = (own_bench / "owner.html").read_text(encoding="utf-8")
    assert page.count("<main") == 2
    assert "Bench two" in page
    assert "Is this unit normal for its kind" in page
    capsys.readouterr()
    assert run(["report", "owner", "NOPE"]) == 2
    assert "there is no sheet NOPE" in capsys.readouterr().err

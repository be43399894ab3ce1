"""Papers as files: the command writes them, a PDF holds their text, pages and headings, in both sizes."""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path

import pandas as pd
import pytest

from fleet.cli import run
from fleet.extras import how_to_install
from fleet.report import pictures
from fleet.store import Store

A4_PT, LETTER_PT = (595, 842), (612, 792)


def text_of(path: Path) -> list[str]:
    """Text of each page of a PDF, lines joined."""
    from pypdf import PdfReader

    return [" ".join((page.extract_text() or "").split()) for page in PdfReader(path).pages]


def size_of(path: Path) -> tuple[int, int]:
    from pypdf import PdfReader

    box = PdfReader(path).pages[0].mediabox
    return round(float(box.width)), round(float(box.height))


@pytest.mark.long
@pytest.mark.usefixtures("pdf_library")
def test_a_quote_as_pdf(own_bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two pages of A4 with the answer on the first, cautions, policy, model and day; the charts are in it."""
    words = ["--kind", "line_contact/boron", "--vtf-mn", "18", "--on", "2025-07-01", "--no-keep"]
    assert run(["report", "quote", *words, "--out", "q.pdf"]) == 0
    answer = capsys.readouterr().out.splitlines()[0]
    pages = text_of(own_bench / "q.pdf")
    assert len(pages) == 2
    assert size_of(own_bench / "q.pdf") == A4_PT
    assert "What will this pickup need?" in pages[0]
    assert answer in pages[0]
    assert "tracking angle, record turning [°]" in pages[0]
    for word in ("the bench decides", "default (", "taught by", "2025-07-01"):
        assert word in pages[1]
    assert "2 / 2" in pages[1]


@pytest.mark.long
@pytest.mark.usefixtures("pdf_library")
def test_a_unit_and_a_year_as_pdf_on_letter(own_bench: Path, bench: Store) -> None:
    """The other papers too, on letter; the unit's number stands at the foot of each of its pages."""
    sheets = bench.current()
    sheet_no = str(sheets[sheets["sra_after_deg"].notna()]["sheet_no"].iloc[0])
    assert run(["report", "unit", sheet_no, "--out", "u.pdf", "--paper", "letter"]) == 0
    assert run(["report", "year", "2024", "--out", "y.pdf", "--paper", "letter"]) == 0
    assert size_of(own_bench / "u.pdf") == size_of(own_bench / "y.pdf") == LETTER_PT
    unit, year = text_of(own_bench / "u.pdf"), text_of(own_bench / "y.pdf")
    assert 2 <= len(unit) <= 3
    assert all(f"sheet {sheet_no}" in page for page in unit)
    assert "Before and after" in " ".join(unit)
    assert 3 <= len(year) <= 4
    assert "How did 2024 go?" in year[0]


@pytest.mark.long
def test_html_and_tables(own_bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """HTML needs no PDF library, and every table of the paper is in the workbook as the paper says it."""
    assert run(["report", "year", "2024", "--tables", "y.xlsx"]) == 0
    page = (own_bench / "year.html").read_text(encoding="utf-8")
    book = pd.read_excel(
        own_bench / "y.xlsx", engine="openpyxl", sheet_name=None, dtype=str, keep_default_na=False
    )
    assert len(book) == page.count("<table")
    every = next(frame for name, frame in book.items() if "Every target" in name)
    for cell in every["95 % interval"]:
        assert f">{escape(cell)}<" in page
    assert "Wrote y.xlsx" in capsys.readouterr().out


@pytest.mark.long
def test_one_enquiry_of_a_file(own_bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One enquiry of a file is printed alone; one that isn't there is one line."""
    Path("asked.csv").write_text("enquiry_id,stylus_profile\nA,elliptical\nB,spherical\n", encoding="utf-8")
    assert run(["report", "quote", "asked.csv", "--enquiry", "B", "--no-keep"]) == 0
    page = (own_bench / "quote.html").read_text(encoding="utf-8")
    assert page.count("<main>") == 1
    assert "B · spherical" in page
    assert run(["report", "quote", "asked.csv", "--no-keep"]) == 0
    assert (own_bench / "quote.html").read_text(encoding="utf-8").count("<main>") == 3
    capsys.readouterr()
    assert run(["report", "quote", "asked.csv", "--enquiry", "C"]) == 2
    assert "no such enquiry" in capsys.readouterr().err


@pytest.mark.long
def test_a_printed_quote_is_fleet_quotes(own_bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`fleet report quote` gives the sentence that `fleet quote` gives."""
    assert run(["quote", "--kind", "elliptical/aluminium", "--no-keep"]) == 0
    sentence = capsys.readouterr().out.splitlines()[0]
    assert run(["report", "quote", "--kind", "elliptical/aluminium", "--no-keep"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == sentence


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["quote", "--kind", "elliptical/boron", "--out", "q.doc"], "--out q.doc: end the name in"),
        (["quote", "--kind", "elliptical/boron", "--out", "no/q.pdf"], "a folder that exists"),
        (["quote", "--kind", "elliptical/boron", "--tables", "t.csv"], ".xlsx"),
        (["quote", "--kind", "elliptical/boron", "--on", "tomorrow"], "YYYY-MM-DD"),
        (["unit", "NONE-1"], "there is no sheet NONE-1"),
        (["year", "1990"], "no sheet was measured in 1990"),
    ],
)
def test_a_mistake_is_one_line(
    words: list[str], said: str, own_bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistake ends with status 2 and one line that says what to do; nothing is written."""
    assert run(["report", *words]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert len(told.strip().splitlines()) == 1
    assert not [p for p in own_bench.iterdir() if p.suffix in {".html", ".pdf", ".doc"}]


def test_without_the_extra(
    own_bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without the extra a PDF is one line with what to install; HTML is written, and says what it lacks."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    monkeypatch.setattr(pictures, "can_draw", lambda: False)
    words = ["report", "quote", "--kind", "elliptical/boron", "--no-keep"]
    assert run([*words, "--out", "q.pdf"]) == 2
    told = capsys.readouterr().err
    assert how_to_install("report") in told
    assert not (own_bench / "q.pdf").exists()
    assert run(words) == 0
    assert how_to_install("report") in capsys.readouterr().err
    page = (own_bench / "quote.html").read_text(encoding="utf-8")
    assert "<img" not in page
    assert "median 9" in page or "median 8" in page


@pytest.mark.long
def test_a_makers_summary(own_bench: Path, bench: Store, capsys: pytest.CaptureFixture[str]) -> None:
    """It holds the maker's own published groups, and no unit, sheet or other maker."""
    import shutil

    shutil.copy(bench.path, "own.duckdb")
    words = ["--store", "own.duckdb", "report", "maker", "S01", "--on", "2025-07-01"]
    assert run([*words, "--tables", "m.xlsx"]) == 0
    assert "Of " in capsys.readouterr().out
    page = (own_bench / "maker.html").read_text(encoding="utf-8")
    sheets = bench.current()
    assert not [s for s in sheets["sheet_no"] if str(s) in page]
    assert not [u for u in sheets["unit"].astype(str).unique() if u in page]
    others = set(sheets["assembly_source"].dropna().astype(str)) - {"S01"}
    assert others
    assert not [s for s in others if s in page]
    readings = pd.read_excel(own_bench / "m.xlsx", engine="openpyxl", sheet_name="1 What was read")
    own = sheets[sheets["newest"] & (sheets["assembly_source"] == "S01")]
    built_in = (own["sra_dynamic_deg"] - own["vta_dynamic_deg"]).median()
    told = readings.set_index("reading").loc["built-in angle", "mean, ± 95 % interval"]
    assert float(str(told).split(" ")[0]) == pytest.approx(built_in, abs=1.0)
    capsys.readouterr()
    assert run(["--store", "own.duckdb", "report", "maker", "S77"]) == 2
    assert "sources to be told are" in capsys.readouterr().err

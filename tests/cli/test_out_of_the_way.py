"""Tables and papers never take the place of what isn't fleet's own, and named stores needn't be there yet."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.cli.common import column_begun
from fleet.cli.start import explain

Fleet = Callable[..., "object"]

QUOTE = ("quote", "--kind", "line_contact/boron", "--out")
TYPED = "elliptical/boron"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("notes.csv", "what,when\nx,y\n"),
        ("own.csv", None),
        ("notes.json", "{}"),
        ("notes.parquet", "text"),
        ("notes.xlsx", "text"),
    ],
)
def test_another_file_is_not_replaced(fleet: Fleet, sheets: Path, name: str, content: str | None) -> None:
    """A list, a store or a file of another kind stays as it is; with --force it is kept beside."""
    fleet("intake", str(sheets))
    place = Path(name)
    place.write_bytes(Path("own.duckdb").read_bytes() if content is None else content.encode())
    before = place.read_bytes()
    ran = fleet(*QUOTE, name)
    assert ran.status == 2
    assert "is there already; choose another name" in ran.err
    assert place.read_bytes() == before
    assert fleet(*QUOTE, name, "--force").status == 0
    assert place.read_bytes() != before
    assert place.with_name(f"{place.stem}.before{place.suffix}").read_bytes() == before


def test_an_input_is_not_replaced(fleet: Fleet) -> None:
    """The file of enquiries that a quote reads is no place for its answers."""
    Path("asked.csv").write_text("enquiry_id,stylus_profile\nE1,elliptical\n")
    ran = fleet("quote", "asked.csv", "--out", "asked.csv")
    assert ran.status == 2
    assert "read by the same command" in ran.err
    assert Path("asked.csv").read_text().startswith("enquiry_id,stylus_profile")


def test_an_earlier_result_is_replaced(fleet: Fleet) -> None:
    """The same table again takes its own place; one with more columns is kept beside and said so."""
    assert fleet(*QUOTE, "q.csv").status == 0
    assert fleet(*QUOTE, "q.csv").status == 0
    assert not Path("q.before.csv").exists()
    header, row = Path("q.csv").read_text().splitlines()
    Path("q.csv").write_text(f"{header},mine\n{row},seen\n")
    ran = fleet(*QUOTE, "q.csv")
    assert "What stood there is kept as q.before.csv." in ran.out
    assert Path("q.before.csv").read_text().endswith(",seen\n")


@pytest.mark.parametrize("words", [("export", "ours.csv"), ("tallies", "--out", "sums.csv")])
def test_a_format_fits_its_name(fleet: Fleet, sheets: Path, words: tuple[str, ...]) -> None:
    """Tallies aren't written under the name of a table."""
    fleet("intake", str(sheets))
    ran = fleet(*words)
    assert ran.status == 2
    assert "end the name in .npz" in ran.err
    assert not Path(words[-1]).exists()


@pytest.mark.long
def test_a_paper_replaces_papers_only(fleet: Fleet) -> None:
    """A page of somebody's own stays as it is."""
    Path("mine.html").write_text("<p>mine</p>")
    words = ("report", "quote", "--kind", TYPED, "--out", "mine.html")
    assert fleet(*words).status == 2
    assert Path("mine.html").read_text() == "<p>mine</p>"
    assert fleet(*words, "--force").status == 0
    assert Path("mine.before.html").read_text() == "<p>mine</p>"
    assert fleet(*words).status == 0


@pytest.mark.parametrize("command", ["quote", "judge"])
def test_a_named_store_may_be_made_later(fleet: Fleet, command: str) -> None:
    """Before the first sheet mechanics and common practice answer, and the absent store is named."""
    ran = fleet("--store", "later.duckdb", command, "--kind", TYPED, "--sra-static-deg", "91")
    assert ran.status == 0
    assert "no store at later.duckdb yet" in ran.err
    assert not Path("later.duckdb").exists()


ON_A_STORE = """
    intake sheets.csv | intake --dry-run sheets.csv | refit | quote --kind elliptical/boron | quote asked.csv
    judge --kind elliptical/boron --sra-static-deg 91 | unit A1 | suspects | suspects --groups
    suspects --verdicts | verdict A1 healthy | attainment | attainment --publish | report unit A1
    report quote --kind elliptical/boron | report owner A1 | report maker P1 | report year 2024 | dashboard
    desk asked.csv | wedges | record | backtest | model | watch | noise | budget | export ours.npz
    export --rows rows.parquet | merge --list | tallies --out t.npz | status | history | history A1 | check
    backup copy.duckdb | undo 1 | forget --sheet A1 --yes | forget --serial S-1 --yes | rekey | policies
"""
NO_STORES = {
    "sheets.csv": b"",
    "a.folder": b"",
    "empty.duckdb": b"",
    "text.duckdb": b"not a database at all" * 100,
    "damaged.duckdb": b"",
}
HEADERS = 3 * 4096
"""Bytes of a store's file before its first block."""


@pytest.mark.parametrize("name", NO_STORES)
def test_what_is_no_store_is_told_in_one_line(fleet: Fleet, sheets: Path, name: str) -> None:
    """A table, a folder, an empty, foreign or damaged file as any command's store: one line, untouched."""
    Path("asked.csv").write_text("enquiry_id,stylus_profile\nE1,elliptical\n")
    place = Path(name)
    if name == "a.folder":
        place.mkdir()
    elif name == "damaged.duckdb":
        fleet("intake", str(sheets))
        whole = Path("own.duckdb").read_bytes()
        place.write_bytes(whole[:HEADERS] + bytes(len(whole) - HEADERS))
    elif name != sheets.name:
        place.write_bytes(NO_STORES[name])
    before = None if place.is_dir() else place.read_bytes()
    for words in re.split(r"[|\n]", ON_A_STORE.strip()):
        ran = fleet("--store", name, *words.split())
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1), (words, ran)
        assert name in ran.err, words
        assert "inside fleet" not in ran.err
        assert before is None or place.read_bytes() == before, words


def test_one_table_in_every_kind(fleet: Fleet) -> None:
    """CSV, workbook, JSON and Parquet hold the same table; the same again takes its own place."""
    found = {}
    read = {
        "csv": pd.read_csv,
        "xlsx": lambda path: pd.read_excel(path, engine="openpyxl"),
        "json": pd.read_json,
        "parquet": pd.read_parquet,
    }
    for kind, reader in read.items():
        for _ in range(2):
            assert fleet(*QUOTE, f"q.{kind}").status == 0
        assert not Path(f"q.before.{kind}").exists()
        found[kind] = reader(f"q.{kind}")
    for kind, table in found.items():
        assert list(table) == list(found["csv"]), kind
        assert table["sag_deg_q50"].item() == pytest.approx(found["csv"]["sag_deg_q50"].item(), rel=1e-7)


def test_json_for_another_program(fleet: Fleet) -> None:
    """`--json` leaves nothing but the table on standard output, as in a file; the next command's is CSV."""
    words = QUOTE[:-1]
    ran = fleet(*words, "--json")
    fleet(*QUOTE, "q.json")
    (told,), (filed,) = json.loads(ran.out), json.loads(Path("q.json").read_text())
    assert {k: v for k, v in told.items() if k != "issued_at"} == {
        k: v for k, v in filed.items() if k != "issued_at"
    }
    assert fleet(*words, "--out", "-").out.startswith("enquiry_id,")
    both = fleet(*words, "--json", "--out", "q.csv")
    assert (both.status, "--json goes to standard output" in both.err) == (2, True)


def test_quiet_says_only_what_a_program_or_a_worry_needs(fleet: Fleet, sheets: Path) -> None:
    """`--quiet` before the command: no word on standard output, the table if it is to go there, faults."""
    assert fleet("--quiet", "intake", str(sheets)).out == ""
    assert fleet("-q", *QUOTE, "-").out.startswith("enquiry_id,")
    assert "what kind of file" in fleet("-q", *QUOTE, "q.txt").err
    assert fleet("status").out.startswith("Store ")


def test_values_complete() -> None:
    """Topics and grouping columns are offered to a shell that asks; columns named before aren't."""
    assert explain._begun("sha") == ["shared", "sharing"]
    assert column_begun("kind,body") == ["kind,body_family"]
    assert "kind" in column_begun("")
    assert column_begun("bench,ben") == []

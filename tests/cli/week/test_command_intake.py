"""Sheets taken in on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from fleet.store import Store

Fleet = Callable[..., "object"]


def test_good_sheets_go_in(fleet: Fleet, sheets: Path) -> None:
    """A good file: its counts in one sentence, the next step, status 0."""
    ran = fleet("intake", str(sheets))
    assert ran.status == 0
    assert "sheets.csv: 4 rows read, 4 taken in, 0 already there, 0 put aside." in ran.out
    assert "Next: fleet refit" in ran.out
    assert len(Store("own.duckdb").current()) == 4


def test_the_same_file_again_changes_nothing(fleet: Fleet, sheets: Path) -> None:
    """A repeat is a no-op: nothing taken in, status 0, the revision stays."""
    fleet("intake", str(sheets))
    before = Store("own.duckdb").revision()
    ran = fleet("intake", str(sheets))
    assert ran.status == 0
    assert "0 taken in, 4 already there" in ran.out
    assert Store("own.duckdb").revision() == before


def test_rows_put_aside_are_named(fleet: Fleet, sheets: Path) -> None:
    """A row with faults: file, line, column, value and reason on standard error, the rest in, status 1."""
    text = sheets.read_text().replace("A2,2024-02-08", "A2,2024-02-31").replace("91.5,21.0", "915,21.0")
    sheets.write_text(text)
    ran = fleet("intake", str(sheets))
    assert ran.status == 1
    assert "4 rows read, 2 taken in, 0 already there, 2 put aside" in ran.out
    assert "sheets.csv line 3, measured_on: 2024-02-31 is not a day of the calendar" in ran.err
    assert "sheets.csv line 4, sra_dynamic_deg: 915 is outside 60 to 120 °" in ran.err


def test_rejects_are_written(fleet: Fleet, sheets: Path) -> None:
    """--rejects writes every fault with file, line, column, value, reason."""
    sheets.write_text(sheets.read_text().replace("A2,2024-02-08", "A2,"))
    assert fleet("intake", str(sheets), "--rejects", "bad.csv").status == 1
    faults = pd.read_csv("bad.csv")
    assert list(faults) == ["file", "line", "column", "value", "reason"]
    assert faults[["file", "line", "column"]].to_numpy().tolist() == [["sheets.csv", 3, "measured_on"]]


def test_one_bad_file_leaves_the_others_in(fleet: Fleet, sheets: Path) -> None:
    """Of two files one can't be read: the other goes in, the reason stands on standard error, status 2."""
    ran = fleet("intake", "absent.csv", str(sheets))
    assert ran.status == 2
    assert "there is no file absent.csv" in ran.err
    assert len(Store("own.duckdb").current()) == 4


def test_a_correction_needs_to_be_asked_for(fleet: Fleet, sheets: Path) -> None:
    """Other contents under a known number are put aside, and supersede the old ones with --supersede."""
    fleet("intake", str(sheets))
    sheets.write_text(sheets.read_text().replace("91.0,90.2", "91.0,90.4"))
    ran = fleet("intake", str(sheets))
    assert ran.status == 1
    assert "--supersede takes it as a correction" in ran.err
    assert fleet("intake", str(sheets), "--supersede").status == 0
    shown = fleet("history", "A1")
    assert "Sheet A1: 2 versions." in shown.out
    assert "90.20" in shown.out
    assert "90.40" in shown.out


def test_store_may_be_named_before_or_after_the_command(fleet: Fleet, sheets: Path) -> None:
    """--store works in both places, and the command's own wins."""
    assert fleet("--store", "a.duckdb", "intake", str(sheets)).status == 0
    assert fleet("intake", str(sheets), "--store", "b.duckdb").status == 0
    assert fleet("--store", "c.duckdb", "intake", str(sheets), "--store", "d.duckdb").status == 0
    assert [Path(f"{x}.duckdb").exists() for x in "abcd"] == [True, True, False, True]
    assert not Path("own.duckdb").exists()

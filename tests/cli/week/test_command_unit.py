"""`fleet unit`: a unit's life by a sheet's number or its serial, and what it says where it can't."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Fleet = Callable[..., "object"]
HEAD = (
    "sheet_no,measured_on,serial,body_family,stylus_profile,cantilever_material,assembly_source,hours_used,"
    "sra_static_deg,sra_dynamic_deg,vta_dynamic_deg,zenith_deg,tilt_applied_deg,sra_after_deg,vta_after_deg,"
    "enquiry_id"
)
ROWS = (
    "A1,2024-01-08,S-1,F1,line_contact,boron,P1,100,91.0,90.2,20.0,0.5,0.8,91.0,20.8,",
    "A2,2024-09-08,S-1,F1,line_contact,boron,P1,600,89.0,88.2,18.0,0.4,2.8,89.9,19.7,Q1",
    "B1,2024-02-08,,F1,line_contact,boron,P1,,90.0,89.0,25.0,,2.0,,,",
)


@pytest.fixture
def store(fleet: Fleet) -> Fleet:
    """A store with a unit read twice and a sheet without a serial; no model yet."""
    Path("sheets.csv").write_text("\n".join([HEAD, *ROWS]) + "\n")
    assert fleet("intake", "sheets.csv").status == 0
    return fleet


def test_by_sheet_and_by_serial(store: Fleet) -> None:
    """Any sheet of it and its serial tell the same life; the serial itself is never printed."""
    by_sheet, by_serial = store("unit", "A1"), store("unit", "--serial", "S-1")
    assert by_sheet.status == 0
    assert by_sheet.out == by_serial.out
    assert by_sheet.out.startswith("2 visits; since 2024-01-08 worn (")
    assert "fell short by" in by_sheet.out
    assert "S-1" not in by_sheet.out
    assert "Sound for its kind" not in by_sheet.out


def test_verdict_and_quote_are_told(store: Fleet) -> None:
    """A verdict on it, and a quote told by its serial or its enquiry's number, are part of its life."""
    assert store("verdict", "A2", "healthy").status == 0
    assert store("quote", "--serial", "S-1").status == 0
    said = store("unit", "A2").out
    assert "Verdict of " in said
    assert "Quote of " in said


def test_as_json(store: Fleet) -> None:
    """--out writes a row a visit, with the chances of what changed."""
    assert store("unit", "A1", "--out", "life.json").status == 0
    rows = json.loads(Path("life.json").read_text())
    assert [row["sheet_no"] for row in rows] == ["A1", "A2"]
    assert rows[1]["p_worn"] > 0.5


def test_a_sheet_without_a_serial(store: Fleet) -> None:
    """It is a unit of its own, with one visit."""
    assert store("unit", "B1").out.startswith("1 visit; nothing to compare it with yet")


def test_judge_says_what_changed(store: Fleet) -> None:
    """A known serial tells judge the unit's facts and its last visit; the change stands in the file too."""
    typed = ("judge", "--serial", "S-1", "--sra-static-deg", "89.1", "--zenith-deg", "4.4")
    ran = store(*typed)
    assert ran.status == 0
    assert "Note: this unit is known from 2 visits, the last on 2024-09-08, sheet A2." in ran.err
    assert "Drifted since 2024-09-08 (" in ran.out
    assert "a slip in one reading" in ran.out
    assert store(*typed, "--out", "judged.json").status == 0
    row = json.loads(Path("judged.json").read_text())[0]
    assert row["compared_with"] == "A2"
    assert row["p_drifted"] > 0.5
    retipped = store(*typed, "--peculiarities", "retipped")
    assert "its assembly is another since" in retipped.err
    assert "since 2024-09-08" not in retipped.out


def test_a_statement_without_a_model(store: Fleet) -> None:
    """The statement says what was read, and that what is normal isn't known yet."""
    ran = store("report", "unit", "A2", "--statement", "--out", "statement.html")
    assert ran.status == 0
    assert "not known here yet" in ran.out
    page = Path("statement.html").read_text()
    assert "P1" not in page
    assert "F1" not in page


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "say which unit"),
        (("A1", "--serial", "S-1"), "say which unit"),
        (("nobody",), "no such sheet"),
        (("--serial", "S-99"), "no sheet of this serial"),
    ],
)
def test_what_cannot_be_told(store: Fleet, words: tuple[str, ...], line: str) -> None:
    """One clear line, exit status 2."""
    ran = store("unit", *words)
    assert ran.status == 2
    assert ran.out == ""
    assert ran.err.count("\n") == 1
    assert line in ran.err


def test_another_key(store: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under another key no serial is known, and one line says which key it takes."""
    monkeypatch.setenv("FLEET_SECRET", "another secret altogether")
    ran = store("unit", "--serial", "S-1")
    assert ran.status == 2
    assert "token key" in ran.err

"""Readings that can each be but not together go in with a mark and a line that says what to read again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.intake import Checked, check_sheets, read_sheets

Write = Callable[..., Path]


def checked(write: Write, header: str, *rows: str) -> Checked:
    """Sheets A0, A1, ... with these cells."""
    lines = [f"A{i},{row}" for i, row in enumerate(rows)]
    return check_sheets(read_sheets(write("\n".join([f"sheet_no,{header}", *lines]) + "\n")))


@pytest.mark.parametrize(
    ("header", "row", "mark"),
    [
        ("sra_dynamic_deg,vta_dynamic_deg", "66,58", "built_in_odd"),
        ("sra_static_deg,vta_dynamic_deg", "66,58", "built_in_odd"),
        ("sra_dynamic_deg,vta_dynamic_deg", "78,3", "tracking_flat"),
        ("sra_static_deg,sra_dynamic_deg", "95,90.5", "sag_huge"),
        ("sra_static_deg,sra_dynamic_deg", "90,91", "rake_swapped"),
        ("sra_static_deg,sra_dynamic_deg", "90,91.2", "sag_reversed"),
        ("bench_minutes,height_mm", "2000,17", "minutes_many"),
    ],
)
def test_what_cannot_be_together_is_marked_and_told(write: Write, header: str, row: str, mark: str) -> None:
    """The row goes in; its mark is kept, and one line says what is odd."""
    found = checked(write, f"measured_on,body_family,{header}", f"2024-03-01,F1,{row}")
    assert found.put_aside == 0
    assert found.good["marks"].tolist() == [mark]
    assert len(found.warnings) == 1


def test_another_century_is_asked_about(write: Write) -> None:
    """A day long before such benches is probably a slip of the century."""
    found = checked(write, "measured_on,body_family", "1925-03-01,F1", "1998-03-01,F1")
    assert found.good["marks"].fillna("").tolist() == ["date_old", ""]


def test_a_height_is_set_against_its_family(write: Write) -> None:
    """A height far from its family's middle is told where the file has five of the family, not four."""
    header = "measured_on,body_family,height_mm"
    rows = [f"2024-03-01,F1,{h}" for h in (17, 17.2, 16.9, 17.1, 25)]
    assert checked(write, header, *rows).good["marks"].fillna("").tolist() == [""] * 4 + ["height_odd"]
    assert checked(write, header, *rows[1:]).good["marks"].isna().all()


def test_ordinary_readings_bear_no_mark(write: Write) -> None:
    """What benches read every day, with parts of it missing, is not odd."""
    header = "measured_on,body_family,sra_static_deg,sra_dynamic_deg,vta_dynamic_deg,bench_minutes"
    rows = [
        "2024-03-01,F1,91,90.2,20,60",
        "2024-03-01,F1,,90.2,,",
        "2024-03-01,F1,92,,28,",
        "2024-03-01,F1,,,24,90",
    ]
    assert checked(write, header, *rows).good["marks"].isna().all()

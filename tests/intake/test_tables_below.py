"""Several tables below each other, with differing columns: each is read by its own column names."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from fleet.intake import Guide, check_sheets, propose_guide, read_sheets
from fleet.intake.guides.guide import guide_from

Rows = list[list[Any]]

FIRST: Rows = [
    ["Bench 2021"],
    ["No", "Date", "Model", "SRA still", "SRA turning", "Zenith (°)", "Tip"],
    *[[f"A{i}", f"2021-03-{i + 1:02}", f"F{i % 3}", 92 + i / 8, 91 + i / 8, 0.5, "lc"] for i in range(8)],
    ["Total", "8"],
]
SECOND: Rows = [
    ["from 2022: a new list"],
    ["No", "Model", "Date", "Force (g)", "SRA turning", "SRA still", "Tip"],
    *[[f"B{i}", f"F{i % 3}", f"2022-03-{i + 1:02}", 1.8, 90 + i / 8, 91 + i / 8, "ell"] for i in range(8)],
]
PRICES: Rows = [["Tip", "Model", "Zenith (°)", "Price"], ["lc", "F1", "1", "60"], ["ell", "F2", "2", "40"]]


def written(path: Path, rows: Rows) -> Path:
    """The rows as a CSV or a workbook of one page, by the file's ending; a CSV's rows end where they end."""
    if path.suffix == ".csv":
        path.write_text("".join(",".join(map(str, row)) + "\n" for row in rows))
        return path
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    made.save(path)
    return path


def answered(path: Path) -> Guide:
    """The draft for a file, every question answered by leaving it as it is."""
    lines = [line for line in propose_guide(path).toml.splitlines() if not line.startswith("ask")]
    return guide_from(tomllib.loads("\n".join(lines)), "g.toml")


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_second_table_is_read_by_its_own_names(tmp_path: Path, ending: str) -> None:
    """Columns in another order, one left out and one more: no figure comes into another's place."""
    path = written(tmp_path / f"a.{ending}", [*FIRST, [], *SECOND])
    checked = check_sheets(read_sheets(path, answered(path)))
    assert not checked.faults
    good = checked.good.set_index("sheet_no")
    assert list(good.index) == [f"{table}{i}" for table in "AB" for i in range(8)]
    assert (good["sra_static_deg"] - good["sra_dynamic_deg"] == 1).all()
    assert good.loc["A3", "sra_dynamic_deg"] == 91.375
    assert good.loc["B3", "sra_dynamic_deg"] == 90.375
    assert good["zenith_deg"].isna().sum() == good["vtf_mn"].notna().sum() == 8
    handed_in = sum(any(row) for row in [*FIRST, *SECOND])
    header = 1
    assert len(good) + sum(checked.passed.values()) + header == handed_in
    assert checked.passed["repeating the column names"] == 1


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_table_of_something_else_is_passed_over(tmp_path: Path, ending: str) -> None:
    """Rows below names that say nothing of a sheet's number are counted, and not read as sheets."""
    path = written(tmp_path / f"a.{ending}", [*FIRST, *PRICES, *SECOND])
    checked = check_sheets(read_sheets(path, answered(path)))
    assert not checked.faults
    assert len(checked.good) == 16
    assert checked.passed["in a table with other column names"] == 3  # and the next title


def test_a_mark_for_the_cell_above_stays_in_its_table(tmp_path: Path) -> None:
    """A mark in a table's first row stands for nothing of the table before."""
    below = [row[:] for row in SECOND]
    below[2][1] = '""""'
    path = written(tmp_path / "a.csv", [*FIRST, *below])
    checked = check_sheets(read_sheets(path, answered(path)))
    assert [fault.column for fault in checked.faults] == ["body_family"]

"""Tallies files and quick refits on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.tallies.files import read_tallies


@pytest.mark.long
def test_a_few_sheets_from_refit_to_quick_refit(fleet: Callable, sheets: Path) -> None:
    """Without a full refit's sums a quick one is a full one and says so; after it, it is quick."""
    fleet("intake", str(sheets))
    first = fleet("refit", "--quick")
    assert (first.status, first.err) == (0, "")
    assert "A full refit instead of a quick one: no sums of a full refit are kept" in first.out
    assert "Model 1 is in use" in first.out
    again = fleet("refit", "--quick")
    assert again.status == 0
    assert "Quick: 0 units taken in or changed and 0 taken out" in again.out


def test_a_tallies_file_teaches_another_store(fleet: Callable, sheets: Path, empty_folder: Path) -> None:
    """Summed up here, learnt from there, where there is no sheet."""
    fleet("intake", str(sheets))
    done = fleet("tallies", "--out", "own.npz")
    assert (done.status, done.err) == (0, "")
    assert "Summed up 4 units of 4 sheets (none left out)" in done.out
    gathered, about = read_tallies(empty_folder / "own.npz")
    assert (gathered.cut.units, about["units"], about["engine"]) == (4.0, 4, "duckdb")
    there = fleet("--store", "other.duckdb", "refit", "--tallies", "own.npz")
    assert there.status == 0
    assert "it stands on the 4 units of own.npz, summed up by duckdb" in there.out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("tallies --engine abacus", "there is no engine of that name; name one of duckdb, spark"),
        ("tallies --engine spark", "name the Parquet that Spark shall sum up"),
        ("tallies here.parquet", "there is no file or folder here.parquet"),
        ("tallies", "there is no store"),
        ("refit --tallies absent.npz", "there is no file absent.npz"),
        ("refit --tallies absent.npz --quick", "leave out --quick and --since"),
    ],
)
def test_slips_are_told_in_one_line(fleet: Callable, words: str, line: str) -> None:
    """What can't be done is said in one line, and nothing is written."""
    said = fleet(*words.split())
    assert said.status == 2
    assert line in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert not Path("tallies.npz").exists()

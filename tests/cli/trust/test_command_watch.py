"""The bench watch on the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fleet.bench_trust.watch import check_pickups, watch
from fleet.store import Store

Fleet = Callable[..., Any]


pytestmark = pytest.mark.usefixtures("demo_store")


def test_the_watch_of_the_store(fleet: Fleet, demo_store: Path) -> None:
    """The demo bench's creep is told by the judgement's own sentence, with the sheets it touches."""
    ran = fleet("watch")
    assert ran.status == 0
    found = watch(check_pickups(Store(demo_store).current()))
    assert found.alarms
    assert ran.out.startswith(found.sentence)
    for line in (*found.lines, *found.cautions):
        assert line in ran.out
    assert "sheets of units were read since" in ran.out
    assert "no sheet is ever changed" in ran.out


def test_watch_writes_its_tables(fleet: Fleet) -> None:
    """--out, --series and --offsets write files; the line about offsets is never left out."""
    ran = fleet("watch", "--out", "watch.json", "--series", "series.csv", "--offsets", "offsets.csv")
    assert ran.status == 0
    assert "The sheets themselves stay as they were read" in ran.err
    rows = json.loads(Path("watch.json").read_text())
    assert {row["reading"] for row in rows} >= {"sra_dynamic_deg", "rake_both_deg"}
    assert any(row["alarm"] for row in rows)
    series, offsets = pd.read_csv("series.csv"), pd.read_csv("offsets.csv")
    assert set(series["part"]) == {"baseline", "watched"}
    assert (offsets["as_read"] - offsets["offset"]).sub(offsets["less_offset"]).abs().max() < 1e-6
    assert "serial" not in " ".join([*series, *offsets])


def test_watch_of_a_file(fleet: Fleet, demo_folder: Path) -> None:
    """A file's check pickups give the same answer as the store's, whatever key the store has."""
    from_file = fleet("watch", str(demo_folder / "demo-sheets.csv"))
    assert from_file.status == 0
    assert from_file.out.splitlines()[0] == fleet("watch").out.splitlines()[0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--bench", "nowhere"), "there are demo"),
        (("--baseline", "2021"), "FROM..TO"),
        (("--baseline", "2021-13-01.."), "no day"),
        (("--baseline", "2022-01-01..2021-01-01"), "ends before it begins"),
        (("--baseline", "2021-01-01..2021-02-01"), "at least 20 checks"),
        (("--out", "x.txt"), "what kind of file"),
    ],
)
def test_slips_of_the_user_are_one_line(fleet: Fleet, words: tuple[str, ...], said: str) -> None:
    """Each says in one line what to do, and ends with status 2."""
    ran = fleet("watch", *words)
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert said in ran.err


def test_sheets_without_a_check_pickup(fleet: Fleet, sheets: Path) -> None:
    """A file of customers' units alone is told how to mark a check pickup."""
    ran = fleet("watch", str(sheets))
    assert ran.status == 2
    assert "purpose=reference" in ran.err

"""Attainment on the command line."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pandas as pd

Fleet = Callable[..., "object"]


def test_attainment_by_kind(fleet: Fleet, sheets: Path) -> None:
    """By kind: rake, tracking and both, met level, reachable and built, checked by hand; or one rate alone.

    A1 (built-in 70.2) reaches both with +0.8, A3 (70.5) meets both as it stands, A2 (64) and A4 (67.5) can't.
    """
    fleet("intake", str(sheets))
    ran = fleet("attainment")
    assert ran.status == 0
    assert "4 units, each by its newest sheet; policy default (" in ran.out
    assert "rake accepted 90.5 to 92.5°" in ran.out
    tables = ran.out.split("\n\n")[1:]
    assert [t.splitlines()[0] for t in tables] == ["Rake:", "Tracking angle:", "Both targets:"]
    rows = [next(line for line in t.splitlines() if "line_contact/boron" in line) for t in tables]
    assert [row.split()[1:4] for row in rows] == [["2", "0", "%"], ["2", "50", "%"], ["2", "0", "%"]]
    alone = fleet("attainment", "--measure", "rake_built").out
    assert "the rake target met as built" in alone
    assert "Both targets:" not in alone
    assert "--measure doesn't go with" in fleet("attainment", "--capability", "--measure", "rake_built").err
    table = pd.read_csv(io.StringIO(fleet("attainment", "--out", "-").out)).set_index("kind")
    assert table["both_level_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 0}
    assert table["both_reachable_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 1}
    assert table["conflict_built_in_met"].to_dict() == {"elliptical/aluminium": 1, "line_contact/boron": 1}


def test_attainment_over_time_and_all_together(fleet: Fleet, sheets: Path) -> None:
    """--per cuts by period; --by all is one row for the whole fleet."""
    fleet("intake", str(sheets))
    table = pd.read_csv(io.StringIO(fleet("attainment", "--per", "quarter", "--out", "-").out))
    assert table["period"].tolist() == ["2024-Q1", "2024-Q2", "2024-Q1"]
    whole = pd.read_csv(io.StringIO(fleet("attainment", "--by", "all", "--out", "-").out))
    assert whole["units"].tolist() == [4]
    assert "4 units" in fleet("attainment", "--by", "all").out


def test_attainment_for_others(fleet: Fleet, sheets: Path) -> None:
    """--publish shows nothing of a store too small for a group, and refuses what points at single units."""
    fleet("intake", str(sheets))
    ran = fleet("attainment", "--publish")
    assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "nothing can be published" in ran.err
    assert "may point at single units" in fleet("attainment", "--publish", "--by", "sheet_no").err
    assert "no such column" in fleet("attainment", "--by", "colour").err


def test_attainment_of_an_empty_store(fleet: Fleet, sheets: Path) -> None:
    """A store without sheets is no error: nothing is counted."""
    fleet("intake", str(sheets))
    fleet("undo", "1")
    ran = fleet("attainment")
    assert ran.status == 0
    assert ran.out.startswith("0 units")

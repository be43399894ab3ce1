"""Versions of a sheet and intakes so far on the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

Fleet = Callable[..., "object"]


def test_history_of_all_intakes(fleet: Fleet, sheets: Path) -> None:
    """Without a sheet, history lists the intakes; --out gives them to programs."""
    fleet("intake", str(sheets))
    assert "1 intake." in fleet("history").out
    assert fleet("history", "--out", "intakes.json").status == 0
    record = json.loads(Path("intakes.json").read_text())
    assert record[0]["rows_read"] == 4
    assert record[0]["file_name"] == "file 1.csv"


def test_unknown_sheet(fleet: Fleet, sheets: Path) -> None:
    """A number that no sheet has gets one line and status 2."""
    fleet("intake", str(sheets))
    ran = fleet("history", "B9")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.startswith("fleet: there is no sheet of that number")

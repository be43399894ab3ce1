"""What `fleet forget` says when there was nothing to forget."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

Fleet = Callable[..., "object"]


@pytest.mark.long
def test_forgetting_nothing_is_no_success(fleet: Fleet, sheets: Path) -> None:
    """A number that the bench lacks is status 2 and names its bench or numbers like it; so is a serial."""
    north = sheets.with_name("north.csv")
    lines = sheets.read_text().splitlines()
    north.write_text("\n".join([lines[0] + ",bench", lines[1].replace("A1", "B7") + ",north"]))
    fleet("intake", "sheets.csv")
    fleet("intake", "north.csv")
    elsewhere = fleet("forget", "--sheet", "B7", "--yes")
    assert elsewhere.status == 2
    assert "bench main has no sheet B7; that number is at bench north: add --bench north." in elsewhere.err
    slip = fleet("forget", "--sheet", "A9", "--yes")
    assert slip.status == 2
    assert "numbers like it: A1, A2, A3." in slip.err
    assert fleet("forget", "--serial", "S-99", "--yes").status == 2
    assert "4 sheets" in fleet("status").out or "5 sheets" in fleet("status").out
    assert fleet("forget", "--sheet", "B7", "--bench", "north", "--yes").status == 0


@pytest.mark.parametrize("number", ["A9", "Z-1"])
def test_history_names_numbers_like_it(fleet: Fleet, sheets: Path, number: str) -> None:
    """`fleet history` of an unknown number names those like it, where there are any."""
    fleet("intake", str(sheets))
    assert ("numbers like it" in fleet("history", number).err) == (number == "A9")

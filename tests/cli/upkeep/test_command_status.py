"""What the store holds, on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

Fleet = Callable[..., "object"]


def test_status_says_what_is_there(fleet: Fleet, sheets: Path) -> None:
    """Status counts sheets, units, families and sources, and says what to do next."""
    fleet("intake", str(sheets))
    ran = fleet("status")
    assert ran.status == 0
    assert "4 sheets of 4 units: 2 families, 2 assembly sources" in ran.out
    assert "2024-01-08 to 2024-04-08" in ran.out
    assert "The token key in use is the store's." in ran.out
    assert "fleet refit" in ran.out


def test_status_tells_another_key(fleet: Fleet, sheets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With another key than the store's, status says so and intake refuses in one line."""
    fleet("intake", str(sheets))
    monkeypatch.setenv("FLEET_SECRET", "another long secret")
    assert "not the one this store was made with" in fleet("status").out
    ran = fleet("intake", str(sheets))
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert "another token key" in ran.err


def test_status_names_what_waits_for_a_look(fleet: Fleet, sheets: Path) -> None:
    """A sheet whose angles no assembly has is named until its unit has a verdict; the door says why."""
    text = sheets.read_text().replace("90.2,20.0", "90.2,58.0")
    sheets.write_text(text)
    ran = fleet("intake", str(sheets))
    assert "it teaches nothing until corrected or until its unit has a verdict" in ran.err
    assert "are on 1 sheet (A1): correct them" in fleet("status").out
    assert fleet("verdict", "A1", "healthy").status == 0
    assert "teach nothing yet" not in fleet("status").out

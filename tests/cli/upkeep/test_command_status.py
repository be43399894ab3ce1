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

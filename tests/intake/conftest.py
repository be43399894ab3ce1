"""Intake tests use a token key of their own, never the user's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

HEAD = ("sheet_no", "measured_on", "body_family")


@pytest.fixture(autouse=True)
def own_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "keys" / "token.key"
    monkeypatch.delenv("FLEET_SECRET", raising=False)
    monkeypatch.setenv("FLEET_KEY_FILE", str(path))
    return path


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def write_file(text: str | bytes, name: str = "sheets.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write_file


@pytest.fixture
def sheet(write: Callable[..., Path]) -> Callable[..., Path]:
    """A one-row file with the required columns and whatever else is given."""

    def write_sheet(**cells: str) -> Path:
        row = {"sheet_no": "A1", "measured_on": "2024-03-01", "body_family": "F001", **cells}
        return write(",".join(row) + "\n" + ",".join(row.values()) + "\n")

    return write_sheet

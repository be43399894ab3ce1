"""Store tests build their sheets as frames."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.store import Store


@pytest.fixture(autouse=True)
def new_stores() -> None:
    """New stores are made, not copied."""


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store, made once and copied by many tests."""
    return Store(tmp_path_factory.mktemp("empty") / "fleet.duckdb").create().path


@pytest.fixture
def store(empty: Path, tmp_path: Path) -> Store:
    path = tmp_path / "store" / "fleet.duckdb"
    path.parent.mkdir(mode=0o700)
    shutil.copy(empty, path)
    return Store(path)


@pytest.fixture
def sheets() -> Callable[..., pd.DataFrame]:
    """A frame of sheets, one a dictionary; number, day and family are made up where not given."""

    def build(*rows: dict[str, object]) -> pd.DataFrame:
        full = [
            {"sheet_no": f"A{i}", "measured_on": f"2024-01-{i + 1:02d}", "body_family": "F1", **row}
            for i, row in enumerate(rows)
        ]
        frame = pd.DataFrame(full)
        return frame.assign(measured_on=pd.to_datetime(frame["measured_on"]))

    return build

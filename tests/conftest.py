"""No test ever sees the user's own store, token key or policy."""

from __future__ import annotations

import os

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.fixture(autouse=True)
def nobodys_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Point every place that fleet would look at in the user's home to an empty folder."""
    home = tmp_path_factory.getbasetemp() / "nobody"
    monkeypatch.setenv("FLEET_STORE", str(home / "fleet.duckdb"))
    monkeypatch.setenv("FLEET_KEY_FILE", str(home / "token.key"))
    for name in ("FLEET_SECRET", "FLEET_POLICY", "FLEET_DEBUG"):
        monkeypatch.delenv(name, raising=False)

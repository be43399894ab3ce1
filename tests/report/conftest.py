"""A small fleet of the demo bench, its model, and a chart drawer that needs no library."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.fitting.kept_model import load_house
from fleet.fitting.refit import refit
from fleet.house_model.house import House
from fleet.report.pdf import load_library
from fleet.store import Store


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store with 400 of the demo bench's sheets and a house model."""
    from synthetic_data.demo import demo_fleet

    sheets = demo_fleet().sheets
    some = sheets[sheets["purpose"] == "unit"].tail(400).copy()
    some["serial_token"] = some.pop("serial")
    store = Store(tmp_path_factory.mktemp("report") / "bench.duckdb").create()
    store.append(some, file_name="demo.csv")
    refit(store)
    return store


@pytest.fixture(scope="session")
def house(bench: Store) -> House:
    """The bench's model."""
    return load_house(bench)


@pytest.fixture
def own_bench(bench: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """An empty folder to write papers to, with the bench's store named for the command line."""
    monkeypatch.setenv("FLEET_STORE", str(bench.path))
    monkeypatch.setenv("FLEET_KEY_FILE", str(tmp_path / "token.key"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def pdf_library() -> None:
    """Without Pango there is no PDF: the tests are skipped by name, but in CI they fail."""
    try:
        load_library()
    except FleetError as why:
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(str(why))
        pytest.skip(str(why))

"""No test ever sees the user's own store, token key or policy."""

from __future__ import annotations

import gc
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from one_engine import Engine

SMALL_NULL = {"cli", "dashboard", "fitting", "house_model", "notebook", "report"}
"""Folders of tests that are about no chance of a judgement, whose null may be a quarter of its size."""
SMALL_NULL_FILES = {"test_suspects.py", "test_one_unit.py", "test_sentences.py", "test_charts_normal.py"}
OWN_ENGINE = {"test_connection.py", "test_crash.py", "test_every_call.py", "test_beside.py",
              "test_replacing.py", "test_migrate.py", "test_readme.py"}  # fmt: skip
"""Tests about how a file is opened, and how it is left when something breaks; and the README."""
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def pytest_configure(config: pytest.Config) -> None:
    """`FLEET_LONG=1` leaves nothing out; what is imported and collected first is no garbage."""
    if os.environ.get("FLEET_LONG") == "1" and config.option.markexpr == "not long":
        config.option.markexpr = ""
    gc.disable()


def pytest_collection_finish() -> None:
    """What all these imports have made stays: it isn't searched for garbage, neither now nor later."""
    gc.freeze()
    gc.enable()


@pytest.fixture(autouse=True)
def nobodys_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Point every place that fleet would look at in the user's home to an empty folder."""
    home = tmp_path_factory.getbasetemp() / "nobody"
    home.mkdir(exist_ok=True)
    monkeypatch.setattr(tempfile, "tempdir", str(home))
    monkeypatch.setenv("FLEET_STORE", str(home / "fleet.duckdb"))
    monkeypatch.setenv("FLEET_KEY_FILE", str(home / "token.key"))
    for name in ("FLEET_SECRET", "FLEET_POLICY", "FLEET_DEBUG"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(scope="session")
def empty_store_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store, made once (0.1 s)."""
    from fleet.store import store

    path = tmp_path_factory.mktemp("empty") / "empty.duckdb"
    store.make_empty(path, path)
    return path


@pytest.fixture(autouse=True)
def new_stores(empty_store_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new store is a copy of that one, put into place as ever; the store's own tests make theirs."""
    from fleet.store import store

    monkeypatch.setattr(store, "make_empty", lambda file, _: shutil.copyfile(empty_store_file, file))


@pytest.fixture(scope="session")
def shared_engine() -> Engine:
    """What opens files where no test is about how they are opened."""
    from fleet.store import connection

    return Engine(connection.PLAIN_CONFIG)


@pytest.fixture(autouse=True)
def one_engine(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """One engine opens all stores, but where opening is what is tested."""
    if request.path.name not in OWN_ENGINE:
        from fleet.store import connection

        monkeypatch.setattr(connection, "open_file", request.getfixturevalue("shared_engine").open_file)


@pytest.fixture(scope="module", autouse=True)
def small_null(request: pytest.FixtureRequest) -> Iterator[None]:
    """Half of a judging's 0.9 s of processor time is its null: by a hundred sheets, not four hundred."""
    folder = request.path.relative_to(Path(__file__).parent).parts[0]
    with pytest.MonkeyPatch.context() as patch:
        if folder in SMALL_NULL or request.path.name in SMALL_NULL_FILES:
            from fleet.faults import likelihood_ratio

            patch.setattr(likelihood_ratio, "NULL_SHEETS", 100)
        yield


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo bench's files and a store with its sheets and a house model, made once."""
    from fleet.fitting.refit import refit
    from fleet.intake import TokenKey, intake_file
    from fleet.store import Store
    from synthetic_data.demo import demo_fleet

    folder = tmp_path_factory.mktemp("demo")
    demo_fleet(folder)
    store = Store(folder / "fleet.duckdb")
    intake_file(store, folder / "demo-sheets.csv", key=TokenKey(b"a key for tests only"))
    refit(store)
    return folder

"""A small filled store, and the pages run against it in this process."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from altair.utils.schemapi import SchemaBase
from page_helpers import APP, OpenPage, bench_sheets
from streamlit import config
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest, local_script_runner

from fleet.fitting.refit import refit
from fleet.store import Store
from synthetic_data.demo import demo_fleet


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with 260 of the demo bench's sheets and a house model."""
    path = tmp_path_factory.mktemp("dashboard") / "filled.duckdb"
    store = Store(path).create()
    store.append(bench_sheets(), file_name="demo.csv")
    refit(store)
    return path


@pytest.fixture(scope="session")
def with_checks(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with the demo bench's check pickups, taken in after the model was fitted."""
    path = Path(shutil.copy(filled, tmp_path_factory.mktemp("checks") / "checks.duckdb"))
    sheets = demo_fleet().sheets
    checks = sheets[sheets["purpose"] == "reference"]
    Store(path).append(checks.rename(columns={"serial": "serial_token"}), file_name="checks.csv")
    return path


@pytest.fixture
def own(filled: Path, tmp_path: Path) -> Path:
    """A copy of the filled store that a test may change."""
    return Path(shutil.copy(filled, tmp_path / "own.duckdb"))


@pytest.fixture(scope="session", autouse=True)
def less_beside_the_pages() -> Iterator[None]:
    """What takes processor time beside the pages is left out.

    What other packages bring for pages is looked for once, not for each page that opens. Pages are waited
    for, not asked every millisecond whether they are done. Charts are held to Vega-Lite's schema where they
    are made (`tests/test_charts*.py`) and drawn by a browser, not on every page that shows one.
    """
    found = manifest_scanner.scan_component_manifests()
    asked = local_script_runner.require_widgets_deltas

    def waited_for(runner: local_script_runner.LocalScriptRunner, timeout: float = 3) -> None:
        runner._script_thread.join(timeout)
        asked(runner, timeout)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(manifest_scanner, "scan_component_manifests", lambda: found)
        patch.setattr(local_script_runner, "require_widgets_deltas", waited_for)
        patch.setattr(SchemaBase, "validate", classmethod(lambda *_: None))
        yield


@pytest.fixture(autouse=True)
def told_in_full() -> Iterator[None]:
    """What goes wrong is told in full; a changed store is a new key of the caches, so they may stay warm."""
    before = config.get_option("client.showErrorDetails")
    config.set_option("client.showErrorDetails", "full")
    yield
    config.set_option("client.showErrorDetails", before)


@pytest.fixture
def open_page(monkeypatch: pytest.MonkeyPatch) -> OpenPage:
    """Open one page over one store, as a link with these filters would."""

    def opened(store: Path, page: str = "enquiry", **filters: str | list[str]) -> AppTest:
        monkeypatch.setenv("FLEET_STORE", str(store))
        app = AppTest.from_file(str(APP), default_timeout=30)
        if page != "enquiry":
            app.switch_page(f"workshop_pages/{page}.py")
        for name, value in filters.items():
            app.query_params[name] = value
        return app.run()

    return opened

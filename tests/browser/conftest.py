"""The dashboard as `fleet dashboard` starts it, driven in a real browser."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fleet.cli.screens import dashboard_command
from fleet.refit import refit
from fleet.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
START_S = 60.0


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's own browser; without one the tests are skipped, but in CI they fail."""
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    if found is None:
        why = "no chromium here: apt-get install --no-install-recommends chromium fonts-dejavu-core"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(why)
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield started
        started.close()


@pytest.fixture(scope="session")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the demo bench's sheets and a house model."""
    from synthetic_data.demo import demo_fleet

    sheets = demo_fleet().sheets
    sheets["serial_token"] = sheets.pop("serial")
    path = tmp_path_factory.mktemp("browser") / "demo.duckdb"
    store = Store(path).create()
    store.append(sheets, file_name="demo.csv")
    refit(store)
    return path


@pytest.fixture(scope="session")
def server(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running dashboard over the demo store."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = tmp_path_factory.mktemp("server") / "log.txt"
    environment = {**os.environ, "FLEET_STORE": str(demo_store), "OPENBLAS_NUM_THREADS": "1"}
    with log.open("w") as out:
        process = subprocess.Popen(
            dashboard_command(port),
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            env=environment,
        )
    try:
        _wait_for(f"http://127.0.0.1:{port}/_stcore/health", process, log)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()


def _wait_for(address: str, process: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        if process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(address):
                return
        except (urllib.error.URLError, ConnectionError):
            time.sleep(0.1)
    pytest.fail(f"the dashboard did not start: {log.read_text()}")


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A fresh window; whatever it asks of another host, or complains of, fails the test."""
    context = browser.new_context(viewport={"width": 1280, "height": 2400})
    context.set_default_timeout(30_000)
    window = context.new_page()
    elsewhere: list[str] = []
    wrong: list[str] = []
    window.on("request", lambda r: elsewhere.append(r.url) if _foreign(r.url) else None)
    window.on("pageerror", lambda error: wrong.append(str(error)))
    yield window
    context.close()
    assert elsewhere == []
    assert wrong == []


def _foreign(address: str) -> bool:
    return not address.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:"))

"""A running dashboard and a browser, for the tests, the contact sheet and the timings."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from fleet.cli.week.dashboard import dashboard_command
from fleet.fitting.refit import refit
from fleet.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Page

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
CHARTS = '[data-testid="stVegaLiteChart"]'


def chromium() -> str | None:
    """Debian's own browser, or the one that CHROMIUM names."""
    return os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")


def make_demo_store(path: Path, *, model: bool = True) -> Path:
    """A store with the demo bench's sheets and a house model."""
    from synthetic_data.demo import demo_fleet

    sheets = demo_fleet().sheets
    sheets["serial_token"] = sheets.pop("serial")
    store = Store(path).create()
    store.append(sheets, file_name="demo.csv")
    if model:
        refit(store)
    return path


@contextmanager
def running(store: Path, log: Path) -> Iterator[tuple[str, int]]:
    """A dashboard over one store as `fleet dashboard` starts it: its address and its process."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = {
        **os.environ,
        "FLEET_STORE": str(store),
        "FLEET_KEY_FILE": str(log.parent / "key"),
        "OPENBLAS_NUM_THREADS": "1",
    }
    with log.open("w") as out:
        process = subprocess.Popen(
            dashboard_command(port), stdin=subprocess.DEVNULL, stdout=out, stderr=out, env=environment
        )
    try:
        _wait_for(f"http://127.0.0.1:{port}/_stcore/health", process, log)
        yield f"http://127.0.0.1:{port}", process.pid
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
    raise RuntimeError(f"the dashboard did not start: {log.read_text()}")


def open_page(page: Page, address: str, *, charts: int = 0) -> None:
    """Go there and wait until the whole page stands and so many pictures are drawn."""
    page.goto(address)
    page.get_by_text("What to do next").wait_for()
    if charts:
        page.locator(f"{CHARTS} svg.marks").nth(charts - 1).wait_for()
    settled(page)


def settled(page: Page) -> None:
    """Wait until the server has finished running the page."""
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for()
    page.wait_for_function("() => !document.querySelector('[data-testid=\"stSkeleton\"]')")


def choose(page: Page, label: str, option: str) -> None:
    """Pick an option of a list by keyboard-reachable roles."""
    box = page.get_by_role("combobox", name=label)
    box.scroll_into_view_if_needed()
    box.click()
    page.get_by_role("option", name=re.compile(rf"^{re.escape(option)}( ·|$)")).click()
    settled(page)


def described(page: Page) -> list[str]:
    """What a screen reader says of each picture."""
    charts = page.locator(f'{CHARTS}[role="graphics-document"]')
    return [charts.nth(i).get_attribute("aria-label") or "" for i in range(charts.count())]

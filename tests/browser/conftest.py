"""The dashboard as `fleet dashboard` starts it, driven in a real browser."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser_tools import FLAGS, chromium, make_demo_store, running

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's own browser; without one the tests are skipped, but in CI they fail."""
    found = chromium()
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
    """A store with the demo bench's sheets and a house model, which no test changes."""
    return make_demo_store(tmp_path_factory.mktemp("browser") / "demo.duckdb")


@pytest.fixture(scope="session")
def server(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running dashboard over the demo store."""
    with running(demo_store, tmp_path_factory.mktemp("server") / "log.txt") as (address, _):
        yield address


@pytest.fixture(scope="module")
def own_store(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo store that the tests of a module may change."""
    return Path(shutil.copy(demo_store, tmp_path_factory.mktemp("own") / "own.duckdb"))


@pytest.fixture(scope="module")
def own_server(own_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running dashboard over the copy."""
    with running(own_store, tmp_path_factory.mktemp("own_server") / "log.txt") as (address, _):
        yield address


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A fresh window; whatever it asks of another host, or complains of, fails the test."""
    context = browser.new_context(viewport={"width": 1280, "height": 2400})
    context.set_default_timeout(90_000)
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

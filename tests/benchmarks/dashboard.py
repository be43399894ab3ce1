"""How long a page takes to its first figure, cold, warm and after a filter, and what it takes in memory.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/dashboard.py [SHEETS …]      (10000 1000000 if left out)
    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/dashboard.py --store FILE

A store of invented sheets is filled and fitted (not timed). For each page a server of its own is started as
`fleet dashboard` starts it, and a real Chromium opens the page: *cold* is from asking for the address to the
page's answer, with nothing kept of the store (the server's own start, the first import of the libraries by
one plain visit to the sheets page, comes before). *Warm* is the same page opened anew in a fresh window.
*Filter* is from picking another option of a list to the answer that differs. *Whole* is the cold page with
everything drawn, *work* the server's processor seconds until then, which a busy machine lengthens least;
*sent* is what the server sent for the warm page beyond Streamlit's own files. Memory is the
server's largest resident set so far. Medians of `RUNS` for warm and filter, one run cold; the machine's load
stands above the table, and on a busy one compare within a run only.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "browser"), str(Path(__file__).parents[1])]
from browser_tools import FLAGS, chromium, running, settled  # noqa: E402
from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402

from fleet.store import Store  # noqa: E402

RUNS = 3
ANSWER = '[data-testid="stMarkdownContainer"] p > strong'
PAGES = {
    "enquiry": ("/", ("Stylus", "elliptical")),
    "on the bench": (
        "/on_the_bench?stylus_profile=line_contact&sra_dynamic_deg=90&vta_dynamic_deg=22",
        None,
    ),
    "normal": ("/normal", ("Source", "S01")),
    "unit": ("/unit?sheet={sheet}", None),
    "suspects": ("/suspects", ("False alarms allowed", "1 %")),
    "distributions": ("/distributions", ("Quantity", "dynamic sag")),
    "attainment": ("/attainment", ("Target", "the rake target")),
    "sheets": ("/sheets", None),
}


def fill(path: Path, n: int) -> None:
    """A store of n invented sheets with its house model, made in processes of their own."""
    own = Path(__file__).parent / "suspects.py"
    subprocess.run([sys.executable, str(own), "fill", str(path), str(n)], check=True)
    code = (
        "import sys; from fleet.fitting.refit import refit; from fleet.store import Store; "
        "refit(Store(sys.argv[1]))"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)


def answered(page: Page, before: str | None = None) -> str:
    """Wait for the page's answer, or for one that differs, and say it."""
    script = "([where, old]) => { const e = document.querySelector(where); return e && e.innerText !== old }"
    page.wait_for_function(script, arg=[ANSWER, before], timeout=180_000)
    return page.locator(ANSWER).first.inner_text()


def window(browser: Browser, sent: list[int] | None = None) -> Page:
    """A window that keeps nothing of earlier ones; `sent` gets the bytes that the server sends it."""
    page = browser.new_context(viewport={"width": 1280, "height": 2400}).new_page()
    page.set_default_timeout(180_000)
    if sent is not None:
        page.on("websocket", lambda ws: ws.on("framereceived", lambda frame: sent.append(len(frame))))
    return page


def work(pid: int) -> float:
    """Processor seconds that a process has taken so far."""
    told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")


def timed(browser: Browser, store: Path, log: Path, path: str, change: tuple[str, str] | None) -> list[float]:
    """Seconds cold, warm, after a filter, whole; the server's work; MB sent and held."""
    with running(store, log) as (address, pid):
        first = window(browser)
        first.goto(f"{address}/sheets?plain=1")
        if path != "/sheets":
            first.get_by_text("What came in").wait_for()
            settled(first)
        page = window(browser)
        start, before = time.perf_counter(), work(pid)
        page.goto(address + path)
        answered(page)
        cold = time.perf_counter() - start
        whole_page(page)
        whole, worked = time.perf_counter() - start, work(pid) - before
        again = [warm(browser, address + path, change) for _ in range(RUNS)]
        status = Path(f"/proc/{pid}/status").read_text()
    peak = next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]
    opened, after, sent = (statistics.median(column) for column in zip(*again, strict=True))
    return [cold, opened, after, whole, worked, sent, int(peak) / 1024]


def whole_page(page: Page) -> None:
    """Wait until everything is drawn."""
    page.get_by_text("What to do next").wait_for()
    settled(page)


def warm(browser: Browser, address: str, change: tuple[str, str] | None) -> tuple[float, float, float]:
    """Seconds to the answer in a fresh window and after a filter, and MB sent for the page."""
    sent: list[int] = []
    page = window(browser, sent)
    start = time.perf_counter()
    page.goto(address)
    said = answered(page)
    opened = time.perf_counter() - start
    whole_page(page)
    page_mb, after = sum(sent) / 1e6, float("nan")
    if change is not None:
        page.get_by_role("combobox", name=change[0]).click()
        option = page.get_by_role("option", name=change[1]).first
        option.wait_for()
        start = time.perf_counter()
        option.click()
        answered(page, said)
        after = time.perf_counter() - start
    page.context.close()
    return opened, after, page_mb


def tell(line: str) -> None:
    """Print at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(stores: dict[str, Path]) -> None:
    """Print a table for each store."""
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        for name, store in stores.items():
            sheet = (
                Store(store).current(["sheet_no", "purpose"]).query("purpose == 'unit'")["sheet_no"].iloc[-1]
            )
            heads = ("page", "cold s", "warm s", "filter s", "whole s", "work s", "sent MB", "MB")
            tell(
                f"{name}, load {os.getloadavg()[0]:.1f}\n{heads[0]:14s}"
                + "".join(f"{h:>9s}" for h in heads[1:])
            )
            for page, (path, change) in PAGES.items():
                row = timed(browser, store, Path(folder) / "log.txt", path.format(sheet=sheet), change)
                tell(f"{page:14s}" + "".join(f"{value:9.2f}" for value in row))
        browser.close()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--store"]:
        main({Path(given).name: Path(given) for given in sys.argv[2:]})
    else:
        with tempfile.TemporaryDirectory() as where:
            made = {}
            for count in [int(given) for given in sys.argv[1:]] or [10_000, 1_000_000]:
                made[f"{count} sheets"] = Path(where) / f"{count}.duckdb"
                fill(made[f"{count} sheets"], count)
            main(made)

"""Pictures of every page, light and dark, desktop and tablet, and one page that shows them all.

    python tests/browser/contact_sheet.py FOLDER [STORE]

Without a store the invented demo bench is shown. Look at them with fresh eyes; they are not committed.
"""

from __future__ import annotations

import sys
from pathlib import Path

from browser_tools import FLAGS, chromium, make_demo_store, open_page, running
from playwright.sync_api import sync_playwright

VIEWS = {
    "enquiry": ("/?stylus_profile=line_contact&cantilever_material=boron&vtf_mn=18", 3400),
    "enquiry_empty": ("/", 3400),
    "on_the_bench_empty": ("/on_the_bench", 1500),
    "on_the_bench": (
        "/on_the_bench?stylus_profile=line_contact&cantilever_material=boron&sra_static_deg=88.1"
        "&sra_dynamic_deg=87.6&vta_dynamic_deg=24&zenith_deg=4.5&azimuth_electrical_deg=1.2&tilt_room_deg=3",
        2900,
    ),
    "normal": ("/normal", 2600),
    "unit": ("/unit?sheet=DEMO-W00000410&paper=card", 5200),
    "suspects_groups": ("/suspects?groups=true&show=open", 1900),
    "distributions": ("/distributions", 3000),
    "distributions_units": (
        "/distributions?quantity=sag_deg&by=assembly_source&of=S02&first=S01&second=S02",
        4600,
    ),
    "attainment": ("/attainment", 4200),
    "attainment_units": ("/attainment?by=assembly_source&of=S01&if_tracking=24", 5600),
    "sheets": ("/sheets?sheet_no=DEMO-W00000001&operator=A", 2900),
    "bench": ("/bench", 3200),
    "record": ("/record", 3200),
}
WIDTHS = {"desktop": 1280, "tablet": 820}


def main(folder: Path, store: Path | None, only: list[str]) -> None:
    """Take the pictures and lay them out."""
    folder.mkdir(parents=True, exist_ok=True)
    where = store or folder / "demo.duckdb"
    if store is None and not where.exists():
        make_demo_store(where)
    shown = []
    with running(where, folder / "server.log") as (address, _), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        for name, (path, height) in VIEWS.items():
            if only and name not in only:
                continue
            for scheme in ("light", "dark"):
                for place, width in WIDTHS.items():
                    tall = height if place == "desktop" else int(1.5 * height)
                    context = browser.new_context(
                        viewport={"width": width, "height": tall}, color_scheme=scheme
                    )
                    page = context.new_page()
                    try:
                        open_page(page, address + path)
                        page.wait_for_timeout(700)
                    except Exception as error:  # noqa: BLE001 - a page that can't be had is shown as it is
                        sys.stderr.write(f"{name} {scheme} {place}: {str(error).splitlines()[0]}\n")
                    file = f"{name}-{scheme}-{place}.png"
                    page.screenshot(path=str(folder / file))
                    shown.append(file)
                    context.close()
        browser.close()
    cells = "\n".join(
        f'<figure><figcaption>{f}</figcaption><a href="{f}"><img src="{f}" width="420"></a></figure>'
        for f in shown
    )
    (folder / "index.html").write_text(
        f"<!doctype html><title>Pages</title><style>body{{display:flex;flex-wrap:wrap}}</style>{cells}",
        encoding="utf-8",
    )


if __name__ == "__main__":
    given = sys.argv[1:]
    stores = [Path(g) for g in given[1:] if g.endswith(".duckdb")]
    main(Path(given[0]), stores[0] if stores else None, [g for g in given[1:] if not g.endswith(".duckdb")])

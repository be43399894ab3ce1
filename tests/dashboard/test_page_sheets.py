"""The sheets page: a file is looked at, then taken in; intakes and versions are shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_helpers import OpenPage, bold, notes

from fleet.store import Store

pytestmark = pytest.mark.long

GOOD = (
    b"sheet_no,measured_on,body_family,sra_dynamic_deg,vta_dynamic_deg\n"
    b"N-1,2025-05-01,F001,91.5,21\nN-2,2025-05-02,F001,9150,21\n"
)


def test_a_file_is_looked_at_then_taken_in(own: Path, open_page: OpenPage) -> None:
    """The preview counts and names the fault; only the ticked form stores, and says what became of it."""
    app = open_page(own, "sheets")
    assert not app.exception
    assert bold(app).startswith("260 sheets from 1 intake: 260 of units, 0 of check pickups.")
    app.file_uploader(key="sheets.file").upload("late.csv", GOOD).run()
    assert not app.exception
    said = "2 rows read, 1 would go in, 0 are there already, 1 would be put aside. Nothing is stored yet."
    assert bold(app) == f"late.csv: {said}"
    faults = next(d.value for d in app.dataframe if "reason" in d.value.columns)
    assert faults[["line", "column"]].to_numpy().tolist() == [[3, "sra_dynamic_deg"]]
    app.button[-1].click().run()
    assert "Nothing was stored" in app.warning[0].value
    assert len(Store(own).current(["sheet_no"])) == 260
    app.checkbox(key="sheets.confirm").set_value(True)
    app.button[-1].click().run()
    assert not app.exception
    assert "1 taken in" in app.success[0].value
    assert len(Store(own).current(["sheet_no"])) == 261


def test_a_file_with_a_guide(own: Path, open_page: OpenPage) -> None:
    """A bench's own headers are read through its guide; without it, one is drafted."""
    file = b"Nr,Datum,Typ,SRA\nN-1,2025-05-01,F001,91.5\n"
    guide = (
        b'[columns."Nr"]\nto = "sheet_no"\n[columns."Datum"]\nto = "measured_on"\n'
        b'[columns."Typ"]\nto = "body_family"\n[columns."SRA"]\nto = "sra_dynamic_deg"\nunit = "deg"\n'
    )
    app = open_page(own, "sheets")
    app.file_uploader(key="sheets.file").upload("own.csv", file).run()
    assert not app.exception
    assert app.error
    assert any("[columns" in c.value for c in app.code)
    app.file_uploader(key="sheets.guide").upload("guide.toml", guide).run()
    assert not app.exception
    assert not app.error
    assert "1 would go in" in bold(app)


def test_a_bench_s_own_headers_are_asked_about_and_kept(own: Path, open_page: OpenPage) -> None:
    """What a file can't tell is asked; once answered, the guide is kept and the file is read by it."""
    file = b"Nr,Datum,Modell,SRA,Zenit\nN-1,2025-05-01,F001,91.5,0.5\nN-2,2025-05-02,F001,91.0,-0.5\n"
    app = open_page(own, "sheets")
    app.file_uploader(key="sheets.file").upload("own.csv", file).run()
    assert app.error
    assert "guide_keep" not in [button.key for button in app.button]
    app.radio(key="guide_ask_0").set_value("record still")
    app.multiselect(key="guide_ask_1").set_value(["Zenit has the other sign"])
    app.checkbox(key="guide_sure_1").set_value(True)
    app.run()
    assert not app.exception
    app.button(key="guide_keep").click().run()
    assert not app.exception
    assert not app.error
    assert "2 would go in" in bold(app)
    held = next(d.value for d in app.dataframe if "what it holds" in d.value.columns)
    assert {"sra_static_deg", "zenith_deg"} <= set(held["column"])
    (kept,) = own.with_suffix(".guides").iterdir()
    assert "flip = true" in kept.read_text()


def test_the_history_of_a_sheet(own: Path, open_page: OpenPage) -> None:
    """Every version side by side, no token among them; an unknown number is one line."""
    number = Store(own).current()["sheet_no"].iloc[0]
    app = open_page(own, "sheets", sheet_no=number)
    assert not app.exception
    assert f"Sheet {number}: 1 version; the last that isn't undone counts." in notes(app)
    table = app.dataframe[-1].value
    assert "serial_token" not in " ".join(table.iloc[:, 0])
    app.text_input(key="sheets.sheet_no").set_value("NO-SUCH").run()
    assert "no sheet of that number" in app.error[0].value


def test_no_store_yet(tmp_path: Path, open_page: OpenPage) -> None:
    """The first file can be looked at before there is a store."""
    app = open_page(tmp_path / "none.duckdb", "sheets")
    assert not app.exception
    app.file_uploader(key="sheets.file").upload("first.csv", GOOD).run()
    assert "1 would go in" in bold(app)
    assert not (tmp_path / "none.duckdb").exists()

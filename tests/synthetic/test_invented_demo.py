"""The demo bench is invented, says so, and is the same every time."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from fleet import columns
from fleet.intake import check_sheets, read_sheets
from synthetic_data.demo import demo_fleet


def test_demo_bench_is_the_same_every_time_and_labelled() -> None:
    """Two calls give equal frames; numbers, serials and bench say that they are a demo's."""
    demo, again = demo_fleet(), demo_fleet()
    for name in ("sheets", "enquiries", "outcomes", "known_faults"):
        pd.testing.assert_frame_equal(getattr(demo, name), getattr(again, name))
    assert "no real pickup" in demo.label.lower()
    assert demo.sheets["sheet_no"].str.startswith("DEMO-").all()
    assert demo.sheets["serial"].dropna().str.startswith("DEMO-").all()
    assert set(demo.sheets["bench"]) == {"demo"}


def test_demo_bench_has_units_checks_enquiries_and_faults() -> None:
    """900 unit sheets, weekly checks, 40 enquiries with outcomes, every profile, faults of every kind."""
    demo = demo_fleet()
    assert (demo.sheets["purpose"] == "unit").sum() == 900
    assert (demo.sheets["purpose"] == "reference").sum() == 229
    assert len(demo.enquiries) == len(demo.outcomes) == 40
    assert set(demo.sheets["stylus_profile"].dropna()) == {
        "spherical", "elliptical", "line_contact", "narrow_edge",
    }  # fmt: skip
    sheets = set(demo.sheets["sheet_no"]) | set(demo.outcomes["sheet_no"])
    assert set(demo.known_faults["sheet_no"]) <= sheets
    assert demo.known_faults["fault"].nunique() == 10
    assert demo.sheets["sheet_no"].str.fullmatch(columns.NUMBER_TEXT_PATTERN).all()


def test_demo_files_hold_the_frames(tmp_path: Path) -> None:
    """With a folder, the four files are there and read back to the same figures."""
    demo = demo_fleet(tmp_path / "demo")
    files = sorted(p.name for p in (tmp_path / "demo").iterdir())
    assert files == ["demo-enquiries.csv", "demo-known-faults.csv", "demo-outcomes.csv", "demo-sheets.csv"]
    back = pd.read_csv(tmp_path / "demo" / "demo-sheets.csv", parse_dates=["measured_on"])
    assert list(back.columns) == list(demo.sheets.columns)
    pd.testing.assert_series_equal(back["sra_dynamic_deg"], demo.sheets["sra_dynamic_deg"])
    assert (back["measured_on"] == demo.sheets["measured_on"]).all()


def test_demo_sheets_pass_the_door(tmp_path: Path) -> None:
    """Every written demo sheet is accepted; its slips of the pen are warned about, not put aside."""
    demo = demo_fleet(tmp_path)
    checked = check_sheets(read_sheets(tmp_path / "demo-sheets.csv"))
    assert not checked.faults
    assert len(checked.good) == len(demo.sheets)
    slipped = set(demo.known_faults.query("fault == 'misread'")["sheet_no"])
    lines = {warning.line for warning in checked.warnings}
    warned = set(demo.sheets["sheet_no"].iloc[[line - 2 for line in lines]])
    assert warned
    assert len(warned & slipped) >= len(warned) / 2

"""`fleet desk`: enquiries ranked, hours in all, the bench's own pace or the one told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

Fleet = Callable[..., "object"]


@pytest.fixture
def enquiries(empty_folder: Path) -> Path:
    """Three enquiries: two known kinds and one of which nothing is told."""
    path = empty_folder / "enquiries.csv"
    path.write_text(
        "enquiry_id,stylus_profile,cantilever_material,tilt_room_deg\n"
        "Q1,line_contact,boron,3\nQ2,elliptical,aluminium,\nQ3,,,\n"
    )
    return path


def test_without_a_store(fleet: Fleet, enquiries: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the first sheet it ranks all the same, and asks for the pace."""
    monkeypatch.delenv("FLEET_STORE")
    monkeypatch.setenv("XDG_DATA_HOME", str(enquiries.parent))
    ran = fleet("desk", str(enquiries))
    assert ran.status == 0
    assert ran.out.startswith("3 enquiries: ")
    assert "tell the bench's pace" in ran.out
    assert fleet("desk", str(enquiries), "--hours-per-week", "0").status == 2


@pytest.mark.long
@pytest.mark.usefixtures("demo_store")
def test_at_the_benchs_pace(fleet: Fleet, enquiries: Path) -> None:
    """The store's own weeks give the pace; the table has every enquiry once, with its price's range."""
    Path("rates.toml").write_text('[default]\nhourly_rate = 60.0\ncurrency = "EUR"\n')
    ran = fleet("desk", str(enquiries), "--policy", "rates.toml")
    assert "hours a week done in" in ran.out
    assert "EUR (" in ran.out
    assert fleet("desk", str(enquiries), "--out", "desk.csv").status == 0
    table = pd.read_csv("desk.csv")
    assert sorted(table["enquiry_id"]) == ["Q1", "Q2", "Q3"]
    assert (table["week"].diff().dropna() >= 0).all()
    slow = fleet("desk", str(enquiries), "--hours-per-week", "1")
    assert "at 1.0 hours a week" in slow.out

"""Earlier visits of a unit: which saw the same assembly (the store's own rule), and what they tell today."""

from __future__ import annotations

import pandas as pd
import pytest

from fleet.faults.visits import fill_in, in_order, last_assembly, told_by
from fleet.intake import TokenKey, intake_file
from fleet.store import CURRENT_COLUMNS, Store, pick_sheets

KEY = TokenKey(b"a key for tests only")
HEAD = (
    "sheet_no,measured_on,serial,body_family,stylus_profile,cantilever_material,assembly_source,"
    "sra_static_deg,vta_dynamic_deg,tilt_room_deg,vtf_mn,compliance_um_per_mn,compliance_frequency_hz,peculiarities"
)
ROWS = (
    "A1,2024-01-08,S-1,F1,line_contact,boron,P1,91.0,20.0,3.0,18,12,10,",
    "A2,2024-05-08,S-1,F1,,,,90.8,,,,,,",
    "B1,2024-01-08,S-2,F1,line_contact,boron,P1,91.0,20.0,3.0,18,12,10,retipped",
    "B2,2024-02-08,S-2,F1,,,P2,90.0,21.0,,,,,",
    "B3,2024-03-08,S-2,F1,,,,89.0,22.0,,,,,retipped;worn",
    "B4,2024-04-08,S-2,F1,elliptical,,,,22.5,,,,,",
    "C1,2024-01-08,S-3,F1,spherical,aluminium,P1,,20.0,,,,,",
    "D1,2024-01-08,,F1,elliptical,aluminium,P1,91,20.0,,,,,",
)


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Sheets of three serials and one without, as a store gives them."""
    folder = tmp_path_factory.mktemp("visits")
    file = folder / "sheets.csv"
    file.write_text("\n".join([HEAD, *ROWS]) + "\n")
    store = Store(folder / "own.duckdb")
    intake_file(store, file, key=KEY)
    return pick_sheets(store, CURRENT_COLUMNS)


def of(visits: pd.DataFrame, serial: str) -> pd.DataFrame:
    return visits[visits["serial_token"] == KEY.token(serial)]


def test_assemblies_are_the_stores(visits: pd.DataFrame) -> None:
    """Every visit has the number of assembly that the store's own unit ends with."""
    known = visits[visits["serial_token"].notna()]
    for _, mine in known.groupby("serial_token"):
        ordered = in_order(mine.sample(frac=1.0, random_state=1))
        assert ordered["assembly"].tolist() == [int(u.rsplit("-", 1)[1]) for u in ordered["unit"]]
    assert in_order(of(visits, "S-2"))["assembly"].tolist() == [1, 2, 3, 3]


def test_newest_reading_of_the_same_assembly(visits: pd.DataFrame) -> None:
    """Each reading and fact comes from the newest visit that has it; today's own are never touched."""
    told = told_by(of(visits, "S-1"), {"vtf_mn": 20.0}, readings=True)
    assert (told["sra_static_deg"], told["vta_dynamic_deg"]) == (90.8, 20.0)
    assert told["stylus_profile"] == "line_contact"
    assert "vtf_mn" not in told
    assert "sra_static_deg" not in told_by(of(visits, "S-1"), {}, readings=False)


@pytest.mark.parametrize("today", [{"assembly_source": "P9"}, {"peculiarities": "worn;retipped"}])
def test_another_assembly_keeps_the_body(visits: pd.DataFrame, today: dict[str, str]) -> None:
    """After a retip, or with another source, only what belongs to the body is told."""
    told = told_by(of(visits, "S-1"), today, readings=True)
    assert told == {"body_family": "F1", "vtf_mn": 18.0, "tilt_room_deg": 3.0}


def test_the_last_assembly_alone(visits: pd.DataFrame) -> None:
    """Readings before the last retip don't count, and a visit before it tells no source."""
    same = last_assembly(in_order(of(visits, "S-2")), {})
    assert same["sheet_no"].tolist() == ["B3", "B4"]
    told = told_by(of(visits, "S-2"), {}, readings=True)
    assert told["sra_static_deg"] == 89.0
    assert "assembly_source" not in told


def test_a_compliance_keeps_its_frequency(visits: pd.DataFrame) -> None:
    """A compliance told today is not given the frequency of another figure."""
    assert "compliance_frequency_hz" in told_by(of(visits, "S-1"), {}, readings=False)
    today = {"compliance_um_per_mn": 15.0}
    assert "compliance_frequency_hz" not in told_by(of(visits, "S-1"), today, readings=False)


def test_rows_are_filled_by_their_serial(visits: pd.DataFrame) -> None:
    """Only rows of a known serial change, a spherical one gets no rake, and the words name the visits."""
    tokens = [KEY.token("S-1"), KEY.token("S-9"), None, KEY.token("S-3")]
    names = ["body_family", "stylus_profile", "sra_static_deg", "vta_dynamic_deg"]
    rows = pd.DataFrame({"serial_token": tokens, "vta_dynamic_deg": [float("nan")] * 4}).reindex(
        columns=["serial_token", *names]
    )
    filled, words = fill_in(rows, visits, readings=True)
    assert filled["vta_dynamic_deg"].isna().tolist() == [False, True, True, False]
    assert filled["sra_static_deg"].isna().tolist() == [False, True, True, True]
    assert set(words) == {0, 3}
    assert "2 visits, the last on 2024-05-08, sheet A2" in words[0]


def test_no_day_and_no_visit() -> None:
    """Visits without a day stand first; no visit tells nothing."""
    frame = pd.DataFrame({"vta_dynamic_deg": [20.0, 21.0], "measured_on": ["2024-01-01", None]})
    assert told_by(frame, {}, readings=True) == {"vta_dynamic_deg": 20.0}
    assert told_by(frame.iloc[:0], {}, readings=True) == {}

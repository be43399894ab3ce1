"""Every kind of bad cell puts its row aside with one clear reason; good rows come out typed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.columns import COLUMNS, number_columns
from fleet.intake import TokenKey, check_sheets, checks, read_sheets

TODAY = dt.date(2024, 6, 1)
KEY = TokenKey(b"k" * 32)
Sheet = Callable[..., Path]


@pytest.mark.parametrize(
    ("column", "value", "shown", "reason"),
    [
        ("vtf_mn", "heavy", "(5 characters, not shown)", "is no number"),
        ("vtf_mn", "nan", "nan", "is no number; leave the cell empty if it wasn't measured"),
        ("vtf_mn", "inf", "inf", "is no number; leave the cell empty if it wasn't measured"),
        ("vtf_mn", "-Infinity", "-Infinity", "is no number; leave the cell empty if it wasn't measured"),
        ("vtf_mn", "n/a", "(3 characters, not shown)", "leave the cell empty"),
        ("vtf_mn", "1e400", "1e400", "is no number"),
        ("vtf_mn", "0x14", "(4 characters, not shown)", "is no number"),
        ("vtf_mn", "1_9", "(3 characters, not shown)", "is no number"),
        ("vtf_mn", "19 mN", "19 mN", "has words after the number"),
        ("vtf_mn", "19 Ada", "(6 characters, not shown)", "has words after the number"),
        ("vtf_mn", "2.0", "2.0", "is outside 5 to 60 mN; 2 g is 19.6 mN: is it grams?"),
        (
            "vtf_mn",
            "192",
            "192",
            "is outside 5 to 60 mN; 19.58 mN would fit: was it in mN already, not in grams?",
        ),
        ("height_mm", "0.669", "0.669", "0.669 inch is 16.99 mm: is it inches?"),
        ("crosstalk_l_to_r_db", "31.4", "31.4", "crosstalk is negative here: -31.4?"),
        ("temperature_c", "72", "72", "72 °F is 22.2 °C: is it Fahrenheit?"),
        ("sra_dynamic_deg", "9.12", "9.12", "is the decimal point in the wrong place (91.2)?"),
        ("compliance_frequency_hz", "50", "50", "is not 0 or 10 or 100 Hz"),
        ("measured_on", "2024-02-30", "2024-02-30", "is not a day of the calendar"),
        ("measured_on", "01.03.2024", "01.03.2024", "is not a day written YYYY-MM-DD"),
        ("measured_on", "2024-06-02", "2024-06-02", "is in the future"),
        ("measured_on", "0000-01-01", "0000-01-01", "is not a day of the calendar"),
        ("measured_on", "", "", "is missing"),
        ("sheet_no", "", "", "is missing"),
        ("body_family", "  ", "", "is missing"),
        ("sheet_no", "Ada Example", "(11 characters, not shown)", "is not 1 to 40 letters"),
        ("body_family", "x" * 25, "(25 characters, not shown)", "is not a code of 1 to 24 letters"),
        ("operator", "Ada Example", "(11 characters, not shown)", "is not a code"),
        ("stylus_profile", "pointy", "(6 characters, not shown)", "is not one of spherical, elliptical"),
        ("purpose", "fun", "(3 characters, not shown)", "is not one of unit, reference"),
        ("peculiarities", "worn;sold by Ada", "(16 characters, not shown)", "is not any of worn"),
        ("serial", "x" * 101, "(101 characters, not shown)", "longer than 100 characters"),
        ("serial", "A\0B", "(3 characters, not shown)", "control characters"),
    ],
)
def test_a_bad_cell_puts_its_row_aside(
    sheet: Sheet, column: str, value: str, shown: str, reason: str
) -> None:
    """File, line, column, value (if it may be shown) and reason of a bad cell are told."""
    checked = check_sheets(read_sheets(sheet(**{column: value})), key=KEY, today=TODAY)
    assert (checked.rows_read, checked.put_aside, len(checked.good)) == (1, 1, 0)
    (fault,) = checked.faults
    assert (fault.file, fault.line, fault.column, fault.value) == ("sheets.csv", 2, column, shown)
    assert reason in fault.reason


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("19,6", "decimal comma"),
        ("1,234", "decimal comma"),
        ("1,234.5", "between thousands"),
        ("1.234,5", "thousands"),
    ],
)
def test_numbers_with_commas_are_refused_with_a_hint(
    write: Callable[..., Path], value: str, reason: str
) -> None:
    """A comma in a number is never guessed at."""
    path = write(f'sheet_no,measured_on,body_family,hours_used\nA1,2024-03-01,F,"{value}"\n')
    (fault,) = check_sheets(read_sheets(path), today=TODAY).faults
    assert fault.value == value
    assert reason in fault.reason


@pytest.mark.parametrize("name", number_columns())
def test_every_range_includes_its_ends_and_nothing_beyond(write: Callable[..., Path], name: str) -> None:
    """Both ends of a column's range are accepted; a thousandth beyond is put aside."""
    column = COLUMNS[name]
    assert column.low is not None
    assert column.high is not None
    values = [column.low, column.high, column.low - 0.001, column.high + 0.001]
    rows = "".join(f"A{i},2024-03-01,F,{value!r}\n" for i, value in enumerate(values))
    checked = check_sheets(
        read_sheets(write(f"sheet_no,measured_on,body_family,{name}\n" + rows)), today=TODAY
    )
    assert checked.good[name].tolist() == values[:2]
    assert [fault.line for fault in checked.faults] == [4, 5]


def test_all_faults_of_all_rows_are_told_in_order(write: Callable[..., Path]) -> None:
    """Each row's faults are told by line, then in the order of the catalogue."""
    path = write(
        "vtf_mn,sheet_no,measured_on,body_family\n"
        "x,A1,2024-13-01,\n"
        "19,A2,2024-03-01,F\n"
        "19,A3\n"
        "99,A4,2024-03-01,F 1\n"
    )
    checked = check_sheets(read_sheets(path), today=TODAY)
    assert [(f.line, f.column) for f in checked.faults] == [
        (2, "measured_on"),
        (2, "body_family"),
        (2, "vtf_mn"),
        (4, ""),
        (5, "body_family"),
        (5, "vtf_mn"),
    ]
    assert checked.rows_read == 4
    assert checked.put_aside == 3
    assert checked.good.index.tolist() == [3]


def test_good_rows_come_out_typed(sheet: Sheet) -> None:
    """Days, numbers and words have one type and one spelling; empty cells have their default."""
    path = sheet(
        serial="S 1",
        vtf_mn=" +19.50 ",
        stylus_profile="Elliptical",
        peculiarities="worn; DIRTY;worn",
        purpose="",
        zenith_deg="-0.0",
    )
    good = check_sheets(read_sheets(path), key=KEY, today=TODAY).good
    row = good.iloc[0]
    assert row["measured_on"] == pd.Timestamp("2024-03-01")
    assert row["vtf_mn"] == 19.5
    assert str(row["zenith_deg"]) == "0.0"
    assert row["stylus_profile"] == "elliptical"
    assert row["peculiarities"] == "worn;dirty"
    assert (row["purpose"], row["bench"]) == ("unit", "main")
    assert row["serial_token"] == KEY.token("S1")
    assert pd.isna(row["operator"])
    assert "serial" not in good
    assert good.dtypes["sra_dynamic_deg"] == "float64"
    assert good.dtypes["remedy"] == "str"


def test_without_a_key_serials_are_dropped(sheet: Sheet) -> None:
    """Checking alone keeps nothing that identifies a unit."""
    good = check_sheets(read_sheets(sheet(serial="S1")), today=TODAY).good
    assert good["serial_token"].isna().all()


def test_a_flood_of_faults_is_counted_but_not_told_in_full(
    write: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond a limit faults are no longer described, but every bad row is still put aside."""
    monkeypatch.setattr(checks, "MOST_FAULTS_TOLD", 5)
    path = write("sheet_no,measured_on,body_family\n" + ",x,y z\n" * 50)
    checked = check_sheets(read_sheets(path), today=TODAY)
    assert checked.put_aside == 50
    assert len(checked.faults) == 5


@pytest.mark.parametrize(
    ("cells", "column", "says"),
    [
        (
            {"sra_static_deg": "90", "sra_dynamic_deg": "91"},
            "sra_dynamic_deg",
            "1.00° above rake still; were the two",
        ),
        ({"sra_static_deg": "99", "sra_dynamic_deg": "91"}, "sra_dynamic_deg", "sags by 8.00°"),
        ({"stylus_profile": "spherical", "sra_dynamic_deg": "91"}, "sra_static_deg", "no rake"),
        ({"stylus_profile": "spherical", "zenith_deg": "1"}, "zenith_deg", "no zenith"),
        ({"tilt_applied_deg": "4", "tilt_room_deg": "3"}, "tilt_applied_deg", "above the tilt room of 3°"),
    ],
)
def test_odd_readings_go_in_with_a_warning(
    sheet: Sheet, cells: dict[str, str], column: str, says: str
) -> None:
    """What looks odd is accepted, and said."""
    checked = check_sheets(read_sheets(sheet(**cells)), today=TODAY)
    assert len(checked.good) == 1
    (warning,) = checked.warnings
    assert (warning.line, warning.column) == (2, column)
    assert says in warning.reason
    assert checked.good["marks"].notna().all()


def test_small_negative_sags_are_no_oddity(sheet: Sheet) -> None:
    """A measured sag is the difference of two noisy readings and may be below zero."""
    assert (
        check_sheets(read_sheets(sheet(sra_static_deg="91", sra_dynamic_deg="91.3")), today=TODAY).warnings
        == ()
    )

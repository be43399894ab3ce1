"""The catalogue of columns says what the contract says."""

from __future__ import annotations

import re

import pytest

from fleet.columns import (
    CODE_PATTERN,
    COLUMNS,
    ENQUIRY_COLUMNS,
    NUMBER_TEXT_PATTERN,
    READ_BY,
    STORED_COLUMNS,
    number_columns,
)


def test_required_columns_are_those_of_the_contract() -> None:
    """A bench sheet needs a number, a day and a family; an enquiry only its number."""
    assert [n for n, c in COLUMNS.items() if c.required] == ["sheet_no", "measured_on", "body_family"]
    assert [n for n, c in ENQUIRY_COLUMNS.items() if c.required] == ["enquiry_id"]


def test_every_number_has_a_range_a_unit_and_a_name_that_carries_it() -> None:
    """A number column's range runs upward and its name ends in its unit."""
    endings = {"h": "used", "mN": "mn", "µm/mN": "um_per_mn", "Hz": "hz", "mm": "mm", "°C": "c", "°": "deg"}
    endings |= {"dB": "db", "min": "minutes"}
    for name in number_columns():
        column = COLUMNS[name]
        assert column.low is not None
        assert column.high is not None
        assert column.low < column.high
        assert name.endswith(endings[column.unit])


@pytest.mark.parametrize(
    ("name", "accepts"),
    [
        ("vtf_mn", "5 to 60 mN"),
        ("compliance_frequency_hz", "0 or 10 or 100 Hz"),
        ("zenith_deg", "-30 to 30 °"),
        ("purpose", "one of unit, reference"),
        ("bench", "a code of 1 to 24 letters, digits or _ . -"),
    ],
)
def test_a_column_says_what_it_accepts(name: str, accepts: str) -> None:
    """What a column accepts is one short phrase with its unit."""
    assert COLUMNS[name].accepts == accepts


def test_the_store_keeps_a_token_where_the_sheet_has_a_serial() -> None:
    """The serial itself is no column of the store."""
    assert "serial" not in STORED_COLUMNS
    assert STORED_COLUMNS.index("serial_token") == list(COLUMNS).index("serial")


def test_an_enquiry_column_is_the_sheets_own_column() -> None:
    """Enquiries use the bench sheet's units, ranges and words; policy and readers are their own."""
    own = set(ENQUIRY_COLUMNS) - set(COLUMNS)
    assert own == {"policy", *READ_BY.values()}
    assert set(READ_BY) == {n for n in ENQUIRY_COLUMNS if n.startswith(("sra_", "vta_")) and n in COLUMNS}
    for name in set(ENQUIRY_COLUMNS) & set(COLUMNS) - {"enquiry_id"}:
        sheet, enquiry = COLUMNS[name], ENQUIRY_COLUMNS[name]
        assert (sheet.kind, sheet.low, sheet.high, sheet.words) == (
            enquiry.kind,
            enquiry.low,
            enquiry.high,
            enquiry.words,
        )


@pytest.mark.parametrize("text", ["Ada Example", "ada@example.org", "", "x" * 41, "=1+1", "né"])
def test_no_name_or_mail_address_passes_for_a_number_of_the_bench(text: str) -> None:
    """Blanks, @, formulas and letters beyond ASCII are in no sheet number and in no code."""
    assert not re.fullmatch(NUMBER_TEXT_PATTERN, text)
    assert not re.fullmatch(CODE_PATTERN, text)

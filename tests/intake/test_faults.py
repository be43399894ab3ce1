"""Faults show numbers and days, and nothing that could be somebody's name."""

from __future__ import annotations

import pytest

from fleet.intake import Fault
from fleet.intake.faults import printable, printable_header


@pytest.mark.parametrize(
    "value",
    ["19.6", "-3", "19,6", "19,6 g", "1.234,5", "0.669 inch", "0,3 cw", '0.5"', "31.02.2024", "2024-02-31"],
)
def test_numbers_and_days_with_a_unit_are_shown(value: str) -> None:
    """A number or a day with at most one unit word stands in the fault as it is."""
    assert printable(value) == value


@pytest.mark.parametrize(
    "value",
    [
        "Ada",
        "12 Example",
        "ada@example.org",
        "SN-12345",
        "+4915112345678",
        "19 g Ada",
        "3. March Ada",
        "1 2 3 4 5",
    ],
)
def test_anything_else_is_told_by_its_length(value: str) -> None:
    """Names, mail addresses, telephone numbers and serials are not repeated."""
    assert printable(value) == f"({len(value)} characters, not shown)"


def test_headers_are_shown_only_if_they_look_like_codes() -> None:
    """A header that is no code is told by its place."""
    assert printable_header("Remarks", 3) == "Remarks"
    assert printable_header("Owner: Ada", 3) == "column 3"


def test_a_fault_is_one_line() -> None:
    """File, line, column, value and reason read as one sentence."""
    assert str(Fault("a.csv", 3, "vtf_mn", "99", "is outside 5 to 60 mN")) == (
        "a.csv line 3, vtf_mn: 99 is outside 5 to 60 mN"
    )
    assert str(Fault("a.csv", 3, "", "", "has 2 fields")) == "a.csv line 3: has 2 fields"

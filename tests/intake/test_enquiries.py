"""Enquiries are read with the same care as sheets, and may leave nearly everything out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.columns import ENQUIRY_COLUMNS
from fleet.errors import FleetError
from fleet.intake import TokenKey, load_key, read_enquiries

Write = Callable[..., Path]


def test_an_enquiry_needs_only_its_number(write: Write) -> None:
    """Every column is there, empty where not told, and a code never seen is no fault."""
    good, faults = read_enquiries(write("enquiry_id,body_family\nE1,F900\nE2,\n"))
    assert faults == []
    assert good["enquiry_id"].tolist() == ["E1", "E2"]
    assert good["body_family"].isna().tolist() == [False, True]
    expected = ["serial_token" if name == "serial" else name for name in ENQUIRY_COLUMNS]
    assert list(good.columns) == expected
    assert good["vtf_mn"].dtype == "float64"


def test_faults_are_told_and_the_good_rows_stay(write: Write) -> None:
    """Bad cells and a number used twice put their rows aside."""
    good, faults = read_enquiries(
        write("enquiry_id,vtf_mn,stylus_profile\nE1,19,\nE2,2,\nE1,18,\n,18,\nE4,,pointy\n")
    )
    assert good["enquiry_id"].tolist() == ["E1"]
    assert [(f.line, f.column) for f in faults] == [
        (3, "vtf_mn"),
        (4, "enquiry_id"),
        (5, "enquiry_id"),
        (6, "stylus_profile"),
    ]
    assert "line 2" in faults[1].reason


def test_serials_are_tokened_at_once(write: Write) -> None:
    """A serial is read under the key in use and is then gone."""
    path = write("enquiry_id,serial\nE1,SN 1\n")
    assert read_enquiries(path)[0]["serial_token"].isna().all()
    key = load_key(make=True)
    assert key is not None
    assert read_enquiries(path)[0]["serial_token"].tolist() == [key.token("SN1")]
    other = TokenKey(b"o" * 32)
    assert read_enquiries(path, key=other)[0]["serial_token"].tolist() == [other.token("SN1")]


def test_a_file_without_enquiry_numbers_is_refused(write: Write) -> None:
    """The number is what the answer is found by."""
    with pytest.raises(FleetError, match="has no column enquiry_id"):
        read_enquiries(write("body_family\nF1\n"))

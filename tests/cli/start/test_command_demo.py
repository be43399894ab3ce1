"""The demo runs the whole job, and its sentences about how well it did are counted right."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.cli.start.demo import came_true, were_faulty

Fleet = Callable[..., "object"]


@pytest.mark.long
def test_the_whole_job(fleet: Fleet) -> None:
    """The demo takes in, fits, quotes, judges and reviews, and may run again; its tables stay."""
    ran = fleet("demo", "here")
    assert ran.status == 0
    for step in range(1, 6):
        assert f"\n{step}. " in ran.out
    assert "0 put aside" in ran.out
    assert "fleet --store here/fleet.duckdb dashboard" in ran.out
    names = {path.name for path in Path("here").iterdir()}
    assert {"demo-sheets.csv", "demo-enquiries.csv", "fleet.duckdb"} <= names
    assert {"quotes.csv", "suspects.csv", "attainment.csv"} <= names
    assert not Path("own.duckdb").exists()
    again = fleet("demo", "here")
    assert again.status == 0
    assert "0 taken in" in again.out


def test_a_folder_that_is_a_file(fleet: Fleet) -> None:
    """Where the demo can't write it says so in one line."""
    Path("file").touch()
    ran = fleet("demo", "file")
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert ran.err.startswith("fleet: cannot write to file")


def test_how_quotes_came_true() -> None:
    """Readings inside the range of nine in ten are counted of those that were read."""
    quotes = pd.DataFrame(
        {
            "enquiry_id": ["A", "B", "C"],
            **{f"{name}_q05": 1.0 for name in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg")},
            **{f"{name}_q95": 2.0 for name in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg")},
        }
    )
    outcomes = pd.DataFrame(
        {
            "enquiry_id": ["C", "B", "A"],
            "sra_static_deg": [3.0, 3.5, None],
            "sra_dynamic_deg": [1.5, 2.5, None],
            "vta_dynamic_deg": [0.9, 1.0, 2.0],
        }
    )
    assert came_true(quotes, outcomes).endswith("held: sag 2 of 2, rake 1 of 2, tracking angle 2 of 3.")


def test_how_suspects_compare_with_the_truth() -> None:
    """Units, not sheets, are counted: those on the list, those named right, sound ones among them."""
    judged = pd.DataFrame(
        {
            "sheet_no": ["1", "2", "3", "4", "5"],
            "unit": ["a", "a", "b", "c", "d"],
            "score": [5.0, 1.0, 4.0, 3.0, 0.0],
            "flagged": [True, True, True, True, False],
            "leading_fault": ["misread", "other", "weak_channel", "stylus_canted", "other"],
        }
    )
    known = pd.DataFrame(
        {"sheet_no": ["1", "4", "5"], "fault": ["misread", "stylus_twisted", "weak_channel"]}
    )
    said = were_faulty(judged, known)
    assert "3 units have a fault" in said
    assert "2 of them are on the list, 1 with the right cause" in said
    assert said.endswith("sound units on the list: 1.")

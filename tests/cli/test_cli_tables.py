"""Tables and figures as text."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from fleet.cli.tables import cell_text, table


def test_columns_are_aligned() -> None:
    """Figures stand right with their decimals, texts left, what isn't known is a dash."""
    text = table(
        {"kind": ["a/b", "long_name"], "tilt [°]": [1.0, math.nan], "units": [3, 12]}, digits={"tilt [°]": 1}
    )
    assert text.splitlines() == [
        "  kind       tilt [°]  units",
        "  a/b             1.0      3",
        "  long_name         –     12",
    ]


def test_no_rows() -> None:
    """A table without rows is its heading."""
    assert table({"a": [], "b": []}) == "  a  b"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.005, "1.00"),
        (-0.001, "0.00"),
        (np.float64(2), "2.00"),
        (np.int64(2), "2.00"),
        (7, "7"),
        (True, "yes"),
        (np.bool_(False), "no"),
        (None, "–"),
        (pd.NA, "–"),
        (pd.NaT, "–"),
        (math.nan, "–"),
        (dt.date(2024, 5, 1), "2024-05-01"),
        (pd.Timestamp("2024-05-01"), "2024-05-01"),
        ("F1", "F1"),
    ],
)
def test_cells(value: object, text: str) -> None:
    """Each kind of value has one way to be written."""
    assert cell_text(value) == text

"""Rows in a frame and the same rows as arrays."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.rows import column_of, combinations, distinct, height, numbers, records, take_rows

FRAME = pd.DataFrame(
    {"family": ["F2", None, "F1", "F2"], "force": [18.0, np.nan, 20.0, 18.0], "bench": ["a", "a", "b", "b"]},
    index=[7, 3, 9, 1],
)
ARRAYS = {str(name): column_of(FRAME[name].tolist()) for name in FRAME}


def test_a_column_of_numbers_is_one() -> None:
    """Gaps among numbers are NaN, among texts None; what is not told at all is no number."""
    assert ARRAYS["force"].dtype == float
    assert ARRAYS["family"].tolist() == ["F2", None, "F1", "F2"]
    assert column_of([None, pd.NaT]).tolist() == [None, None]
    assert column_of([1, 2]).dtype == int


@pytest.mark.parametrize("rows", [FRAME, ARRAYS], ids=["frame", "arrays"])
def test_rows_are_read_alike(rows: object) -> None:
    """Number of rows, figures, rows by number, and combinations, in which a gap is a value of its own."""
    assert height(rows) == 4
    assert np.array_equal(numbers(rows, "force"), [18.0, np.nan, 20.0, 18.0], equal_nan=True)
    assert np.isnan(numbers(rows, "compliance")).tolist() == [True] * 4
    some = take_rows(rows, np.array([2, 0]), ["bench", "force"])
    assert records(some) == [{"bench": "b", "force": 20.0}, {"bench": "a", "force": 18.0}]
    code, first = combinations(rows, ["family", "bench"])
    assert len(first) == len(set(code)) == 4
    assert (code[first] == np.arange(4)).all()
    code, first = combinations(rows, ["family"])
    assert sorted(first) == [0, 1, 2]
    assert code[0] == code[3]


def test_distinct_values_are_numbered() -> None:
    """In order of appearance, -1 where there is none; a category keeps its number."""
    for values in (FRAME["family"], ARRAYS["family"]):
        code, found = distinct(values)
        assert (code.tolist(), found) == ([0, -1, 1, 0], ["F2", "F1"])
    assert distinct(pd.Categorical(["b", "a"], categories=["a", "b"]))[0].tolist() == [1, 0]

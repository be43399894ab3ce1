"""Rows as columns by name, in a frame or as plain arrays: what is asked of one row needs no frame."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from fleet.numerals import unknown

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Columns(Protocol):
    """A frame, or a mapping of names to arrays of one length."""

    def __getitem__(self, name: str, /) -> Any: ...

    def __contains__(self, name: object, /) -> bool: ...

    def __iter__(self) -> Iterator[Any]: ...

    def keys(self) -> Any:
        """Their names."""


def column_of(values: list[Any]) -> NDArray[Any]:
    """Values as an array: of numbers where all that are known are numbers, else of objects."""
    known = [x for x in values if not unknown(x)]
    if not known or any(isinstance(x, bool) or not isinstance(x, int | float) for x in known):
        out = np.empty(len(values), dtype=object)
        out[:] = [None if unknown(x) else x for x in values]
        return out
    if len(known) == len(values):
        return np.array(values)
    return np.array([np.nan if unknown(x) else x for x in values], dtype=np.float64)


def height(columns: Columns) -> int:
    """Number of rows."""
    return len(columns.index) if hasattr(columns, "index") else next((len(columns[n]) for n in columns), 0)


def numbers(columns: Columns, name: str) -> Floats:
    """A column as numbers (m,), NaN where a row has none or the column isn't there."""
    if name not in columns:
        return np.full(height(columns), np.nan)
    column = columns[name]
    if isinstance(column, np.ndarray):
        return np.array(column, dtype=np.float64)
    import pandas as pd

    return np.asarray(pd.to_numeric(column).to_numpy(dtype=np.float64, na_value=np.nan))


def records(columns: Columns) -> list[dict[str, Any]]:
    """Rows as dictionaries."""
    if hasattr(columns, "to_dict"):
        return [{str(k): v for k, v in row.items()} for row in columns.to_dict("records")]
    lists = (columns[name].tolist() for name in columns)
    return [dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)]


def take_rows(columns: Columns, rows: Ints, names: Iterable[str] = ()) -> Columns:
    """Some of the rows, by number, of some of the columns (of all if none is named)."""
    if hasattr(columns, "iloc"):
        frame = frame_of(columns)[list(names) or list(columns)]
        return frame.iloc[rows].reset_index(drop=True)
    return {name: columns[name][rows] for name in names or columns}


def beside(rows: Columns, columns: dict[str, Any]) -> Columns:
    """Further columns of the same rows: a frame with their index where they are in a frame."""
    if not hasattr(rows, "index"):
        return columns
    import pandas as pd

    return pd.DataFrame(columns, index=rows.index)


def distinct(values: Any) -> tuple[Ints, list[Any]]:
    """Which of the distinct values (or of its categories) each row has, -1 for none, and these values."""
    if hasattr(values, "categories"):
        return values.codes.astype(np.int64), list(values.categories)
    if hasattr(values, "factorize"):
        code, found = values.factorize()
        return np.asarray(code, dtype=np.int64), list(found)
    every = values.tolist()
    place = {x: i for i, x in enumerate(x for x in dict.fromkeys(every) if not unknown(x))}
    return np.array([place.get(x, -1) for x in every], dtype=np.int64), list(place)


def combinations(columns: Columns, names: Iterable[str]) -> tuple[Ints, Ints]:
    """Which of the combinations of some columns' values each row has, and the first row of each."""
    code, size = np.zeros(height(columns), dtype=np.int64), 1
    for level, found in sorted((distinct(columns[n]) for n in names), key=lambda part: -len(part[1])):
        levels = len(found) + 1
        code, there = code * levels + level + 1, np.zeros(size * levels, dtype=bool)
        there[code] = True
        code, size = (np.cumsum(there) - 1)[code], int(there.sum())
    first = np.empty(size, dtype=np.int64)
    first[code[::-1]] = np.arange(len(code) - 1, -1, -1)
    return code, first


def groups_in_order(columns: Columns, names: Iterable[str]) -> tuple[Ints, Ints]:
    """`combinations`, in order of their values."""
    names = list(names)
    code, first = combinations(columns, names)
    keys = list(zip(*(np.asarray(columns[n])[first].tolist() for n in names), strict=True))
    order = np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.int64)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return place[code], first[order]


def plain(frame: Columns) -> dict[str, NDArray[Any]]:
    """A frame's columns as arrays."""
    return {str(name): np.asarray(frame[name]) for name in frame}


def frame_of(columns: Columns) -> pd.DataFrame:
    """Columns as a frame; a frame as it is."""
    import pandas as pd

    return (
        columns
        if isinstance(columns, pd.DataFrame)
        else pd.DataFrame({name: columns[name] for name in columns})
    )


def exact_text(columns: Columns, index: list[str] | None = None) -> str:
    """A small table as JSON in which every double keeps all its digits."""
    data = [
        [None if x != x else x for x in row]
        for row in zip(*(np.asarray(columns[name]).tolist() for name in columns), strict=True)
    ]
    return json.dumps({"columns": list(columns), "index": index or list(range(len(data))), "data": data})


def columns_of_text(text: str, index: str = "") -> dict[str, NDArray[Any]]:
    """What `exact_text` wrote, its index as a column of that name if it has one."""
    raw = json.loads(text)
    told = {index: column_of([str(x) for x in raw["index"]])} if index else {}
    values = zip(*raw["data"], strict=True) if raw["data"] else ([] for _ in raw["columns"])
    return told | {name: column_of(list(x)) for name, x in zip(raw["columns"], values, strict=True)}

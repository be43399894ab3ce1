"""A file's rows as text, before anything is believed: cells by column, with the line each row stands on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from fleet.columns import COLUMNS, Column
from fleet.errors import UnreadableFileError, meant
from fleet.intake.faults import Fault, printable_header
from fleet.intake.guides.convert import Convert
from fleet.intake.guides.guide import Guide
from fleet.intake.guides.layout import key

PAGE: Final = 1 << 40
"""Added to the lines of a workbook's page, times its number, where several pages are read."""

ABOVE: Final = "above the column names"
AGAIN: Final = "repeating the column names"
OF_ROW: Final = "row: "
"""Begins the names of columns whose cells say something of their whole row, in a table as it is read."""
OTHER: Final = "in a table with other column names"

Text: TypeAlias = Any
"""A column of text: an Arrow chunked array of strings."""


@dataclass(frozen=True)
class SheetTable:
    """Rows of one file as text.

    Attributes
    ----------
    file : the file's name as faults show it.
    lines : line of each row (first line of the file = 1; row number in a Parquet file), shape (n_rows,).
    columns : text of each known column that the file has, each of n_rows cells; nothing else was kept.
    broken : one fault for each row that could not be read as cells at all; it is not among `lines`.
    blank_rows : rows without any content, which don't count as rows.
    ignored : what the file has besides, by name where the header looks like a code, else by place.
    converters : what turns a column's texts into canonical ones, for columns that a reading guide explains.
    pages : pages of a workbook that rows were read from, 1 for any other file.
    passed : rows that were not looked at, by why.
    own : the bench's own header of each column, where it isn't the canonical one.
    """

    file: str
    lines: npt.NDArray[np.int64]
    columns: Mapping[str, Text]
    broken: tuple[Fault, ...]
    blank_rows: int
    ignored: tuple[str, ...]
    converters: Mapping[str, Convert] = field(default_factory=dict)
    pages: int = 1
    passed: Mapping[str, int] = field(default_factory=dict)
    own: Mapping[str, str] = field(default_factory=dict)

    @property
    def rows_read(self) -> int:
        """Rows with any content, the broken ones included."""
        return len(self.lines) + len(self.broken)


def not_looked_at(ignored: Sequence[str], *, guided: bool = False) -> str:
    """Names columns that nobody looks at, and what was perhaps meant where no guide says what is."""
    near = "" if guided else "".join(meant(name, COLUMNS) for name in ignored)
    return f"Columns not looked at: {', '.join(ignored)}{near or '.'}"


def place_of(file: str, line: int) -> tuple[str, int]:
    """(the file's name, with the page where several were read; the line or row there)."""
    page, number = divmod(line, PAGE)
    return (f"{file} page {page}" if page else file), number


def fits(headers: list[str], known: Mapping[str, Column], guide: Guide | None) -> bool:
    """Whether a row holds the headers that the guide names, or without one those that are required."""
    there = {key(header) for header in headers}
    rules = guide.rules if guide else ()
    ruled = {rule.to for rule in rules} | set(guide.constant if guide else ())
    required = {name for name, column in known.items() if column.required and name not in ruled}
    return required <= {header.strip() for header in headers} and all(
        key(rule.header) in there for rule in rules if not rule.optional
    )


def one_of(tables: Sequence[SheetTable]) -> SheetTable:
    """Several tables as one, columns that one of them lacks being empty there."""
    if len(tables) == 1:
        return tables[0]
    pages = {int(page) for table in tables for page in np.unique(table.lines // PAGE)}
    names = dict.fromkeys(name for table in tables for name in table.columns)
    columns = {
        name: pa.chunked_array(
            [
                chunk
                for table in tables
                for chunk in (
                    table.columns[name].chunks
                    if name in table.columns
                    else [pa.nulls(len(table.lines), pa.string())]
                )
            ],
            pa.string(),
        )
        for name in names
    }
    passed: Counter[str] = Counter()
    for table in tables:
        passed.update(table.passed)
    return replace(
        tables[0],
        lines=np.concatenate([table.lines for table in tables]),
        columns=columns,
        broken=tuple(fault for table in tables for fault in table.broken),
        blank_rows=sum(table.blank_rows for table in tables),
        ignored=tuple(dict.fromkeys(name for table in tables for name in table.ignored)),
        pages=max(len(pages), 1),
        passed=dict(passed),
        own={name: header for table in reversed(tables) for name, header in table.own.items()},
    )


def match_headers(
    headers: list[str], known: Mapping[str, Column], file: str, guide: Guide | None = None
) -> tuple[dict[str, int], tuple[str, ...]]:
    """Find the known columns by header, a guide's own headers before the canonical ones.

    Returns
    -------
    (place of each known column, from 0; what is ignored).

    Raises
    ------
    UnreadableFileError
        If a known column stands twice, or one that is required or that the guide names is missing.
    """
    rules = {key(rule.header): rule for rule in guide.rules} if guide else {}
    ruled = {rule.to for rule in rules.values()}
    of_rows = {key(header) for header in guide.rows} if guide else set()
    places: dict[str, int] = {}
    ignored = []
    for place, raw in enumerate(headers):
        header = raw.strip()
        if key(header) in of_rows:
            places[OF_ROW + key(header)] = place
        rule = rules.pop(key(header), None)
        name = rule.to if rule else header if header in known and header not in ruled else None
        twice = name if name in places else header.removesuffix(" (2)")
        if name in places or (not rule and twice != header and twice in places and twice not in ruled):
            raise UnreadableFileError(f"{file} has two columns {twice}; remove one.")
        if name is not None:
            places[name] = place
        elif header and key(header) not in of_rows:
            ignored.append(printable_header(header, place + 1))
    if lost := [rule for rule in rules.values() if not rule.optional]:
        told = ", ".join(f'"{rule.header}"' for rule in lost)
        raise UnreadableFileError(
            f"{file} lacks columns that the guide names: {told}; is it the right guide?"
        )
    given = {*places, *(guide.constant if guide else ())}
    missing = [name for name, column in known.items() if column.required and name not in given]
    if missing:
        raise UnreadableFileError(f"{file} has no column {', '.join(missing)}; {_advice(headers, known)}")
    return places, tuple(ignored)


OTHERS: Final = {
    "enquiry_id": "enquiries: fleet quote FILE",
    "trial": "a gauge study: fleet gauge FILE",
    "sheet_no": "bench sheets: fleet intake FILE",
}
"""A column that tells a file of another kind, with the command that takes it."""


def _advice(headers: list[str], known: Mapping[str, Column]) -> str:
    there = [name for name in OTHERS if name in headers and not (name in known and known[name].required)]
    if there:
        return f"it looks like {OTHERS[there[0]]}"
    if len(headers) == 1 and any(mark in headers[0] for mark in ";\t|"):
        return "its fields don't seem to be separated by commas: a reading guide can say by what."
    return "the first row must hold the column names; other names need a reading guide."

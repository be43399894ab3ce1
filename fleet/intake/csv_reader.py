"""CSV as it really comes: exact line numbers, and a broken row never takes its neighbours with it.

A bench sheet has no line breaks inside a cell, but a remark (which is not kept) may. So a line with an open
quotation mark is joined with the lines after it only if that gives one whole row and swallows no other;
otherwise that one line is put aside and reading goes on at the next.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import IO, Any, cast

import numpy as np
import pyarrow as pa

from fleet.columns import Column
from fleet.errors import FleetError
from fleet.intake.faults import Fault
from fleet.intake.table import SheetTable, match_headers

_CHUNK_CHARACTERS = 1 << 22
_LONGEST_RECORD_LINES = 50
_LONGEST_CELL = 100_000

_NOT_TEXT = "holds bytes that are not {encoding} text"
_OPEN_QUOTE = "has a quotation mark that is never closed, or text after a closing one"


def read_csv(
    stream: IO[bytes],
    file: str,
    known: Mapping[str, Column],
    *,
    delimiter: str = ",",
    encoding: str = "utf-8",
) -> SheetTable:
    """Read the known columns of a CSV stream as text.

    Parameters
    ----------
    stream : the file's bytes, at their start.
    file : its name, for faults.
    known : the catalogue of columns to look for.
    delimiter : what stands between fields.
    encoding : how characters are written; a byte-order mark is skipped.

    Raises
    ------
    FleetError
        If there is no header row, it isn't text, or a required column is missing.
    """
    csv.field_size_limit(_LONGEST_CELL)
    text = io.TextIOWrapper(
        cast(Any, stream),
        encoding="utf-8-sig" if encoding == "utf-8" else encoding,
        errors="surrogateescape",
        newline="",
    )
    reader = _Reader(_Lines(text), file, delimiter, encoding)
    header = reader.header()
    places, ignored = match_headers(header, known, file)
    rows = _Rows(places, len(header))
    for first_line, lines, final in reader.lines.chunks():
        reader.take(first_line, lines, rows, final=final)
    text.detach()
    return SheetTable(
        file=file,
        lines=np.concatenate([*rows.lines, np.empty(0, np.int64)]),
        columns={name: pa.chunked_array(chunks, pa.string()) for name, chunks in rows.cells.items()},
        broken=tuple(reader.broken),
        blank_rows=reader.blank_rows,
        ignored=ignored,
    )


class _Lines:
    """Physical lines in chunks; a chunk's unfinished tail can be handed back to start the next one."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        self.text = text
        self.number = 1
        self.tail: list[str] = []

    def one(self) -> str:
        line = self.text.readline()
        self.number += 1
        return line

    def chunks(self) -> Iterator[tuple[int, list[str], bool]]:
        """Pairs of (number of the first line, lines), and whether nothing comes after them."""
        while True:
            fresh = self.text.readlines(_CHUNK_CHARACTERS)
            first = self.number - len(self.tail)
            lines, self.tail = self.tail + fresh, []
            self.number += len(fresh)
            if lines:
                yield first, lines, not fresh
            if not fresh:
                return


@dataclass
class _Rows:
    """Cells gathered by column, chunk after chunk."""

    places: dict[str, int]
    width: int
    lines: list[np.ndarray] = field(default_factory=list)
    cells: dict[str, list[pa.Array]] = field(init=False)

    def __post_init__(self) -> None:
        self.cells = {name: [] for name in self.places}

    def add(self, lines: list[int], rows: list[list[str]]) -> None:
        if not rows:
            return
        self.lines.append(np.array(lines, dtype=np.int64))
        by_column = list(zip(*rows, strict=True))
        for name, place in self.places.items():
            self.cells[name].append(pa.array(by_column[place], pa.string()))


class _Reader:
    def __init__(self, lines: _Lines, file: str, delimiter: str, encoding: str) -> None:
        self.lines = lines
        self.file = file
        self.delimiter = delimiter
        self.encoding = encoding
        self.broken: list[Fault] = []
        self.blank_rows = 0

    def header(self) -> list[str]:
        """The first line with any content, as fields."""
        while True:
            line = self.lines.one()
            if not line:
                raise FleetError(f"{self.file} is empty; the first row must hold the column names.")
            if not _is_text(line):
                reason = _NOT_TEXT.format(encoding=self.encoding.upper())
                raise FleetError(f"{self.file} line {self.lines.number - 1} {reason}; save it as UTF-8.")
            try:
                fields = self._parse([line])
            except csv.Error as error:
                raise FleetError(f"{self.file}: the row of column names {_OPEN_QUOTE}.") from error
            if any(name.strip() for name in fields):
                return fields

    def _parse(self, lines: list[str]) -> list[str]:
        rows = list(csv.reader(lines, delimiter=self.delimiter, strict=True))
        if len(rows) != 1:
            raise csv.Error("not one record")
        return rows[0]

    def _break(self, line: int, reason: str) -> None:
        self.broken.append(Fault(self.file, line, "", "", reason))

    def take(self, first_line: int, lines: list[str], rows: _Rows, *, final: bool) -> None:
        """Split a chunk of physical lines into rows."""
        quoted = any('"' in line for line in lines)
        plain = not quoted or all(line.count('"') % 2 == 0 for line in lines)
        if plain and (all(map(str.isascii, lines)) or all(map(_is_text, lines))):
            try:
                records = list(csv.reader(lines, delimiter=self.delimiter, strict=True))
            except csv.Error:
                records = []
            if len(records) == len(lines):
                self._keep(list(range(first_line, first_line + len(lines))), records, rows)
                return
        self._take_slowly(first_line, lines, rows, final=final)

    def _keep(self, numbers: list[int], records: list[list[str]], rows: _Rows) -> None:
        """Keep the rows that have the header's width; name the others."""
        width = rows.width
        if all(len(record) == width and any(record) for record in records):
            rows.add(numbers, records)
            return
        kept_numbers, kept = [], []
        for number, record in zip(numbers, records, strict=True):
            if not any(cell.strip() for cell in record):
                self.blank_rows += 1
            elif len(record) == width or (len(record) > width and not any(record[width:])):
                kept_numbers.append(number)
                kept.append(record[:width])
            else:
                self._break(number, f"has {len(record)} fields where the header has {width}")
        rows.add(kept_numbers, kept)

    def _take_slowly(self, first_line: int, lines: list[str], rows: _Rows, *, final: bool) -> None:
        numbers, records = [], []
        at = 0
        while at < len(lines):
            if not _is_text(lines[at]):
                self._break(first_line + at, _NOT_TEXT.format(encoding=self.encoding.upper()))
                at += 1
                continue
            span = _balanced(lines, at)
            if span is None and not final and len(lines) - at < _LONGEST_RECORD_LINES:
                break  # the record may go on in the next chunk
            record = self._record(lines[at : at + (span or 1)], rows.width)
            if record is None:
                self._break(first_line + at, _OPEN_QUOTE)
                at += 1
            else:
                numbers.append(first_line + at)
                records.append(record)
                at += span or 1
        self._keep(numbers, records, rows)
        self.lines.tail = lines[at:]

    def _record(self, lines: list[str], width: int) -> list[str] | None:
        swallowed = any(line.count(self.delimiter) >= width - 1 for line in lines[1:])
        if swallowed or not all(map(_is_text, lines)):
            return None
        try:
            record = self._parse(lines)
        except csv.Error:
            return None
        return None if len(lines) > 1 and len(record) != width else record


def _is_text(line: str) -> bool:
    """Whether every byte of the line could be decoded."""
    try:
        line.encode()
    except UnicodeEncodeError:
        return False
    return True


def _balanced(lines: list[str], at: int) -> int | None:
    """How many lines from `at` on make an even number of quotation marks, None if no few do."""
    marks = 0
    for span, line in enumerate(lines[at : at + _LONGEST_RECORD_LINES], start=1):
        marks += line.count('"')
        if marks % 2 == 0:
            return span
    return None

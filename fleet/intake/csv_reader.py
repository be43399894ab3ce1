"""CSV as it really comes: exact line numbers, and a broken row never takes its neighbours with it.

A bench sheet has no line breaks inside a cell, but a remark (which is not kept) may. So a line with an open
quotation mark is joined with the lines after it only if that gives one whole row and swallows no other;
otherwise that one line is put aside and reading goes on at the next.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field, replace
from typing import IO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from fleet.columns import Column
from fleet.errors import UnreadableFileError
from fleet.files.chunks import Chunk, Chunks, as_utf8
from fleet.intake.faults import Fault
from fleet.intake.guides.guide import Guide
from fleet.intake.guides.layout import (
    MOST_ROWS_ABOVE,
    find_header,
    first_word,
    full_names,
    further_tables,
    join_rows,
    names_again,
)
from fleet.intake.table import ABOVE, AGAIN, OTHER, SheetTable, fits, match_headers

_LONGEST_RECORD_LINES = 50
_LONGEST_CELL = 100_000

_NOT_TEXT = "holds bytes that are not {encoding} text"
_OPEN_QUOTE = "has a quotation mark that is never closed, or text after a closing one"


def read_csv(
    stream: IO[bytes],
    file: str,
    known: Mapping[str, Column],
    guide: Guide | None = None,
) -> list[SheetTable]:
    """Read the known columns of a CSV stream as text.

    Parameters
    ----------
    stream : the file's bytes, at their start.
    file : its name, for faults.
    known : the catalogue of columns to look for.
    guide : how the bench writes its files; UTF-8 with commas if None. A byte-order mark is skipped.

    Raises
    ------
    UnreadableFileError
        If there is no header row, it isn't text, or a required column is missing.
    """
    csv.field_size_limit(_LONGEST_CELL)
    delimiter, encoding = (guide.delimiter, guide.encoding) if guide else (",", "utf-8")
    chunks = Chunks(as_utf8(stream, encoding), file)
    heights = (guide.header_rows,) if guide else (1,)

    def find(rows: list[list[str]]) -> tuple[int, int] | None:
        return find_header(rows, lambda names: fits(names, known, guide), heights)

    def reader_of(header: list[str]) -> _Reader:
        places, ignored = match_headers(header, known, file, guide)
        return _Reader(file, delimiter, encoding, places, len(header), ignored, guide.skip if guide else None)

    header, above = _header(chunks, file, delimiter, encoding, find)
    readers, passed = [reader_of(header)], Counter({ABOVE: above})
    reader: _Reader | None = readers[0]
    while (chunk := chunks.next()) is not None:
        lines = _lines(chunk.data) if guide else []
        at = _next_head(lines, delimiter, guide.names) if guide else None
        if guide and at == 0:
            rows = [_fields(line, delimiter) for line in lines[: guide.header_rows]]
            tall = further_tables(rows, guide.names, guide.header_rows)[0][1]
            header = full_names(join_rows(rows[:tall]), header)
            reader = reader_of(header) if fits(header, known, guide) else None
            readers += [reader] if reader else []
            passed[AGAIN] += tall
            chunks.line = chunk.first_line + tall
            chunks.hand_back(_bytes(lines[tall:]))
            continue
        if at is not None:
            chunks.hand_back(_bytes(lines[at:]))
            chunk = Chunk(chunk.first_line, _bytes(lines[:at]), final=True)
        if reader is not None:
            reader.take(chunk, chunks)
        else:
            other = _lines(chunk.data)
            passed[OTHER] += sum(any(map(str.strip, _fields(line, delimiter))) for line in other)
            chunks.line = chunk.first_line + len(other)
    first, *others = [reader.table for reader in readers]
    return [replace(first, passed={why: n for why, n in passed.items() if n}), *others]


def _next_head(lines: list[str], delimiter: str, names: Set[str]) -> int | None:
    """The first line in which column names stand again."""
    for at, line in enumerate(lines):
        cells = [cell.strip(' "') for cell in line.strip("\r\n").lower().split(delimiter)]
        if names_again(cells, names):
            return at
    return None


def _header(
    chunks: Chunks,
    file: str,
    delimiter: str,
    encoding: str,
    find: Callable[[list[list[str]]], tuple[int, int] | None],
) -> tuple[list[str], int]:
    """(the header's fields, filled lines above it); what follows is handed back.

    It is the first place that `find` finds among the first lines, else the first line with any content.
    """
    while (chunk := chunks.next()) is not None:
        lines = _lines(chunk.data)
        for at, line in enumerate(lines):
            if not line.strip():
                continue
            rows = [_fields(text, delimiter) for text in lines[at : at + MOST_ROWS_ABOVE]]
            if (found := find(rows)) is not None:
                start, height = found
                end = at + start + height
                chunks.line = chunk.first_line + end
                chunks.hand_back(_bytes(lines[end:]))
                return join_rows(rows[start : start + height]), sum(any(row) for row in rows[:start])
            where = f"{file} line {chunk.first_line + at}"
            if not _is_text(line):
                raise UnreadableFileError(
                    f"{where} {_NOT_TEXT.format(encoding=encoding.upper())}; save it as UTF-8."
                )
            try:
                fields = _one_record([line], delimiter)
            except csv.Error as error:
                raise UnreadableFileError(f"{where}, the column names, {_OPEN_QUOTE}.") from error
            if any(name.strip() for name in fields):
                chunks.line = chunk.first_line + at + 1
                chunks.hand_back(_bytes(lines[at + 1 :]))
                return fields, 0
        chunks.line = chunk.first_line + len(lines)
    raise UnreadableFileError(f"{file} is empty; the first row must hold the column names.")


@dataclass
class _Rows:
    """Cells gathered by column, chunk after chunk."""

    places: dict[str, int]
    width: int
    lines: list[npt.NDArray[np.int64]] = field(default_factory=list)
    cells: dict[str, list[pa.Array]] = field(init=False)

    def __post_init__(self) -> None:
        self.cells = {name: [] for name in self.places}

    def add(self, lines: list[int], records: list[list[str]]) -> None:
        if not records:
            return
        self.lines.append(np.array(lines, dtype=np.int64))
        by_column = list(zip(*records, strict=True))
        for name, place in self.places.items():
            self.cells[name].append(pa.array(by_column[place], pa.string()))

    def add_table(self, first_line: int, table: pa.Table) -> None:
        self.lines.append(np.arange(first_line, first_line + table.num_rows, dtype=np.int64))
        for name, place in self.places.items():
            self.cells[name] += table.column(str(place)).chunks


class _Reader:
    """Turns chunks into rows: fast where a chunk is clean, line by line where it isn't."""

    def __init__(
        self,
        file: str,
        delimiter: str,
        encoding: str,
        places: dict[str, int],
        width: int,
        ignored: tuple[str, ...],
        sums: tuple[str, ...] | None,
    ) -> None:
        self.file = file
        self.delimiter = delimiter
        self.ignored = ignored
        self.sums = sums
        self.rows = _Rows(places, width)
        self.broken: list[Fault] = []
        self.blank_rows = 0
        self._not_text = _NOT_TEXT.format(encoding=encoding.upper())

    @property
    def table(self) -> SheetTable:
        """What was read."""
        return SheetTable(
            file=self.file,
            lines=np.concatenate([*self.rows.lines, np.empty(0, np.int64)]),
            columns={name: pa.chunked_array(cells, pa.string()) for name, cells in self.rows.cells.items()},
            broken=tuple(sorted(self.broken, key=lambda fault: fault.line)),
            blank_rows=self.blank_rows,
            ignored=self.ignored,
        )

    def take(self, chunk: Chunk, chunks: Chunks) -> None:
        """Read a chunk's rows, count its lines, hand back a record that may go on in the next chunk."""
        n_lines = self._take_fast(chunk)
        if n_lines is None:
            n_lines = self._take_lines(chunk, chunks)
        chunks.line = chunk.first_line + n_lines

    def _take_fast(self, chunk: Chunk) -> int | None:
        """Read a chunk with one clean row on each line; the number of lines, or None if it isn't so."""
        data = chunk.data
        if b'"' in data or b"\0" in data or data.count(b"\r") != data.count(b"\r\n") or not _isas_utf8(data):
            return None
        n_lines = data.count(b"\n") + (not data.endswith(b"\n"))
        names = [str(place) for place in range(self.rows.width)]
        wanted = list(dict.fromkeys(map(str, self.rows.places.values())))
        try:
            table = arrow_csv.read_csv(
                pa.py_buffer(data),
                read_options=arrow_csv.ReadOptions(column_names=names, block_size=len(data) + 1),
                parse_options=arrow_csv.ParseOptions(
                    delimiter=self.delimiter, quote_char=False, ignore_empty_lines=False
                ),
                convert_options=arrow_csv.ConvertOptions(
                    include_columns=wanted, column_types=dict.fromkeys(names, pa.string()), null_values=[]
                ),
            )
        except pa.ArrowInvalid:
            return None
        probe = pc.utf8_trim_whitespace(table.column(wanted[0]))
        if table.num_rows != n_lines or self.rows.width == 1 or pc.any(pc.equal(probe, "")).as_py():
            return None  # something other than one row a line, or perhaps a blank row
        self.rows.add_table(chunk.first_line, table)
        return n_lines

    def _take_lines(self, chunk: Chunk, chunks: Chunks) -> int:
        lines = _lines(chunk.data)
        if all(line.count('"') % 2 == 0 for line in lines) and all(map(_is_text, lines)):
            try:
                records = list(csv.reader(lines, delimiter=self.delimiter, strict=True))
            except csv.Error:
                records = []
            if len(records) == len(lines):
                self._keep(list(range(chunk.first_line, chunk.first_line + len(lines))), records)
                return len(lines)
        return self._take_slowly(chunk, lines, chunks)

    def _take_slowly(self, chunk: Chunk, lines: list[str], chunks: Chunks) -> int:
        numbers: list[int] = []
        records: list[list[str]] = []
        at = 0
        while at < len(lines):
            if not _is_text(lines[at]):
                self._break(chunk.first_line + at, self._not_text)
                at += 1
                continue
            record, span = self._record(lines[at : at + 1]), 1
            if record is None:
                span = _balanced(lines, at)
                if span == 0 and not chunk.final and len(lines) - at < _LONGEST_RECORD_LINES:
                    chunks.hand_back(_bytes(lines[at:]))
                    break
                record = self._record(lines[at : at + span]) if span > 1 else None
            if record is None:
                self._break(chunk.first_line + at, _OPEN_QUOTE)
                at += 1
            else:
                numbers.append(chunk.first_line + at)
                records.append(record)
                at += span
        self._keep(numbers, records)
        return at

    def _record(self, lines: list[str]) -> list[str] | None:
        width = self.rows.width
        swallowed = any(line.count(self.delimiter) >= width - 1 for line in lines[1:])
        if swallowed or not all(map(_is_text, lines)):
            return None
        try:
            record = _one_record(lines, self.delimiter)
        except csv.Error:
            return None
        return None if len(lines) > 1 and len(record) != width else record

    def _keep(self, numbers: list[int], records: list[list[str]]) -> None:
        """Keep the rows that have the header's width; name the others."""
        width = self.rows.width
        kept_numbers, kept = [], []
        for number, record in zip(numbers, records, strict=True):
            if not any(cell.strip() for cell in record):
                self.blank_rows += 1
            elif len(record) == width or (len(record) > width and not any(record[width:])):
                kept_numbers.append(number)
                kept.append(record[:width])
            elif self._sums_up(record):
                kept_numbers.append(number)
                kept.append(record + [""] * (width - len(record)))
            else:
                self._break(number, f"has {len(record)} fields where the header has {width}")
        self.rows.add(kept_numbers, kept)

    def _sums_up(self, record: list[str]) -> bool:
        """Whether a row that ends early holds a title alone, or is one that a guide says to pass over."""
        told = [cell for cell in record if cell.strip()]
        early = self.sums is not None and len(record) < self.rows.width
        return early and (len(told) == 1 or first_word(record) in (self.sums or ()))

    def _break(self, line: int, reason: str) -> None:
        self.broken.append(Fault(self.file, line, "", "", reason))


def _lines(data: bytes) -> list[str]:
    """Physical lines with their ends, whichever of the three kinds they have."""
    return io.StringIO(data.decode(errors="surrogateescape"), newline="").readlines()


def _isas_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode()
    except UnicodeDecodeError:
        return False
    return True


def _bytes(lines: list[str]) -> bytes:
    return "".join(lines).encode(errors="surrogateescape")


def _is_text(line: str) -> bool:
    """Whether every byte of the line could be decoded."""
    try:
        line.encode()
    except UnicodeEncodeError:
        return False
    return True


def _fields(line: str, delimiter: str) -> list[str]:
    """A line's fields, none where it is no whole record."""
    try:
        return _one_record([line], delimiter) if line.strip() and _is_text(line) else []
    except csv.Error:
        return []


def _one_record(lines: list[str], delimiter: str) -> list[str]:
    records = list(csv.reader(lines, delimiter=delimiter, strict=True))
    if len(records) != 1:
        raise csv.Error("not one record")
    return records[0]


def _balanced(lines: list[str], at: int) -> int:
    """How many lines from `at` on make an even number of quotation marks, 0 if no few do."""
    marks = 0
    for span, line in enumerate(lines[at : at + _LONGEST_RECORD_LINES], start=1):
        marks += line.count('"')
        if marks % 2 == 0:
            return span
    return 0

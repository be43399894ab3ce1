"""CSV as it really comes: exact line numbers, and a broken row never takes its neighbours with it.

A bench sheet has no line breaks inside a cell, but a remark (which is not kept) may. So a line with an open
quotation mark is joined with the lines after it only if that gives one whole row and swallows no other;
otherwise that one line is put aside and reading goes on at the next.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import IO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from fleet.columns import Column
from fleet.errors import UnreadableFileError
from fleet.intake.faults import Fault
from fleet.intake.guides.guide import Guide
from fleet.intake.guides.layout import MOST_ROWS_ABOVE, find_header, join_rows
from fleet.intake.table import ABOVE, SheetTable, fits, match_headers

_CHUNK_BYTES = 1 << 23
_LONGEST_LINE_BYTES = 4 * _CHUNK_BYTES
_LONGEST_RECORD_LINES = 50
_LONGEST_CELL = 100_000

_NOT_TEXT = "holds bytes that are not {encoding} text"
_OPEN_QUOTE = "has a quotation mark that is never closed, or text after a closing one"


def read_csv(
    stream: IO[bytes],
    file: str,
    known: Mapping[str, Column],
    guide: Guide | None = None,
) -> SheetTable:
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
    chunks = _Chunks(_utf8(stream, encoding), file)
    heights = (guide.header_rows,) if guide else (1,)

    def find(rows: list[list[str]]) -> tuple[int, int] | None:
        return find_header(rows, lambda names: fits(names, known, guide), heights)

    header, above = _header(chunks, file, delimiter, encoding, find)
    places, ignored = match_headers(header, known, file, guide)
    reader = _Reader(file, delimiter, encoding, places, len(header))
    while (chunk := chunks.next()) is not None:
        reader.take(chunk, chunks)
    rows = reader.rows
    return SheetTable(
        file=file,
        lines=np.concatenate([*rows.lines, np.empty(0, np.int64)]),
        columns={name: pa.chunked_array(cells, pa.string()) for name, cells in rows.cells.items()},
        broken=tuple(sorted(reader.broken, key=lambda fault: fault.line)),
        blank_rows=reader.blank_rows,
        ignored=ignored,
        passed={ABOVE: above} if above else {},
    )


def _utf8(stream: IO[bytes], encoding: str) -> Iterator[bytes]:
    """The stream as UTF-8; bytes that are no text of the encoding stay as they are, so they are found."""
    if codecs.lookup(encoding).name == "utf-8":
        first = stream.read(_CHUNK_BYTES).removeprefix(codecs.BOM_UTF8)
        while first:
            yield first
            first = stream.read(_CHUNK_BYTES)
        return
    decoder = codecs.getincrementaldecoder(encoding)(errors="surrogateescape")
    while raw := stream.read(_CHUNK_BYTES):
        yield decoder.decode(raw).encode(errors="surrogateescape")
    yield decoder.decode(b"", final=True).encode(errors="surrogateescape")


@dataclass(frozen=True)
class _Chunk:
    """Whole lines, the number of the first, and whether nothing comes after them."""

    first_line: int
    data: bytes
    final: bool


class _Chunks:
    """Cuts a stream into chunks of whole lines; an unfinished tail can be handed back."""

    def __init__(self, stream: Iterator[bytes], file: str) -> None:
        self._stream = stream
        self._file = file
        self._rest = b""
        self._done = False
        self.line = 1

    def hand_back(self, tail: bytes) -> None:
        """Put lines back in front of what comes next."""
        self._rest = tail + self._rest

    def next(self) -> _Chunk | None:
        """The next chunk; its lines are counted by whoever takes it, in `line`."""
        pieces = [self._rest]
        while not self._done:
            if sum(map(len, pieces)) > _LONGEST_LINE_BYTES:
                raise UnreadableFileError(
                    f"{self._file} line {self.line} is longer than {_LONGEST_LINE_BYTES >> 20} MB: "
                    "is it a table of text?"
                )
            piece = next(self._stream, None)
            if piece is None:
                self._done = True
                break
            pieces.append(piece)
            if b"\n" in piece:
                break
        data = b"".join(pieces)
        end = len(data) if self._done else data.rfind(b"\n") + 1
        self._rest = data[end:]
        return _Chunk(self.line, data[:end], self._done) if data else None


def _header(
    chunks: _Chunks,
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

    def __init__(self, file: str, delimiter: str, encoding: str, places: dict[str, int], width: int) -> None:
        self.file = file
        self.delimiter = delimiter
        self.rows = _Rows(places, width)
        self.broken: list[Fault] = []
        self.blank_rows = 0
        self._not_text = _NOT_TEXT.format(encoding=encoding.upper())

    def take(self, chunk: _Chunk, chunks: _Chunks) -> None:
        """Read a chunk's rows, count its lines, hand back a record that may go on in the next chunk."""
        n_lines = self._take_fast(chunk)
        if n_lines is None:
            n_lines = self._take_lines(chunk, chunks)
        chunks.line = chunk.first_line + n_lines

    def _take_fast(self, chunk: _Chunk) -> int | None:
        """Read a chunk with one clean row on each line; the number of lines, or None if it isn't so."""
        data = chunk.data
        if b'"' in data or b"\0" in data or data.count(b"\r") != data.count(b"\r\n") or not _is_utf8(data):
            return None
        n_lines = data.count(b"\n") + (not data.endswith(b"\n"))
        names = [str(place) for place in range(self.rows.width)]
        wanted = [str(place) for place in self.rows.places.values()]
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

    def _take_lines(self, chunk: _Chunk, chunks: _Chunks) -> int:
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

    def _take_slowly(self, chunk: _Chunk, lines: list[str], chunks: _Chunks) -> int:
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
            else:
                self._break(number, f"has {len(record)} fields where the header has {width}")
        self.rows.add(kept_numbers, kept)

    def _break(self, line: int, reason: str) -> None:
        self.broken.append(Fault(self.file, line, "", "", reason))


def _lines(data: bytes) -> list[str]:
    """Physical lines with their ends, whichever of the three kinds they have."""
    return io.StringIO(data.decode(errors="surrogateescape"), newline="").readlines()


def _is_utf8(data: bytes) -> bool:
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

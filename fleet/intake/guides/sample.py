"""The first rows of a file whose way of writing isn't known yet, and where its table stands in them."""

from __future__ import annotations

import codecs
import csv
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import zip_longest
from pathlib import Path
from typing import Final

from fleet.columns import COLUMNS
from fleet.errors import UnreadableFileError
from fleet.intake import columnar
from fleet.intake.columnar import TypedNumber
from fleet.intake.guides.guide import DELIMITERS
from fleet.intake.guides.headers import meanings, names_a_unit, says_when
from fleet.intake.guides.layout import (
    MOST_HEADER_ROWS,
    MOST_ROWS_ABOVE,
    first_word,
    full_names,
    further_tables,
    join_rows,
    key,
    names_again,
    names_of,
)
from fleet.intake.guides.spellings import TOTALS

_SAMPLE_BYTES = 1 << 20
_SAMPLE_ROWS = 2000
_LONGEST_HEADER: Final = 80
_LEAST_UPPER: Final = 2
_WHEN: Final = 0.1
_MOST_COLUMNS: Final = 200
"""Columns by which a header row is told from others."""
REQUIRED: Final = frozenset(name for name, column in COLUMNS.items() if column.required)
"""Names without which a file isn't canonical."""
_FIGURES: Final = re.compile(r"[\s+\-−.,/:%°\d]+")


@dataclass(frozen=True)
class Sample:
    """Headers and first cells of a file.

    Attributes
    ----------
    headers : of each column, those of several rows joined into one.
    cells : trimmed cells of each column, at most some 2 000; rows that sum others up are left out.
    delimiter, encoding : how a CSV seems to be written.
    header_rows : rows that the headers stand in.
    skip : first words of the rows left out.
    partial : headers that not every table of the file has.
    last : what the last header row alone says of each column.
    """

    headers: list[str]
    cells: list[list[str]]
    delimiter: str
    encoding: str
    header_rows: int = 1
    skip: tuple[str, ...] = ()
    partial: frozenset[str] = frozenset()
    last: tuple[str, ...] = ()


def take(path: Path | str) -> Sample:
    """Read the first rows of a CSV, workbook or Parquet file; errors as in `read_sheets`."""
    from fleet.intake.reader import open_file

    with open_file(path) as (file, kind):
        name = Path(path).name
        if kind == "csv":
            return _from_csv(file.read(_SAMPLE_BYTES), name)
        if kind == "parquet":
            return _columns([columnar.first_rows(file, name, _SAMPLE_ROWS)], name, ",", "utf-8")
        pages = [page.rows[: _SAMPLE_ROWS + MOST_ROWS_ABOVE] for page in columnar.book_pages(file, name)]
    return _columns(pages, name, ",", "utf-8")


def _from_csv(data: bytes, name: str) -> Sample:
    encoding = _encoding(data)
    text = data.decode(encoding, errors="replace").removeprefix("\ufeff")
    lines = text.splitlines()
    if len(data) == _SAMPLE_BYTES:
        lines = lines[:-1]  # the last one may be cut
    lines = [line for line in lines if line.strip()][: _SAMPLE_ROWS + MOST_ROWS_ABOVE]
    if not lines:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    delimiter = _delimiter(lines)
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
    except csv.Error as error:
        raise UnreadableFileError(
            f"{name} cannot be read as a table of cells; look at its quotation marks."
        ) from error
    return _columns([rows], name, delimiter, encoding)


def _columns(pages: Sequence[list[list[str]]], name: str, delimiter: str, encoding: str) -> Sample:
    """The table whose headers say most, and every other one that has most of its headers."""
    filled = [[row for row in rows if any(cell.strip() for cell in row)] for rows in pages]
    filled = [rows for rows in filled if rows]
    if not filled:
        raise UnreadableFileError(f"{name} is empty; the first row must hold the column names.")
    windows = [_best_window(rows) for rows in filled]
    best = max(range(len(filled)), key=lambda i: windows[i][0])
    rows, (_, start, height) = filled[best], windows[best]
    headers = join_rows(rows[start : start + height])
    names = names_of(headers)
    needed = {key(header) for header in headers if _said(header)[0] in REQUIRED}
    tables = {(best, start): (headers, rows[start : start + height])}
    for i, page in enumerate(filled):
        before = headers
        for top, tall in further_tables(page, names, height):
            before = full_names(join_rows(page[top : top + tall]), before)
            if needed <= set(map(key, before)):
                tables.setdefault((i, top), (before, page[top : top + tall]))
    every = {key(header): header for names, _ in reversed(tables.values()) for header in names if header}
    shown = [*headers, *(header for name, header in every.items() if name not in set(map(key, headers)))]
    cells: list[list[str]] = [[] for _ in shown]
    last = [""] * len(shown)
    skip: dict[str, None] = {}
    for (i, top), (names_here, window) in tables.items():
        at = {key(header): place for place, header in enumerate(names_here) if header}
        places = [at.get(key(header)) if header else None for header in shown]
        places[: len(headers)] = range(len(headers)) if names_here is headers else places[: len(headers)]
        below = filled[i][top + len(window) :]
        body = below[: next((n for n, row in enumerate(below) if names_again(row, names)), None)]
        whole = [row for row in body if len(row) <= len(names_here) or not any(row[len(names_here) :])]
        skip |= dict.fromkeys(word for row in whole if (word := first_word(row)) in TOTALS)
        kept = [row for row in whole if first_word(row) not in TOTALS][:_SAMPLE_ROWS]
        for column, place in enumerate(places):
            cells[column] += [_cell(row, place) for row in kept]
            last[column] = last[column] or _cell(window[-1], place)
    partial = frozenset(
        header for header in shown if not all(key(header) in map(key, names) for names, _ in tables.values())
    )
    return Sample(shown, cells, delimiter, encoding, height, tuple(skip), partial, tuple(last))


def _cell(row: list[str], place: int | None) -> str:
    return _stripped(row[place]) if place is not None and place < len(row) else ""


def _stripped(cell: str) -> str:
    """The cell without blanks around it; a typed number has none."""
    return cell if isinstance(cell, TypedNumber) else cell.strip()


def _best_window(rows: list[list[str]]) -> tuple[float, int, int]:
    """(how much its headers say, first row, rows) of the place that looks most like column names."""
    best = (0.0, 0, 1)
    for start in range(min(len(rows), MOST_ROWS_ABOVE)):
        for height in range(1, MOST_HEADER_ROWS + 1):
            window = rows[start : start + height]
            if len(window) < height or not all(map(_may_be_names, window)):
                break
            if height > 1 and sum(bool(cell.strip()) for cell in rows[start]) < _LEAST_UPPER:
                break  # a title, not the upper of two header rows
            if height == 1 and set(map(str.strip, window[0])) >= REQUIRED:
                return float(len(window[0])), start, 1
            if height > 1 and not any(_best_of(row, row) for row in window):
                continue  # rows that say nothing say nothing together
            units = height > 1 and _only_units(window[-1])
            said = (
                sum(_best_of(join_rows(window), window[-1]).values())
                + 0.01 * units
                - 0.02 * (height - 1) * (not units)
            )
            if said > best[0]:
                best = (said, start, height)
    return best


def _may_be_names(row: list[str]) -> bool:
    told = [cell for cell in row if cell.strip()]
    figures = sum(bool(_FIGURES.fullmatch(cell)) and not cell.isspace() for cell in told)
    return bool(told) and figures <= len(told) // 4 and all(len(cell) <= _LONGEST_HEADER for cell in told)


def _only_units(row: list[str]) -> bool:
    told = [cell.strip() for cell in row if cell.strip()]
    return bool(told) and all(names_a_unit(cell) for cell in told)


def _best_of(headers: list[str], last: list[str]) -> dict[str, float]:
    out: dict[str, float] = {}
    both = zip_longest(headers[:_MOST_COLUMNS], last[:_MOST_COLUMNS], fillvalue="")
    for header, alone in both:
        to, named = max(_said(header), _said(alone.strip()), key=lambda said: said[1])
        if says_when(header) and not says_when(alone):  # "after" must not be lost with an upper row
            to, named = _said(header)
            named += _WHEN
        if named:
            out[to] = max(out.get(to, 0.0), named)
    return out


@lru_cache(maxsize=20_000)
def _said(header: str) -> tuple[str, float]:
    found, _ = meanings(header) if header else ([], "")
    if not found:
        return "", 0.0
    best = found[0]
    return (f"{best.to} of {header.lower()}", 0.6) if best.open else (best.to, best.named)


def _encoding(data: bytes) -> str:
    if data[:2] in {codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE}:
        return "utf-16"
    for encoding in ("utf-8", "cp1252"):
        try:
            codecs.getincrementaldecoder(encoding)().decode(data)  # the end may be cut within a character
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def _delimiter(lines: list[str]) -> str:
    """The mark that splits most lines into the same number of fields, many of them."""

    def score(mark: str) -> float:
        counts = Counter(n for line in lines if (n := line.count(mark)))
        if not counts:
            return 0.0
        fields, times = counts.most_common(1)[0]
        return times / len(lines) * math.log1p(fields)

    return max(DELIMITERS, key=score)

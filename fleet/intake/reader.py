"""Files of bench sheets and enquiries as text: CSV, Parquet, XLSX, whatever the file really is."""

from __future__ import annotations

import gzip
import sys
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO

import pyarrow as pa
import pyarrow.compute as pc

from fleet.columns import COLUMNS, Column
from fleet.errors import UnreadableFileError
from fleet.files.door import RefusedError, open_ordinary
from fleet.files.packed import open_gzip, table_in_zip
from fleet.intake.csv_reader import read_csv
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import Guide
from fleet.intake.guides.layout import key
from fleet.intake.guides.spellings import DITTOS
from fleet.intake.table import PAGE, SheetTable

_PARQUET = b"PAR1"
_ZIP = b"PK\x03\x04"
_GZIP = b"\x1f\x8b"
_BOOKS = ("xlsx", "xlsm", "xls", "ods")
_OLD_BOOK = b"\xd0\xcf\x11\xe0"
TABLE_SUFFIXES = (".csv", ".json", ".ods", ".parquet", ".tsv", ".xls", ".xlsm", ".xlsx")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_sheets(path: Path | str, guide: Guide | None = None) -> SheetTable:
    """Read a file of bench sheets as text.

    Parameters
    ----------
    path : a CSV, workbook or Parquet file; `-` is CSV on standard input.
    guide : what the bench's own headers, units and words mean; canonical headers if None.

    Raises
    ------
    UnreadableFileError
        If there is nothing to read there, or it is no table of bench sheets.
    """
    table = read_table(path, COLUMNS, guide)
    if guide is None:
        return table
    table = _filled_down(_without_skipped(table, guide), guide)
    made = {rule.to: converter(rule, guide) for rule in guide.rules if rule.to in table.columns}
    fixed = {
        name: pa.chunked_array([pa.repeat(text, len(table.lines))], pa.string())
        for name, text in guide.constant.items()
        if name not in table.columns
    }
    own = {rule.to: rule.header for rule in guide.rules if key(rule.header) != rule.to}
    return replace(table, columns={**table.columns, **fixed}, converters=made, own=own)


def _without_skipped(table: SheetTable, guide: Guide) -> SheetTable:
    """Leave out rows that sum others up, repeat the column names, or hold nothing but a title."""
    if "sheet_no" not in table.columns or not len(table.lines):
        return table
    number = next((key(rule.header) for rule in guide.rules if rule.to == "sheet_no"), "sheet_no")
    first = pc.utf8_lower(pc.utf8_trim_whitespace(table.columns["sheet_no"]))
    word = pc.replace_substring_regex(first, pattern=r"[^\p{L}].*$", replacement="")
    alone = pc.not_equal(first, "")
    for name, text in table.columns.items():
        if name != "sheet_no":
            alone = pc.and_(alone, pc.equal(pc.fill_null(pc.utf8_trim_whitespace(text), ""), ""))
    passed = dict(table.passed)
    out = pa.chunked_array([pa.repeat(False, len(table.lines))])
    for why, wrong in (
        ("of sums", pc.is_in(word, pa.array(guide.skip, pa.string()))),
        ("repeating the column names", pc.equal(first, number.removesuffix(" (2)"))),
        ("with a title alone", alone),
    ):
        wrong = pc.and_(pc.fill_null(wrong, False), pc.invert(out))
        if n := pc.sum(wrong).as_py() or 0:
            passed[why] = passed.get(why, 0) + n
            out = pc.or_(out, wrong)
    if not pc.any(out).as_py():
        return table
    keep = pc.invert(out)
    return replace(
        table,
        lines=table.lines[keep.to_numpy()],
        columns={name: text.filter(keep) for name, text in table.columns.items()},
        passed=passed,
    )


def _filled_down(table: SheetTable, guide: Guide) -> SheetTable:
    """Write the cell above where the guide says that a mark, or an empty cell, stands for it."""
    columns = dict(table.columns)
    pages = table.lines // PAGE
    for rule in guide.rules:
        if not rule.ditto or rule.to not in columns:
            continue
        cells: list[str | None] = []
        for text, page, before in zip(columns[rule.to].to_pylist(), pages, [-1, *pages[:-1]], strict=True):
            told = (text or "").strip()
            above = cells[-1] if cells and page == before else None
            like = told.lower() in DITTOS or (not told and rule.ditto == "blanks")
            cells.append(above if like and above else text)
        columns[rule.to] = pa.chunked_array([pa.array(cells, pa.string())])
    return replace(table, columns=columns)


def read_table(path: Path | str, known: Mapping[str, Column], guide: Guide | None = None) -> SheetTable:
    """Read the known columns of a file as text; see `read_sheets`."""
    if str(path) == "-":
        return read_csv(sys.stdin.buffer, "standard input", known, guide)
    name = Path(path).name
    with open_file(path, any_encoding=guide is not None) as (file, kind):
        if kind == "csv":
            return read_csv(file, name, known, guide)
        from fleet.intake import columnar

        read = columnar.read_parquet if kind == "parquet" else columnar.read_xlsx
        return read(file, name, known, guide)


def files_in(paths: Iterable[Path | str]) -> list[Path]:
    """The files that are named, a folder standing for the tables in it, in order of name.

    Raises
    ------
    UnreadableFileError
        If a folder has none.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        if not path.is_dir():
            found.append(path)
            continue
        tables = sorted(entry for entry in path.iterdir() if _is_table(entry))
        if not tables:
            raise UnreadableFileError(f"there is no {', '.join(TABLE_SUFFIXES)} file in {path}.")
        found += tables
    return found


def passed_over(paths: Iterable[Path | str]) -> list[Path]:
    """What is in the folders that are named and isn't looked at."""
    return sorted(
        entry
        for folder in map(Path, paths)
        if folder.is_dir()
        for entry in folder.iterdir()
        if not _is_table(entry) and not entry.name.startswith(".")
    )


def _is_table(path: Path) -> bool:
    return path.is_file() and path.name.lower().removesuffix(".gz").endswith((*TABLE_SUFFIXES, ".zip"))


def _start(file: IO[bytes]) -> bytes:
    start = file.read(4)
    file.seek(0)
    return start


def _is_book(file: IO[bytes]) -> bool:
    """Whether a zip folder is a workbook, or so damaged that the reader of workbooks says why it isn't."""
    try:
        with zipfile.ZipFile(file) as packed:
            names = packed.namelist()
    except (zipfile.BadZipFile, OSError):
        return True
    finally:
        file.seek(0)
    return "mimetype" in names or any(name.startswith("xl/") for name in names)


def _unpacked(file: IO[bytes], name: str) -> tuple[IO[bytes], str]:
    """The table that lies packed in a file, and its name; the file itself if it isn't packed."""
    inside, told = file, name.lower()
    try:
        if _start(inside)[:2] == _GZIP:
            inside, told = open_gzip(file), told.removesuffix(".gz")
        if _start(inside) == _ZIP and not told.endswith(_BOOKS) and not _is_book(inside):
            inside, told = table_in_zip(inside, TABLE_SUFFIXES)
    except RefusedError as error:
        raise UnreadableFileError(f"{name} {str(error).removeprefix('it ')}.") from None
    return inside, told


@contextmanager
def open_file(path: Path | str, *, any_encoding: bool = True) -> Iterator[tuple[IO[bytes], str]]:
    """A file and what it really holds: `csv`, `parquet` or `xlsx` (a workbook of any kind, or JSON).

    A table that lies packed, by gzip or alone in a zip folder, is unpacked.

    Raises
    ------
    UnreadableFileError
        If there is no such file, it can't be read, or its name promises another kind than it holds.
    """
    path = Path(path)
    if "\0" in str(path):
        raise UnreadableFileError("there is no file of that name.")
    try:
        with open_ordinary(path) as file:
            inside, told = _unpacked(file, path.name)
            start, promised = _start(inside), Path(told).suffix.lower().removeprefix(".")
            kind = "parquet" if start == _PARQUET else "xlsx" if start in {_ZIP, _OLD_BOOK} else "csv"
            if kind == "csv" and promised == "json":
                kind = "xlsx"
            if kind == "csv" and promised in {"parquet", *_BOOKS}:
                raise UnreadableFileError(
                    f"{path.name} is not a {promised.upper()} file, whatever its name says."
                )
            if kind == "csv" and start[:2] in _UTF16 and not any_encoding:
                raise UnreadableFileError(f"{path.name} is written in UTF-16; save it as UTF-8.")
            yield inside, kind
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise UnreadableFileError(f"{path.name} is damaged: it can't be unpacked; pack it again.") from error
    except RefusedError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error} (- reads CSV from standard input)."
        ) from None
    except FileNotFoundError as error:
        raise UnreadableFileError(f"there is no file {path}.") from error
    except IsADirectoryError as error:
        raise UnreadableFileError(f"{path} is a folder; name the files in it.") from error
    except PermissionError as error:
        raise UnreadableFileError(f"{path} may not be read; check its rights.") from error
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {(error.strerror or 'input error').lower()}."
        ) from error

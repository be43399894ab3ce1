"""Files of bench sheets and enquiries as text: CSV, Parquet, XLSX, whatever the file really is."""

from __future__ import annotations

import gzip
import re
import sys
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from fleet.columns import COLUMNS, LEVEL, READINGS, Column
from fleet.errors import UnreadableFileError
from fleet.files.door import DAMAGED, RefusedError, open_ordinary
from fleet.files.packed import files_in_zip, open_gzip, table_in_zip
from fleet.files.working import passing_place, working_folder
from fleet.intake.csv_reader import read_csv
from fleet.intake.faults import Fault
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import ANY_OTHER, AS_MOUNTED, CHECK, NO_SHEET, ROW_KINDS, Guide
from fleet.intake.guides.layout import key, parts_of
from fleet.intake.guides.spellings import DITTOS, EMPTIES
from fleet.intake.table import OF_ROW, SheetTable, one_of, place_of

_FREQUENCY = "compliance_frequency_hz"
_OF_FREQUENCY = "compliance_um_per_mn"
_UNKNOWN = "unknown"
_SEVERAL = 3
_PARQUET = b"PAR1"
_ZIP = b"PK\x03\x04"
_GZIP = b"\x1f\x8b"
_BOOKS = ("xlsx", "xlsm", "xls", "ods")
_OLD_BOOK = b"\xd0\xcf\x11\xe0"
_JSON = ("json", "jsonl")
TABLE_SUFFIXES = (
    ".csv", ".json", ".jsonl", ".ods", ".parquet", ".tsv", ".xls", ".xlsm", ".xlsx",
)  # fmt: skip
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
    if guide is None:
        return read_table(path, COLUMNS)
    tables = [_filled_down(_without_skipped(table, guide), guide) for table in _tables(path, COLUMNS, guide)]
    table = _rows_told(_measured(one_of(tables)), guide)
    made = {rule.to: converter(rule, guide) for rule in guide.rules if rule.to in table.columns}
    fixed = {
        name: pa.chunked_array([pa.repeat(text, len(table.lines))], pa.string())
        for name, text in guide.constant.items()
        if name not in table.columns
    }
    if _FREQUENCY in fixed and _OF_FREQUENCY in table.columns:  # none where no compliance is told
        empty = next((rule.empty for rule in guide.rules if rule.to == _OF_FREQUENCY), ())
        told = pc.fill_null(pc.utf8_trim_whitespace(table.columns[_OF_FREQUENCY]), "")
        there = pc.invert(pc.is_in(told, pa.array(["", *empty], pa.string())))
        fixed[_FREQUENCY] = pc.if_else(there, fixed[_FREQUENCY], pa.scalar(None, pa.string()))
    own = {rule.to: rule.header for rule in guide.rules if key(rule.header) != rule.to}
    return replace(table, columns={**table.columns, **fixed}, converters=made, own=own)


def _rows_told(table: SheetTable, guide: Guide) -> SheetTable:
    """Heed what a cell says of its whole row, and put rows aside of which it says something unknown."""
    columns = {name: text for name, text in table.columns.items() if not name.startswith(OF_ROW)}
    kinds: list[set[str]] = [set() for _ in table.lines]
    headers = {key(rule.header) for rule in guide.rules}
    for header, words in guide.rows.items():
        text = table.columns.get(OF_ROW + key(header))
        if text is None:
            continue
        other = words.get(ANY_OTHER, "" if key(header) in headers else _UNKNOWN)
        for of_row, cell in zip(kinds, text.to_pylist(), strict=True):
            told = (cell or "").strip().lower()
            if told and told not in EMPTIES:
                of_row |= (
                    {words[told]} if told in words else {words.get(part, other) for part in parts_of(told)}
                )
    if not any(kinds):
        return replace(table, columns=columns)
    is_a = {kind: np.array([kind in of_row for of_row in kinds], bool) for kind in (*ROW_KINDS, _UNKNOWN)}
    blank = pa.chunked_array([pa.nulls(len(kinds), pa.string())])
    for name in set(LEVEL) & set(columns):
        columns[name] = pc.if_else(pa.chunked_array([is_a[AS_MOUNTED]]), blank, columns[name])
    check = pa.chunked_array([is_a[CHECK]])
    columns["purpose"] = pc.if_else(check, pa.scalar("reference"), columns.get("purpose", blank))
    passed = dict(table.passed)
    if n := int(is_a[NO_SHEET].sum()):
        passed["that the guide calls no sheets"] = n
    why = "a word of which the guide says nothing under [rows]; add it there"
    whole = replace(table, columns=columns, passed=passed)
    return _put_aside(_kept(whole, ~is_a[NO_SHEET]), is_a[_UNKNOWN][~is_a[NO_SHEET]], why)


def _measured(table: SheetTable) -> SheetTable:
    """Put rows aside in which nothing was measured, where most rows of the file have several readings."""
    told = np.zeros((len(table.lines), 0), bool)
    for name in set(READINGS) & set(table.columns):
        text = pc.fill_null(pc.utf8_lower(pc.utf8_trim_whitespace(table.columns[name])), "")
        there = pc.invert(pc.is_in(text, pa.array(["", *EMPTIES]))).to_numpy()
        told = np.column_stack([told, there])
    if not len(told) or np.count_nonzero(told.mean(axis=0) > 0.5) < _SEVERAL:
        return table
    return _put_aside(table, np.asarray(~told.any(axis=1)), "holds no reading: nothing was measured")


def _put_aside(table: SheetTable, wrong: npt.NDArray[np.bool_], why: str) -> SheetTable:
    faults = [Fault(*place_of(table.file, int(line)), "", "", why) for line in table.lines[wrong]]
    return replace(_kept(table, ~wrong), broken=(*table.broken, *faults)) if faults else table


def _kept(table: SheetTable, keep: npt.NDArray[np.bool_]) -> SheetTable:
    """The table's rows that are to be kept."""
    if keep.all():
        return table
    mask = pa.array(keep)
    columns = {name: text.filter(mask) for name, text in table.columns.items()}
    return replace(table, lines=table.lines[keep], columns=columns)


def _without_skipped(table: SheetTable, guide: Guide) -> SheetTable:
    """Leave out rows that sum others up, or hold nothing but a title."""
    if "sheet_no" not in table.columns or not len(table.lines):
        return table
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
        ("with a title alone", alone),
    ):
        wrong = pc.and_(pc.fill_null(wrong, False), pc.invert(out))
        if n := pc.sum(wrong).as_py() or 0:
            passed[why] = passed.get(why, 0) + n
            out = pc.or_(out, wrong)
    if not pc.any(out).as_py():
        return table
    return replace(_kept(table, ~out.to_numpy()), passed=passed)


def _filled_down(table: SheetTable, guide: Guide) -> SheetTable:
    """Write the cell above where the guide says that a mark, or an empty cell, stands for it."""
    columns = dict(table.columns)
    for rule in guide.rules:
        if not rule.ditto or rule.to not in columns:
            continue
        cells: list[str | None] = []
        for text in columns[rule.to].to_pylist():
            told = (text or "").strip()
            above = cells[-1] if cells else None
            like = told.lower() in DITTOS or (not told and rule.ditto == "blanks")
            cells.append(above if like and above else text)
        columns[rule.to] = pa.chunked_array([pa.array(cells, pa.string())])
    return replace(table, columns=columns)


def read_table(path: Path | str, known: Mapping[str, Column]) -> SheetTable:
    """Read the known columns of a file as text; see `read_sheets`."""
    return one_of(_tables(path, known, None))


def _tables(path: Path | str, known: Mapping[str, Column], guide: Guide | None) -> list[SheetTable]:
    """Every table of a file as text."""
    if str(path) == "-":
        return read_csv(sys.stdin.buffer, "standard input", known, guide)
    name = Path(path).name
    with open_file(path, any_encoding=guide is not None) as (file, kind):
        if kind == "csv":
            return read_csv(file, name, known, guide)
        from fleet.intake import columnar

        read = columnar.read_parquet if kind == "parquet" else columnar.read_xlsx
        return read(file, name, known, guide)


@contextmanager
def files_in(paths: Iterable[Path | str]) -> Iterator[tuple[list[Path], list[str]]]:
    """(The files that are named, names of what isn't looked at.)

    A folder stands for the tables in it, in order of name, and so does a zip folder of several files; what it
    holds lies unpacked in a working folder meanwhile.

    Raises
    ------
    UnreadableFileError
        If a folder has no table.
    """
    files: list[Path] = []
    over: list[str] = []
    with ExitStack() as unpacked:
        for path in map(Path, paths):
            inside = sorted(path.iterdir()) if path.is_dir() else [path]
            tables = [entry for entry in inside if entry == path or _is_table(entry)]
            if not tables:
                raise UnreadableFileError(f"there is no {', '.join(TABLE_SUFFIXES)} file in {path}.")
            over += [e.name for e in inside if e not in tables and not e.name.startswith(".")]
            for table in tables:
                found, others = _out_of_zip(table, unpacked)
                files += found
                over += others
        yield files, over


def _out_of_zip(path: Path, unpacked: ExitStack) -> tuple[list[Path], list[str]]:
    """(The files of a zip folder of several, what else it holds); any other file as it is."""
    if path.suffix.lower() != ".zip":
        return [path], []
    try:
        with open_ordinary(path) as file:
            tables, others = ({}, []) if _is_book(file) else files_in_zip(file, TABLE_SUFFIXES)
        if not tables or len(tables) + len(others) == 1:
            return [path], []
        folder = unpacked.enter_context(working_folder(passing_place()))
        files = []
        for number, (name, content) in enumerate(tables.items()):
            plain = Path(re.sub(r"[^\w.]+", "-", f"{path.stem}-{name}"))
            files.append(folder / str(number) / f"{plain.stem[:60]}{plain.suffix}")
            files[-1].parent.mkdir()
            files[-1].write_bytes(content)
    except (OSError, RefusedError):
        return [path], []  # whoever reads it says what is wrong with it
    return files, [f"{path.name}/{name}" for name in others]


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
    except DAMAGED:
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
            if kind == "csv" and promised in _JSON:
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

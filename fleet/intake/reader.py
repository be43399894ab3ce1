"""Files of bench sheets and enquiries as text: CSV, Parquet, XLSX, whatever the file really is."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO

import pyarrow as pa

from fleet.columns import COLUMNS, Column
from fleet.errors import UnreadableFileError
from fleet.intake.csv_reader import read_csv
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import Guide
from fleet.intake.table import SheetTable

_PARQUET = b"PAR1"
_ZIP = b"PK\x03\x04"
TABLE_SUFFIXES = (".csv", ".parquet", ".xlsx")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_sheets(path: Path | str, guide: Guide | None = None) -> SheetTable:
    """Read a file of bench sheets as text.

    Parameters
    ----------
    path : a CSV, XLSX or Parquet file; `-` is CSV on standard input.
    guide : what the bench's own headers, units and words mean; canonical headers if None.

    Raises
    ------
    UnreadableFileError
        If there is nothing to read there, or it is no table of bench sheets.
    """
    table = read_table(path, COLUMNS, guide)
    if guide is None:
        return table
    made = {rule.to: converter(rule, guide) for rule in guide.rules if rule.to in table.columns}
    fixed = {
        name: pa.chunked_array([pa.repeat(text, len(table.lines))], pa.string())
        for name, text in guide.constant.items()
        if name not in table.columns
    }
    return replace(table, columns={**table.columns, **fixed}, converters=made)


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
        tables = sorted(entry for entry in path.iterdir() if entry.suffix.lower() in TABLE_SUFFIXES)
        if not tables:
            raise UnreadableFileError(f"there is no {', '.join(TABLE_SUFFIXES)} file in {path}.")
        found += tables
    return found


@contextmanager
def open_file(path: Path | str, *, any_encoding: bool = True) -> Iterator[tuple[IO[bytes], str]]:
    """A file and what it really holds: `csv`, `parquet` or `xlsx`.

    Raises
    ------
    UnreadableFileError
        If there is no such file, it can't be read, or its name promises another kind than it holds.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            start = file.read(4)
            file.seek(0)
            kind = "parquet" if start == _PARQUET else "xlsx" if start == _ZIP else "csv"
            promised = path.suffix.lower().removeprefix(".")
            if kind == "csv" and promised in {"parquet", "xlsx"}:
                raise UnreadableFileError(
                    f"{path.name} is not a {promised.upper()} file, whatever its name says."
                )
            if kind == "csv" and start[:2] in _UTF16 and not any_encoding:
                raise UnreadableFileError(f"{path.name} is written in UTF-16; save it as UTF-8.")
            yield file, kind
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

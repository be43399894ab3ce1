"""Files of bench sheets and enquiries as text: CSV, Parquet, XLSX, whatever the file really is."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError
from fleet.intake.csv_reader import read_csv
from fleet.intake.table import SheetTable

_PARQUET = b"PAR1"
_ZIP = b"PK\x03\x04"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_sheets(path: Path | str) -> SheetTable:
    """Read a file of bench sheets with canonical headers as text.

    Parameters
    ----------
    path : a CSV, XLSX or Parquet file; `-` is CSV on standard input.

    Raises
    ------
    FleetError
        If there is nothing to read there, or it is no table of bench sheets.
    """
    return read_table(path, COLUMNS)


def read_table(path: Path | str, known: Mapping[str, Column]) -> SheetTable:
    """Read the known columns of a file as text; see `read_sheets`."""
    if str(path) == "-":
        return read_csv(sys.stdin.buffer, "standard input", known)
    path = Path(path)
    try:
        with path.open("rb") as file:
            start = file.read(4)
            file.seek(0)
            if start == _PARQUET:
                from fleet.intake.columnar import read_parquet

                return read_parquet(file, path.name, known)
            if start == _ZIP:
                from fleet.intake.columnar import read_xlsx

                return read_xlsx(file, path.name, known)
            if start[:2] in _UTF16:
                raise FleetError(f"{path.name} is written in UTF-16; save it as UTF-8.")
            if path.suffix.lower() in {".parquet", ".xlsx"}:
                raise FleetError(
                    f"{path.name} is not a {path.suffix[1:].upper()} file, whatever its name says."
                )
            return read_csv(file, path.name, known)
    except FileNotFoundError as error:
        raise FleetError(f"there is no file {path}.") from error
    except IsADirectoryError as error:
        raise FleetError(f"{path} is a folder; name the files in it.") from error
    except PermissionError as error:
        raise FleetError(f"{path} may not be read; check its rights.") from error
    except OSError as error:
        raise FleetError(f"{path} cannot be read: {(error.strerror or 'input error').lower()}.") from error

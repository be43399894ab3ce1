"""Result tables into files that other programs read: CSV, XLSX, JSON, Parquet, or on standard output.

A file appears whole or not at all: it is written beside its place and moved there at the end.
"""

from __future__ import annotations

import re
import sys
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from fleet.errors import FleetError
from fleet.files.replacing import second_name, write_whole
from fleet.spreadsheet import defuse

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

STANDARD_OUTPUT: Final = "-"
KINDS: Final = (".csv", ".xlsx", ".json", ".parquet")
_UNPRINTABLE: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f]")
"""Control characters that a workbook can't hold."""
_NOT_IN_A_NAME: Final = re.compile(r"[\x00-\x1f\[\]:*?/\\']")
LONGEST_NAME: Final = 31
"""Letters of a sheet's name that a workbook holds."""
_LONGEST_HEAD: Final = 1 << 18
_BEGINNINGS: Final = {
    ".html": b'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<meta http-equiv="Cont',
    ".npz": b"PK\x03\x04",
    ".parquet": b"PAR1",
    ".pdf": b"%PDF",
    ".toml": b"# ",
    ".xlsx": b"PK\x03\x04",
}
"""How fleet's own files begin, by the ending of their name."""
replace_anything: Final[ContextVar[bool]] = ContextVar("replace_anything", default=False)
"""Whether a file that isn't fleet's own may be replaced (`--force`); it is kept beside all the same."""
standard_kind: Final[ContextVar[str]] = ContextVar("standard_kind", default=".csv")
"""As what a table goes to standard output: .csv, or .json (`--json`)."""
SIGNIFICANT_DIGITS: Final = 8
"""Digits of a figure in a CSV file: far more than any reading has, few enough to be read."""


def check_out(out: str | Path | None, *, option: str = "--out") -> None:
    """Refuse a destination that can't be written, before any work is done for it.

    Parameters
    ----------
    out : a file ending in one of `KINDS`, `-`, or None for nowhere.
    option : how the command line calls it.

    Raises
    ------
    FleetError
        If the ending is unknown or the folder isn't there.
    """
    if out is None or str(out) == STANDARD_OUTPUT:
        return
    path = Path(out)
    if path.suffix.lower() not in KINDS:
        raise FleetError(
            f"{option} {out}: what kind of file? End its name in {', '.join(KINDS)}, "
            "or give - for standard output."
        )
    if path.is_dir():
        raise FleetError(f"{option} {out}: that is a folder; name a file in it.")
    if not path.parent.is_dir():
        raise FleetError(f"{option} {out}: there is no folder {path.parent}; make it first.")
    if not replace_anything.get() and _holds_other_kind(path):
        raise _in_the_way(path, option)


def check_place(path: Path, kinds: Sequence[str], option: str) -> None:
    """Refuse a place for a file that is no table, before any work is done for it.

    Parameters
    ----------
    path : where it is to go.
    kinds : endings that its name may have, of those in `_BEGINNINGS`.
    option : what the command line calls it.

    Raises
    ------
    FleetError
        If the name ends otherwise, there is no such folder, or a file of another kind is in the way.
    """
    if path.suffix.lower() not in kinds:
        raise FleetError(f"{option} {path}: end the name in {' or '.join(kinds)}.")
    if path.is_dir() or not path.parent.is_dir():
        raise FleetError(f"{option} {path}: name a file in a folder that exists.")
    if not replace_anything.get() and not _is_own(path):
        raise _in_the_way(path, option)


def make_way(path: Path) -> Path | None:
    """Keep a file that isn't fleet's own under a second name, before another takes its first; that name."""
    if _is_own(path):
        return None
    try:
        return second_name(path, name_beside(path))
    except OSError as error:
        raise FleetError(f"cannot write {path}: {(error.strerror or 'no reason told').lower()}.") from error


def _is_own(path: Path) -> bool:
    """Whether nothing stands there but perhaps an earlier file of the kind that its name tells."""
    if not path.exists() or not path.stat().st_size:
        return True
    beginning = _BEGINNINGS[path.suffix.lower()]
    with path.open("rb") as file:
        return file.read(len(beginning)) == beginning


def write_frame(frame: pd.DataFrame, out: str | Path) -> Path | None:
    """Write a table to where `check_out` said it may go.

    Days are written YYYY-MM-DD; what is not known is empty (CSV) or null (JSON, Parquet). Text cells of a
    CSV that a spreadsheet would run are defused (`fleet.spreadsheet`), those of JSON and Parquet are not.
    An earlier table of the same columns is replaced. One that shares at least half of them is taken for an
    earlier result too, but kept beside; anything else is replaced only if `replace_anything` is set.

    Returns
    -------
    Where what stood there is kept now, None where nothing is.

    Raises
    ------
    FleetError
        If it can't be written, or another file is in the way.
    """
    check_out(out)
    if str(out) == STANDARD_OUTPUT:
        _write(frame, standard_kind.get(), sys.stdout.buffer)
        sys.stdout.flush()
        return None
    path = Path(out)
    other = _is_other_table(path, [str(name) for name in frame])
    kept = name_beside(path) if other else None
    return write_whole(path, lambda file: _write(frame, path.suffix.lower(), file), keep=kept)


def _is_other_table(path: Path, columns: list[str]) -> bool:
    """Whether something else than an earlier table of these columns stands there, that may be put aside."""
    if not path.exists() or not path.stat().st_size:
        return False
    old, new = set(_columns_of(path)), set(columns)
    if 2 * len(old & new) < len(old | new) and not replace_anything.get():
        raise _in_the_way(path, "")
    return old != new


def name_beside(path: Path) -> Path:
    """A free name to keep a file under that another replaces: `NAME.before.csv`, or with the next number."""
    number = 1
    while (kept := path.with_name(f"{path.stem}.before{number if number > 1 else ''}{path.suffix}")).exists():
        number += 1
    return kept


def _in_the_way(path: Path, option: str) -> FleetError:
    what = "a fleet store" if _is_database(path) else "another file, no earlier result of this kind"
    told = f"{option} {path}" if option else str(path)
    return FleetError(
        f"{told}: {what} is there already; choose another name, or add --force to take it (the old one "
        "is kept beside)."
    )


def _is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(12)[8:] == b"DUCK"


def _holds_other_kind(path: Path) -> bool:
    """Whether a file that isn't empty stands there and is none of the kind that its name tells."""
    try:
        if not path.exists() or not path.stat().st_size:
            return False
        return not _columns_of(path)
    except OSError:
        return False  # what can't be looked at is told when it is written


def _columns_of(path: Path) -> list[str]:
    """Column names of a table as `write_frame` writes it; none where it isn't one."""
    import csv
    import json

    kind = path.suffix.lower()
    with path.open("rb") as file:
        start = file.read(_LONGEST_HEAD)
    try:
        if kind == ".parquet":
            import pyarrow.parquet as pq

            return [str(name) for name in pq.read_schema(path).names]
        if kind == ".xlsx":
            return _first_row(path)
        text = start.decode("utf-8-sig", errors="strict" if len(start) < _LONGEST_HEAD else "ignore")
        if "\0" in text:
            return []
        if kind == ".json":
            return list(json.JSONDecoder().raw_decode(text[text.index("{") :])[0])
        return next(csv.reader(text.splitlines()[:1]), [])
    except (ValueError, OSError, csv.Error):  # errors of Arrow are among the first two
        return []


def _first_row(path: Path) -> list[str]:
    """The first row of a workbook's first page; none where it can't be read."""
    from zipfile import BadZipFile

    from python_calamine import CalamineError, CalamineWorkbook

    try:
        rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python(nrows=1)
    except (CalamineError, BadZipFile, IndexError):
        return []
    return [str(cell) for cell in rows[0]] if rows else []


def write_bytes(content: bytes, path: Path) -> None:
    """Write a whole file at once.

    Raises
    ------
    FleetError
        If it can't be written.
    """
    write_whole(path, lambda file: file.write(content))


def csv_text(frame: pd.DataFrame) -> str:
    """The table as CSV text, days and texts as `write_frame` writes them."""
    plain = _plain_days(frame)
    for name in plain:
        if _is_text(plain[name]):
            plain[name] = plain[name].map(lambda v: defuse(v) if isinstance(v, str) else v)
    text: str = plain.to_csv(index=False, float_format=f"%.{SIGNIFICANT_DIGITS}g", lineterminator="\n")
    return text


def xlsx_bytes(frame: pd.DataFrame, *, sheet: str = "fleet") -> bytes:
    """The table as the bytes of an XLSX workbook; every text stays a text, whatever it begins with."""
    return workbook_bytes({sheet: frame})


def workbook_bytes(frames: Mapping[str, pd.DataFrame]) -> bytes:
    """Tables as the bytes of one XLSX workbook, each on a sheet of its own.

    Parameters
    ----------
    frames : by the sheet's name, which is cut to what a workbook allows; names must differ in that much.
    """
    import io

    import openpyxl  # type: ignore[import-untyped]

    book = openpyxl.Workbook(write_only=False)
    book.remove(book.active)
    for name, frame in frames.items():
        page = book.create_sheet(_NOT_IN_A_NAME.sub(" ", name)[:LONGEST_NAME])
        page.append([str(column) for column in frame.columns])
        for row in _plain_days(frame).itertuples(index=False):
            page.append([_cell(value) for value in row])
        for cells in page.iter_rows():
            for cell in cells:
                if isinstance(cell.value, str):
                    cell.data_type = "s"
    kept = io.BytesIO()
    book.save(kept)
    return kept.getvalue()


def _cell(value: object) -> object:
    """A value that a workbook knows; empty where nothing is known."""
    import numpy as np
    import pandas as pd

    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and value != value):
        return None
    if isinstance(value, np.generic):
        return _cell(value.item())
    if isinstance(value, bool | int | float | str):
        return _UNPRINTABLE.sub("", value) if isinstance(value, str) else value
    return str(value)


def _write(frame: pd.DataFrame, kind: str, file: BinaryIO) -> None:
    if kind == ".csv":
        file.write(csv_text(frame).encode())
    elif kind == ".json":
        text = _plain_days(frame).to_json(orient="records", double_precision=15, indent=1, force_ascii=False)
        file.write(text.replace("\\/", "/").encode() + b"\n")
    elif kind == ".xlsx":
        file.write(xlsx_bytes(frame))
    else:
        _plain_days(frame, as_text=False).to_parquet(file, index=False)


def _plain_days(frame: pd.DataFrame, *, as_text: bool = True) -> pd.DataFrame:
    """A copy whose dates are days without a clock: texts YYYY-MM-DD or dates, None where there is none."""
    import pandas as pd

    plain = frame.copy()
    for name in plain:
        if pd.api.types.is_datetime64_any_dtype(plain[name]):
            days = plain[name].dt.strftime("%Y-%m-%d") if as_text else plain[name].dt.date
            days = days.astype(object)
            plain[name] = days.where(plain[name].notna(), None)
    return plain


def _is_text(values: pd.Series) -> bool:
    import pandas as pd

    return not (pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values))

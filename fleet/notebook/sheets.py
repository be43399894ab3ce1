"""Bench sheets and enquiries for a notebook: from a file, a frame or a store, checked as an intake does."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeAlias

import pandas as pd

from fleet.columns import COLUMNS, ENQUIRY_COLUMNS, STORED_COLUMNS, Column
from fleet.errors import FleetError, meant
from fleet.files.places import default_path
from fleet.intake import (
    Fault,
    Guide,
    SheetTable,
    TokenKey,
    check_enquiries,
    check_typed,
    frame_table,
    load_key,
    read_enquiries,
)
from fleet.intake import read_sheets as read_file
from fleet.intake.checks import check_table
from fleet.intake.ingest import trial_store, try_table
from fleet.intake.reader import read_table
from fleet.intake.table import not_looked_at
from fleet.results import Result
from fleet.store import CURRENT_COLUMNS, Store

MOST_FAULTS_SAID: Final = 20
ASKED: Final = "asked"
"""Number of an enquiry that was told by itself."""

_MADE_HERE: Final = frozenset(CURRENT_COLUMNS) - frozenset(STORED_COLUMNS)
_ONE_SHEET: Final = {name: Column(**{**vars(c), "required": False}) for name, c in COLUMNS.items()}
"""A single unit's readings may lack what a sheet must have."""


@dataclass(frozen=True, repr=False)
class Sheets(Result):
    """Checked bench sheets: the newest version of each, its unit, and which sheet is the unit's newest.

    Attributes
    ----------
    table : DataFrame
        A row a sheet, by date: the columns of `fleet explain sheets`, `serial_token` in the place of
        `serial`, and `unit`, `newest`.
    faults : tuple of Fault
        What is wrong with the rows put aside, by line.
    warnings : tuple of Fault
        What looks odd in the sheets taken, by line.
    """

    table: pd.DataFrame
    faults: tuple[Fault, ...] = ()
    warnings: tuple[Fault, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Return the sheets as a frame of their own, fit to be given back to every function of `fleet`."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """How many sheets of how many units, and the sheets."""
        units = self.table["unit"][self.table["purpose"] == "unit"].nunique()
        aside = len({fault.line for fault in self.faults})
        odd = len({fault.line for fault in self.warnings})
        rest = f", {aside} row{'s' * (aside > 1)} put aside" if aside else ""
        look = f", {odd} worth a look" if odd else ""
        return f"{len(self.table)} sheets of {units} units{rest}{look}", self.table


SheetsLike: TypeAlias = "Sheets | pd.DataFrame | Store | Path | str"
EnquiriesLike: TypeAlias = "pd.DataFrame | Mapping[str, Any] | Path | str"


class _Tokens(TokenKey):
    """Stands in for the key where a frame holds tokens already, and no serials."""

    def tokens(self, serials: Iterable[str | None]) -> list[str | None]:
        return [token or None for token in serials]


def open_store(path: Path | str | None = None) -> Store:
    """Open a store that is there, and bring an older one up to date.

    Parameters
    ----------
    path : Path or str, optional
        The store's file; without it `FLEET_STORE`, else the user's own.

    Returns
    -------
    Store
        Its `current()` gives the sheets as a frame; every function of `fleet` takes the store itself.

    Raises
    ------
    NoStoreError
        If there is none: `fleet intake` makes one.
    StoreBusyError
        If another program is writing.
    FleetError
        If the file is no store, or damaged.

    Examples
    --------
    >>> import fleet
    >>> fleet.open_store("demo/fleet.duckdb")
    Store('demo/fleet.duckdb')
    """
    return Store(default_path() if path is None else Path(path)).open()


def read_sheets(
    source: pd.DataFrame | Path | str, *, guide: Guide | Path | str | None = None, put_aside: bool = False
) -> Sheets:
    """Read bench sheets of a file or a frame with the checks of `fleet intake`; nothing is kept.

    Parameters
    ----------
    source : DataFrame, Path or str
        A row a sheet, columns as in `fleet explain sheets`, units in the names [mN, mm, degrees, dB]; or a
        CSV, XLSX or Parquet file of them.
    guide : Guide, Path or str, optional
        What the bench's own headers, units and words mean; for files.
    put_aside : bool
        Leave faulty rows out and name them in `faults`, as the command does, instead of raising.

    Returns
    -------
    Sheets
        Units are made of the serial's token and the number of its assembly; serials themselves are dropped.

    Raises
    ------
    UnreadableFileError
        If there is no such file, or no table of bench sheets in it.
    FleetError
        If a row is faulty; the lines are those of the command.

    Warns
    -----
    UserWarning
        If there are columns that are not looked at.

    Examples
    --------
    >>> import fleet
    >>> sheets = fleet.read_sheets("demo/demo-sheets.csv")
    >>> sheets
    Sheets: 1129 sheets of 835 units, 3 worth a look
    >>> frame = sheets.to_frame()
    >>> fleet.read_sheets(frame.assign(vtf_mn=1.8).head(1))
    Traceback (most recent call last):
    fleet.errors.FleetError: the frame line 1, vtf_mn: 1.8 is outside 5 to 60 mN; ...
    """
    if isinstance(source, pd.DataFrame):
        return _from_frame(source, put_aside=put_aside)
    return _tried(read_file(source, _guide(guide)), None, put_aside=put_aside)


def _guide(guide: Guide | Path | str | None) -> Guide | None:
    from fleet.intake import load_guide

    return load_guide(guide) if isinstance(guide, Path | str) else guide


def _from_frame(frame: pd.DataFrame, *, put_aside: bool) -> Sheets:
    """Sheets of a frame: a file's, or what `to_frame` and `Store.current` gave, some of its rows perhaps."""
    tokens = "serial_token" in frame and "serial" not in frame
    told = frame.drop(columns=[name for name in _MADE_HERE if name in frame])
    table = frame_table(told.rename(columns={"serial_token": "serial"}) if tokens else told, COLUMNS)
    found = _tried(table, _Tokens(b"") if tokens else None, put_aside=put_aside)
    made = [name for name in ("unit", "newest") if name in frame]
    if len(made) < 2:
        return found
    # A choice of a store's sheets keeps its units, also where a unit's newest sheet was left out.
    keys = ["bench", "sheet_no"]
    given = frame.assign(bench=frame["bench"] if "bench" in frame else COLUMNS["bench"].default)
    known = given[[*keys, *made]].drop_duplicates(keys)
    table_ = found.table.drop(columns=made).merge(known, on=keys, how="left", validate="one_to_one")
    return Sheets(table_[list(found.table)], found.faults, found.warnings)


def _tried(table: SheetTable, key: TokenKey | None, *, put_aside: bool) -> Sheets:
    """Take rows into a store that is thrown away: checks, repeats and units are then an intake's own."""
    say_ignored(table)
    with trial_store() as trial:
        _, report = try_table(trial, table, key=key)
        if report.faults and not put_aside:
            raise row_faults_error(report.faults)
        return Sheets(trial.current(), report.faults, report.warnings)


@contextmanager
def store_of(sheets: Sheets) -> Iterator[Store]:
    """A store with just these sheets, thrown away at the end."""
    with trial_store() as trial:
        kept = [name for name in (*STORED_COLUMNS, "marks") if name in sheets.table]
        trial.append(sheets.table[kept], file_name="frame")
        yield trial


def sheets_of(source: SheetsLike) -> Sheets:
    """Checked sheets of anything that holds some; a store's own are checked already."""
    if isinstance(source, Sheets):
        return source
    return Sheets(source.open().current()) if isinstance(source, Store) else read_sheets(source)


def say_ignored(table: SheetTable) -> None:
    """Warn of columns that nobody looks at, with the command's line."""
    if table.ignored:
        depth, caller = 1, sys._getframe()
        while caller.f_back and str(caller.f_globals.get("__name__", "")).startswith("fleet."):
            depth, caller = depth + 1, caller.f_back
        # the line of the notebook is the one to be shown, however deep the check was
        warnings.warn(f"{table.file}: {not_looked_at(table.ignored)}", stacklevel=depth)


def row_faults_error(faults: Iterable[Fault]) -> FleetError:
    """The error that tells faulty rows, in the lines of the command."""
    told = [str(fault) for fault in faults]
    rest = len(told) - MOST_FAULTS_SAID
    more = f"; ... and {rest} more" if rest > 0 else ""
    return FleetError(f"{'; '.join(told[:MOST_FAULTS_SAID])}{more}")


def enquiries_of(source: EnquiriesLike) -> pd.DataFrame:
    """Checked enquiries of a file, a frame, or the facts of one.

    Raises
    ------
    FleetError
        If one is faulty, a fact is unknown, or there is none.
    """
    if isinstance(source, Mapping):
        return _typed({"enquiry_id": ASKED, **source}, ENQUIRY_COLUMNS)
    if isinstance(source, pd.DataFrame):
        table = frame_table(source, ENQUIRY_COLUMNS)
        say_ignored(table)
        enquiries, faults = check_enquiries(table)
    else:
        enquiries, faults = read_enquiries(source)
    if faults:
        raise row_faults_error(faults)
    if enquiries.empty:
        raise FleetError("there is no enquiry to answer; give at least one row.")
    return enquiries


def readings_of(source: EnquiriesLike) -> pd.DataFrame:
    """Checked readings of one unit, of a file, a frame of one row, or told by name; a row.

    Raises
    ------
    FleetError
        If a reading is faulty or unknown, or there is more than one sheet.
    """
    if isinstance(source, Mapping):
        return _typed(source, _ONE_SHEET)
    if isinstance(source, pd.DataFrame):
        told = source.drop(columns=[name for name in _MADE_HERE | {"serial_token"} if name in source])
        table = frame_table(told, _ONE_SHEET)
        say_ignored(table)
    else:
        table = read_table(source, _ONE_SHEET)
    checked = check_table(table, _ONE_SHEET, key=load_key(make=False) if "serial" in table.columns else None)
    if checked.faults:
        raise row_faults_error(checked.faults)
    if len(checked.good) != 1:
        raise FleetError(f"{table.file} holds {len(checked.good)} sheets, but one at a time is judged.")
    return checked.good


def _typed(told: Mapping[str, Any], columns: Mapping[str, Column]) -> pd.DataFrame:
    """Facts by name, checked as what is typed at the command line is."""
    if unknown := [str(name) for name in told if name not in columns]:
        raise FleetError(
            f"there is no column {unknown[0]!r}; the columns are {', '.join(columns)}"
            f"{meant(unknown[0], columns)}"
        )
    missing = [name for name, value in told.items() if pd.api.types.is_scalar(value) and pd.isna(value)]
    texts = {name: None if name in missing else str(value) for name, value in told.items()}
    return pd.DataFrame(check_typed({**dict.fromkeys(columns), **texts}, columns)[0])

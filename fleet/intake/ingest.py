"""The way of a file into the store: read, check, token, append, account for every row."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.compute as pc

from fleet.errors import FleetError
from fleet.files.tokens import TokenKey, load_key, refuse_an_earlier_key
from fleet.files.working import passing_place, working_folder
from fleet.intake.checks import Checked, check_sheets
from fleet.intake.faults import Fault
from fleet.intake.guides.guide import Guide
from fleet.intake.reader import TABLE_SUFFIXES, read_sheets
from fleet.intake.table import SheetTable, place_of
from fleet.numerals import count

if TYPE_CHECKING:
    from fleet.store import Appended, Store


@dataclass(frozen=True)
class IntakeReport:
    """What became of a file.

    Attributes
    ----------
    file : the file's name.
    rows_read : rows with any content; accepted + put_aside + already_there.
    accepted, put_aside, already_there, superseded : counts of rows (superseded is part of accepted).
    faults, warnings : what is wrong with rows put aside, what looks odd in rows accepted; by line.
    ignored : columns that were not looked at, by name where it looks like a code, else by place.
    intake_id : number of the intake in the store, None if nothing was new.
    pages, passed : pages that rows were read from, and filled rows that were not looked at, by why.
    """

    file: str
    rows_read: int
    accepted: int
    put_aside: int
    already_there: int
    superseded: int
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]
    ignored: tuple[str, ...]
    intake_id: int | None
    pages: int = 1
    passed: Mapping[str, int] = field(default_factory=dict)

    @property
    def read(self) -> str:
        """How many rows were read, on how many pages if on several."""
        return f"{count(self.rows_read, 'row')} read" + (f" on {self.pages} pages" if self.pages > 1 else "")

    @property
    def not_looked_at(self) -> str:
        """Rows that were not looked at and why, as the end of a sentence; "" if there are none."""
        if not self.passed:
            return ""
        why = ", ".join(f"{n} {reason}" for reason, n in self.passed.items())
        return f", {sum(self.passed.values())} not looked at ({why})"

    @property
    def sentence(self) -> str:
        """The counts in one sentence."""
        corrected = f" ({self.superseded} of them corrections)" if self.superseded else ""
        return (
            f"{self.file}: {self.read}, {self.accepted} taken in{corrected}, "
            f"{self.already_there} already there, {self.put_aside} put aside{self.not_looked_at}."
        )


def intake_file(
    store: Store,
    path: Path | str,
    *,
    guide: Guide | None = None,
    key: TokenKey | None = None,
    supersede: bool = False,
    today: dt.date | None = None,
    place: int = 1,
) -> IntakeReport:
    """Take a file of bench sheets into the store, in one transaction; makes the store if it isn't there.

    Parameters
    ----------
    store : where to.
    path : CSV, workbook or Parquet; `-` is CSV on standard input.
    guide : what the bench's own headers, units and words mean; canonical headers if None.
    key : the token key, the one in use if None (made at first use).
    supersede : whether other contents under a known sheet number are a correction.
    today : last day that isn't in the future, the computer's if None.
    place : of the file among those of one command; this is kept of it, not its name.

    Raises
    ------
    FleetError
        If the file or the store can't be used, or the key isn't the one that the store was made with.
    """
    table = [read_sheets(path, guide)]
    store.create()
    key = key or _needed_key(store, table[0])
    return _take_in(store, table, key=key, supersede=supersede, today=today, place=place)[1]


def intake_table(
    store: Store,
    table: SheetTable,
    *,
    key: TokenKey | None = None,
    supersede: bool = False,
    today: dt.date | None = None,
) -> IntakeReport:
    """Take rows of text, already read, into the store; see `intake_file`."""
    store.create()
    key = key or _needed_key(store, table)
    return _take_in(store, [table], key=key, supersede=supersede, today=today)[1]


def _needed_key(store: Store, table: SheetTable) -> TokenKey | None:
    return _key_for(store) if "serial" in table.columns else None


@contextmanager
def trial_store(store: Store | None = None) -> Iterator[Store]:
    """A copy of the store to try intakes on, thrown away at the end; an empty one if there is none yet."""
    from fleet.store import Store, back_up

    with working_folder(store.path if store is not None else passing_place()) as folder:
        path = folder / "trial.duckdb"
        if store is not None and store.path.exists():
            back_up(store, path)
        yield Store(path).create()


def try_file(
    trial: Store, path: Path | str, *, guide: Guide | None = None, supersede: bool = False
) -> tuple[Checked, IntakeReport]:
    """Take a file into a `trial_store`: what was read, and what an intake would report (see `try_table`)."""
    return try_table(trial, read_sheets(path, guide), supersede=supersede)


def try_table(
    trial: Store, table: SheetTable, *, key: TokenKey | None = None, supersede: bool = False
) -> tuple[Checked, IntakeReport]:
    """Take rows of text into a `trial_store`: what was read, and what an intake would report.

    No key is made for it: without one, serials get tokens under a key that is thrown away.
    """
    if key is None and "serial" in table.columns:
        known = trial.key_check() is not None or load_key(make=False) is not None
        key = _key_for(trial) if known else TokenKey(secrets.token_bytes(32))
    return _take_in(trial, [table], key=key, supersede=supersede, today=None)


def _take_in(
    store: Store,
    table: list[SheetTable],
    *,
    key: TokenKey | None,
    supersede: bool,
    today: dt.date | None,
    place: int = 1,
) -> tuple[Checked, IntakeReport]:
    """Check and append; the table comes in a list, so that its text is let go of in between."""
    renamed = _renamed(table[0], key)
    checked = check_sheets(table.pop(), key=key, today=today)
    appended = store.append(
        checked.good,
        file_name=_kept_name(checked.file, place),
        rows_read=checked.rows_read,
        put_aside=checked.put_aside,
        key_check=key.check if key else None,
        supersede=supersede,
        renamed=renamed,
    )
    return checked, _report(checked, appended)


def _renamed(table: SheetTable, key: TokenKey | None) -> dict[str, str]:
    """Tokens that serials had while characters that can't be seen still counted, each with its new one."""
    if key is None or "serial" not in table.columns:
        return {}
    serials = pc.unique(table.columns["serial"]).to_pylist()
    former = {s: key.former_token(s) for s in serials if s and not s.isascii()}
    return {old: key.token(serial) for serial, old in former.items() if old is not None}


def _key_for(store: Store) -> TokenKey:
    noted = store.key_check()
    key = load_key(make=noted is None)
    if key is None:
        raise FleetError(
            "the token key that the store was made with is not there; "
            "set FLEET_SECRET, or FLEET_KEY_FILE to where the key file is."
        )
    refuse_an_earlier_key(key, noted)
    return key


def _report(checked: Checked, appended: Appended) -> IntakeReport:
    lines = checked.good.index
    faults = list(checked.faults)
    for conflict in appended.conflicts:
        if conflict.first_position is None:
            reason = "is in the store already with other contents; --supersede takes it as a correction"
        else:
            first = place_of("", int(lines[conflict.first_position]))
            reason = f"is also the number of{first[0]} line {first[1]}, with other contents"
        faults.append(Fault(*place_of(checked.file, int(lines[conflict.position])), "sheet_no", "", reason))
    put_aside = checked.put_aside + len(appended.conflicts)
    return IntakeReport(
        file=checked.file,
        rows_read=checked.rows_read,
        accepted=appended.accepted,
        put_aside=put_aside,
        already_there=appended.already_there,
        superseded=appended.superseded,
        faults=tuple(sorted(faults, key=lambda fault: (fault.file, fault.line))),
        warnings=checked.warnings,
        ignored=checked.ignored,
        intake_id=appended.intake_id,
        pages=checked.pages,
        passed=checked.passed,
    )


def _kept_name(name: str, place: int) -> str:
    """What the store calls a file: its place among those of one command, never its name."""
    kind = Path(name).suffix.lower()
    return f"file {place}{kind if kind in TABLE_SUFFIXES else ''}"

"""Readings typed at a terminal or on a page: checked as a file's only row is, saved through the same door."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError
from fleet.files.tokens import load_key
from fleet.intake.faults import printable
from fleet.intake.texts import meaning, wrong_with_serial
from fleet.rows import column_of
from fleet.spreadsheet import restore

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.intake.table import SheetTable
    from fleet.store import Store

TYPED: Final = "what was typed"


def text_table(told: Mapping[str, str], file: str = TYPED) -> SheetTable:
    """What was typed as the only row of a file."""
    import numpy as np
    import pyarrow as pa

    from fleet.intake.table import SheetTable

    columns = {name: pa.chunked_array([[text]], pa.string()) for name, text in told.items()}
    return SheetTable(file, np.array([1]), columns, (), 0, ())


def check_typed(
    facts: Mapping[str, str | None], columns: Mapping[str, Column], *, call: Callable[[str], str] = str
) -> tuple[dict[str, NDArray[Any]], tuple[str, ...]]:
    """Check what was typed as a file's only row would be.

    Parameters
    ----------
    facts : text by column, None where nothing was typed.
    columns : the catalogue to check against.
    call : how the place where it was typed calls a column.

    Returns
    -------
    (every column with its one row, names of the columns told).

    Raises
    ------
    FleetError
        If a value can't be what it is said to be; the line names every column and reason.
    """
    told = {name: text for name, text in facts.items() if text is not None}
    key = load_key(make=False) if "serial" in told else None
    row: dict[str, Any] = {}
    reasons = []
    for name, column in columns.items():
        text = restore(told.get(name, "").strip())
        value, why = None if column.kind == "number" else column.default or None, ""
        if not text:
            why = "is missing" if name in told and column.required else ""
        elif name == "serial":
            why = wrong_with_serial(text)
            value = key.tokens([text])[0] if key else None
        else:
            value, why = meaning(text, column, dt.date.today())
        row["serial_token" if name == "serial" else name] = value
        if why:
            reasons.append(f"{call(name)}: {printable(text) or 'the value'} {why}")
    if reasons:
        raise FleetError("; ".join(reasons))
    return {name: column_of([value]) for name, value in row.items()}, tuple(told)


def save_typed(
    store: Store,
    read: SheetTable,
    sheet_no: str | None,
    measured_on: str | None,
    *,
    saving: str = "saving",
    number: str = "sheet_no",
) -> str:
    """Take judged readings in as a sheet, through the door that files go through.

    Parameters
    ----------
    store : where to.
    read : the readings as text.
    sheet_no, measured_on : added to them where given; the day is today where it is told nowhere.
    saving, number : how the place calls saving, and the sheet's number.

    Returns
    -------
    What became of it, in one sentence.

    Raises
    ------
    FleetError
        If it is no whole sheet, or its number is taken; nothing is stored then.
    """
    from fleet.intake.checks import check_sheets
    from fleet.intake.ingest import intake_table

    told = {"sheet_no": sheet_no, "measured_on": measured_on}
    if measured_on is None and "measured_on" not in read.columns:
        told["measured_on"] = dt.date.today().isoformat()
    added = {name: text_table({name: text}).columns[name] for name, text in told.items() if text}
    whole = replace(read, columns={**read.columns, **added})
    lost = [name for name, column in COLUMNS.items() if column.required and name not in whole.columns]
    if lost:
        raise FleetError(f"{saving} needs {', '.join(lost)} as well; nothing was stored.")
    key = load_key(make=False) if "serial" in whole.columns else None
    faults = check_sheets(whole, key=key).faults
    report = None if faults else intake_table(store, whole)
    if report is not None and report.accepted:
        return f"Saved as a sheet of {store.path}. Next: fleet refit"
    if report is not None and report.already_there:
        return "The sheet is in the store already, with the same contents."
    if report is not None:
        raise FleetError(
            f"{number}: the number is in the store already with other contents; choose another, or take "
            "a corrected sheet in with fleet intake --supersede."
        )
    reasons = "; ".join(f"{fault.column}: {fault.reason}" for fault in faults)
    raise FleetError(f"not saved: {reasons}")

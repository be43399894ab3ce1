"""What units turned out to be, as the technician found; no names, no words of anyone's own."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from fleet.errors import FleetError, NoSuchUnitError
from fleet.store.append import bump_revision
from fleet.store.store import Store, as_frame


def unit_of(store: Store, name: str, *, bench: str | None = None) -> str:
    """The unit that a sheet number or a unit's own token stands for.

    Parameters
    ----------
    store : the store.
    name : number of a sheet, or a unit as `fleet suspects` writes it.
    bench : the sheet's bench, where several benches use the number.

    Raises
    ------
    FleetError
        If there is no such sheet or unit, or the number is used for several units.
    """
    with store.reader() as con:
        units = con.execute(
            "select distinct unit from current_sheet where purpose = 'unit' and (unit = $name or "
            "(sheet_no = $name and ($bench is null or bench = $bench))) order by unit",
            {"name": name, "bench": bench},
        ).fetchall()
    if not units:
        raise NoSuchUnitError(
            "there is no such sheet or unit in the store; fleet suspects --out FILE lists them."
        )
    if len(units) > 1:
        raise FleetError(f"{len(units)} units have a sheet of that number; add --bench NAME.")
    return str(units[0][0])


def record_verdict(
    store: Store, unit: str, outcome: str, *, fault: str | None = None, recorded_on: dt.date | None = None
) -> int:
    """Record what a unit turned out to be; an earlier verdict on it stays in the record and counts no more.

    Parameters
    ----------
    store : the store.
    unit : as `unit_of` gives it.
    outcome : `confirmed`, `healthy` or `other_fault`.
    fault : which fault was confirmed; None with any other outcome.
    recorded_on : day, the computer's today if None.

    Returns
    -------
    The store's revision afterwards.
    """
    with store.writer() as con:
        bump_revision(con)
        revision = int(con.execute("select revision from store_state").fetchall()[0][0])
        con.execute(
            "insert into verdict values (?, ?, ?, ?, ?)",
            [revision, unit, outcome, fault, recorded_on or dt.date.today()],
        ).fetchall()
    return revision


def list_verdicts(store: Store, *, every: bool = False) -> pd.DataFrame:
    """The verdict that counts for each unit; with `every`, all ever recorded, in order.

    Columns `unit`, `outcome`, `fault`, `recorded_on`.
    """
    query = (
        "select unit, outcome, fault, recorded_on from verdict order by revision"
        if every
        else "select unit, outcome, fault, recorded_on from current_verdict order by recorded_on, unit"
    )
    with store.reader() as con:
        return as_frame(con, query)

"""What units turned out to be, as the technician found, and all that is kept of one; no names, no words."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

from fleet.errors import FleetError, NoSuchUnitError
from fleet.store.append import bump_revision
from fleet.store.picking import like_number
from fleet.store.quotes import FIGURES
from fleet.store.store import CURRENT_COLUMNS, Store, as_frame, keep_to

if TYPE_CHECKING:
    import pandas as pd


_OF_UNIT = (
    "(serial_token = regexp_replace($unit, '-[0-9]+$', '') or 'sheet:' || bench || ':' || sheet_no = $unit)"
)
"""Whether a row of the table `sheet` may be of a unit, by its name."""


class UnitRecord(NamedTuple):
    """All that is kept of one unit.

    Attributes
    ----------
    visits : every sheet of its serial, whatever the assembly, by date; the one sheet where it has no serial
    verdicts : `unit`, `outcome`, `fault`, `recorded_on`, in order
    quotes : `issued_at`, `enquiry_id`, `policy_label` and the chances and prices told, in order
    """

    visits: pd.DataFrame
    verdicts: pd.DataFrame
    quotes: pd.DataFrame


def unit_record(store: Store, *, token: str | None = None, unit: str | None = None) -> UnitRecord:
    """Fetch all that is kept of a unit: by its serial's token, or by its name as `unit_of` gives it.

    Raises
    ------
    NoSuchUnitError
        If no sheet is kept of it.
    """
    own = "purpose = 'unit' and (serial_token = $token or unit = $unit)"
    with store.reader() as con:
        same = "serial_token = $token" + (f" or {_OF_UNIT}" if unit is not None else "")
        known = {"token": token} | ({"unit": unit} if unit is not None else {})
        keep_to(con, f"select bench, sheet_no from sheet where {same}", known)
        if token is None:
            found = con.execute(
                "select serial_token from current_sheet where unit = $unit limit 1", {"unit": unit}
            ).fetchall()
            token = found[0][0] if found else None
        params: dict[str, object] = {"token": token, "unit": unit}
        visits = as_frame(
            con,
            f"select {', '.join(CURRENT_COLUMNS)} from current_sheet where {own} "
            "order by measured_on, sheet_no, bench",
            params,
        )
        verdicts = as_frame(
            con,
            "select unit, outcome, fault, recorded_on from verdict where unit in "
            f"(select unit from current_sheet where {own}) and not withdrawn order by revision",
            params,
        )
        quotes = as_frame(
            con,
            f"select issued_at, enquiry_id, policy_label, {', '.join(FIGURES)} from kept_quote "
            "where origin is null and (serial_token = $token or enquiry_id in "
            f"(select enquiry_id from current_sheet where {own})) order by quote_id",
            params,
        )
    if visits.empty:
        raise NoSuchUnitError("there is no sheet of this unit in the store; take one in: fleet intake FILE")
    return UnitRecord(visits, verdicts, quotes)


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
        own = f"sheet_no = $unit or {_OF_UNIT}"
        keep_to(con, f"select bench, sheet_no from sheet where {own}", {"unit": name})
        units = con.execute(
            "select distinct unit from current_sheet where purpose = 'unit' and (unit = $name or "
            "(sheet_no = $name and ($bench is null or bench = $bench))) order by unit",
            {"name": name, "bench": bench},
        ).fetchall()
    if not units:
        raise NoSuchUnitError(
            "there is no such sheet or unit in the store; "
            + (like_number(store, name) or "fleet suspects --out FILE lists them.")
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
            "insert into verdict (revision, unit, outcome, fault, recorded_on) values (?, ?, ?, ?, ?)",
            [revision, unit, outcome, fault, recorded_on or dt.date.today()],
        ).fetchall()
    return revision


def withdraw_verdict(store: Store, unit: str) -> tuple[str, str | None, dt.date]:
    """Take the verdict that counts for a unit back: it stays in the record, the one before it counts again.

    Returns
    -------
    Its outcome, fault and day.

    Raises
    ------
    FleetError
        If no verdict counts for the unit.
    """
    with store.writer() as con:
        found = con.execute(
            "select revision, outcome, fault, recorded_on from verdict where unit = ? and not withdrawn "
            "order by revision desc limit 1",
            [unit],
        ).fetchall()
        if not found:
            raise FleetError("no verdict counts for this unit, so there is none to take back.")
        revision, outcome, fault, recorded_on = found[0]
        con.execute("update verdict set withdrawn = true where revision = ?", [revision]).fetchall()
        if con.execute("select 1 from marked_unit where unit = ?", [unit]).fetchall():
            bump_revision(con)  # a sheet that the verdict let teach is held back again
            con.execute("delete from model_base").fetchall()
    return outcome, fault, recorded_on


def count_faults(store: Store) -> dict[str, int]:
    """How many units turned out to have each fault, by the verdicts that count; any other is ``other``."""
    query = (
        "select coalesce(fault, 'other'), count(*) from current_verdict where outcome <> 'healthy' group by 1"
    )
    with store.reader() as con:
        return dict(con.execute(query).fetchall())


def list_verdicts(store: Store, *, every: bool = False) -> pd.DataFrame:
    """The verdict that counts for each unit; with `every`, all ever recorded, taken back or not, in order.

    Columns `unit`, `outcome`, `fault`, `recorded_on`.
    """
    query = (
        "select unit, outcome, fault, recorded_on from verdict order by revision"
        if every
        else "select unit, outcome, fault, recorded_on from current_verdict order by recorded_on, unit"
    )
    with store.reader() as con:
        return as_frame(con, query)

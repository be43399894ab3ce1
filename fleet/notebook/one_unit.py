"""One unit's life, asked from a notebook: from a store with all that is kept of it, or from sheets."""

from __future__ import annotations

import pandas as pd

from fleet.errors import FleetError, NoSuchUnitError
from fleet.faults.unit_life import Life, unit_life
from fleet.notebook.questions import HouseLike, house_of
from fleet.notebook.sheets import SheetsLike, sheets_of
from fleet.policy.policy import Policy
from fleet.store import Store, unit_of, unit_record


def unit(
    sheets: SheetsLike,
    sheet_no: str,
    *,
    house: HouseLike | None = None,
    policy: Policy | None = None,
) -> Life:
    """Tell one unit's life: its visits, what changed between them, what corrections gave.

    Parameters
    ----------
    sheets : Sheets, DataFrame, Store, Path or str
        Bench sheets, checked as `read_sheets` does; from a store also its verdicts and the quotes told.
    sheet_no : str
        The number of any sheet of the unit.
    house : House or Store, optional
        Reading noise, what hours do, what is normal for its kind; common practice without it.
    policy : Policy, optional
        Targets of the turn that is left; the documented ones without it.

    Returns
    -------
    Life
        `to_frame()` has a row a visit: readings [degrees, dB], chances of what changed since the last one.

    Raises
    ------
    NoSuchUnitError
        If no sheet has the number.
    FleetError
        If a row is faulty, or several benches use the number.

    Examples
    --------
    >>> import fleet
    >>> store = fleet.open_store("demo/fleet.duckdb")
    >>> fleet.unit(store, "DEMO-W00000618", house=store)
    Life: 2 visits; since 2023-08-21 only noise ...
    """
    model = None if house is None else house_of(house)
    if isinstance(sheets, Store):
        kept = unit_record(sheets, unit=unit_of(sheets, sheet_no))
        rule = policy or Policy()
        return unit_life(kept.visits, rule, model, verdicts=kept.verdicts, quotes=kept.quotes)
    table = sheets_of(sheets).table
    own = table[(table["sheet_no"] == sheet_no) & (table["purpose"] == "unit")]
    if own.empty:
        raise NoSuchUnitError(f"there is no sheet {sheet_no} of a unit among these.")
    if len(own) > 1:
        raise FleetError(f"{len(own)} benches have a sheet {sheet_no}; give the sheets of one of them.")
    token = own["serial_token"].iloc[0]
    visits = own if pd.isna(token) else table[table["serial_token"] == token]
    return unit_life(visits, policy or Policy(), model)

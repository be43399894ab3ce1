"""Enquiries: what was asked before bench time, often half told."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from fleet.columns import ENQUIRY_COLUMNS
from fleet.files.tokens import TokenKey, load_key
from fleet.intake.checks import check_table
from fleet.intake.faults import Fault
from fleet.intake.reader import read_table
from fleet.intake.table import SheetTable, place_of


def read_enquiries(path: Path | str, *, key: TokenKey | None = None) -> tuple[pd.DataFrame, list[Fault]]:
    """Read and check a file of enquiries.

    Parameters
    ----------
    path : CSV, XLSX or Parquet; `-` is CSV on standard input.
    key : turns serials into tokens; the key in use if None. If there is no key yet, no unit can be known by
        its serial, and serials are dropped.

    Returns
    -------
    (good enquiries in the file's order, indexed by line, with every column of `ENQUIRY_COLUMNS` but
    `serial_token` in the place of `serial`, NaN where not told; what was wrong with the others).

    Raises
    ------
    FleetError
        If there is nothing to read there, or it has no `enquiry_id`.
    """
    return check_enquiries(read_table(path, ENQUIRY_COLUMNS), key=key)


def check_enquiries(table: SheetTable, *, key: TokenKey | None = None) -> tuple[pd.DataFrame, list[Fault]]:
    """Check every row of a table of enquiries; see `read_enquiries`."""
    if key is None and "serial" in table.columns:
        key = load_key(make=False)
    checked = check_table(table, ENQUIRY_COLUMNS, key=key)
    good = checked.good
    again = good["enquiry_id"].duplicated()
    first_lines = good.index.to_series().groupby(good["enquiry_id"].to_numpy()).first()
    faults = list(checked.faults)
    for line, name in good.loc[again, "enquiry_id"].items():
        page, first = place_of("", int(first_lines[name]))
        reason = f"is also the number of{page} line {first}; each enquiry needs its own"
        faults.append(Fault(*place_of(checked.file, int(str(line))), "enquiry_id", "", reason))
    return good[~again], sorted(faults, key=lambda fault: (fault.file, fault.line))

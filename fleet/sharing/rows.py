"""One row a sheet, for one's own use elsewhere: pseudonymous, not anonymous."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.columns import STORED_COLUMNS
from fleet.errors import FleetError
from fleet.files.replacing import write_whole

if TYPE_CHECKING:
    from fleet.store import Store

LEFT_OUT: Final = ("sheet_no", "enquiry_id", "operator", "serial_token", "measured_on")
UNIT_DIGITS: Final = 16


def rows_of(current: pd.DataFrame, key: bytes) -> pd.DataFrame:
    """Sheets without numbers, operators and days, each unit under a name that this key alone gives it.

    Parameters
    ----------
    current : the store's current sheets
    key : secret of this one export

    Returns
    -------
    DataFrame
        ``unit``, ``month`` (YYYY-MM), and the readings; in no order that tells which sheet came first.
    """
    units = [hmac.digest(key, str(u).encode(), "sha256").hex()[:UNIT_DIGITS] for u in current["unit"]]
    month = pd.to_datetime(current["measured_on"]).dt.strftime("%Y-%m")
    kept = [c for c in STORED_COLUMNS if c not in LEFT_OUT]
    out = current[kept].copy()
    out.insert(0, "unit", np.array(units, dtype=object))
    out.insert(1, "month", month.to_numpy())
    return out.sort_values(["month", "unit", *kept], kind="stable", ignore_index=True)


def export_rows(store: Store, path: Path) -> int:
    """Write every current sheet as a row of a Parquet file, names of units new in each export.

    The key is made for this export and thrown away: two exports' units can't be matched by name, nor any with
    the store.

    Returns
    -------
    How many rows.

    Raises
    ------
    FleetError
        If the file's name has another ending, or it can't be written.
    """
    if path.suffix.lower() != ".parquet":
        raise FleetError(f"--rows {path}: end its name in .parquet")
    current = store.current()
    table = rows_of(current, hashlib.sha256(secrets.token_bytes(32)).digest())
    write_whole(path, lambda file: table.to_parquet(file, index=False), owner_only=True)
    return len(table)

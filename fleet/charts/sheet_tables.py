"""Intakes and versions of sheets as tables that people read."""

from __future__ import annotations

from typing import Any

import pandas as pd

from fleet.charts.words import figure, spoken
from fleet.columns import COLUMNS

_HIDDEN = ("serial_token",)


def intakes(record: pd.DataFrame) -> pd.DataFrame:
    """The record of intakes, ready to be read."""
    return pd.DataFrame(
        {
            "intake": record["intake_id"],
            "file": record["file_name"],
            "taken in (UTC)": pd.to_datetime(record["taken_in_at"]).dt.strftime("%Y-%m-%d %H:%M"),
            "rows read": record["rows_read"],
            "taken in": record["accepted"],
            "put aside": record["put_aside"],
            "already there": record["already_there"],
            "corrections": record["superseded"],
            "undone": pd.to_datetime(record["undone_at"]).dt.strftime("%Y-%m-%d").fillna(""),
        }
    )


def versions(history: pd.DataFrame) -> pd.DataFrame:
    """Versions of one sheet side by side, one row a column that any of them tells."""
    told = [c for c in history if c in COLUMNS and c not in _HIDDEN and history[c].notna().any()]
    rows: dict[str, list[str]] = {"": [_heading(c) for c in told]}
    for row in history.to_dict("records"):
        undone = "" if pd.isna(row["undone_at"]) else ", undone"
        heading = f"version {row['version']} (intake {row['intake_id']}{undone})"
        rows[heading] = [_cell(row[c], c) for c in told]
    return pd.DataFrame(rows)


def _heading(name: str) -> str:
    unit = COLUMNS[name].unit
    return f"{name} [{unit}]" if unit else name


def _cell(value: Any, name: str) -> str:
    if value is None or pd.isna(value):
        return "–"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if COLUMNS[name].kind == "number":
        return figure(float(str(value)), "", 2)
    return spoken(str(value))

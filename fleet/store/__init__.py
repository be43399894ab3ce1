"""The only place that knows DuckDB: one file, every version of every sheet, one writer or many readers."""

from fleet.store.append import Appended, Conflict
from fleet.store.store import CURRENT_COLUMNS, Store, default_path

__all__ = ["CURRENT_COLUMNS", "Appended", "Conflict", "Store", "default_path"]

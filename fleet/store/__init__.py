"""The only place that knows DuckDB: one file, every version of every sheet, one writer or many readers."""

from fleet.store.append import Appended, Conflict
from fleet.store.backup import back_up, restore
from fleet.store.health import Health, check_store
from fleet.store.picking import Holdings, Overview, holdings, like_number, overview, pick_sheets
from fleet.store.store import CURRENT_COLUMNS, Store
from fleet.store.upkeep import (
    Forgotten,
    OtherCopies,
    Undone,
    change_key,
    copies_that_hold,
    forget_sheet,
    forget_unit,
    undo_intake,
)
from fleet.store.verdicts import (
    UnitRecord,
    list_verdicts,
    record_verdict,
    unit_of,
    unit_record,
    withdraw_verdict,
)

__all__ = [
    "CURRENT_COLUMNS",
    "Appended",
    "Conflict",
    "Forgotten",
    "Health",
    "Holdings",
    "OtherCopies",
    "Overview",
    "Store",
    "Undone",
    "UnitRecord",
    "back_up",
    "change_key",
    "check_store",
    "copies_that_hold",
    "forget_sheet",
    "forget_unit",
    "holdings",
    "like_number",
    "list_verdicts",
    "overview",
    "pick_sheets",
    "record_verdict",
    "restore",
    "undo_intake",
    "unit_of",
    "unit_record",
    "withdraw_verdict",
]

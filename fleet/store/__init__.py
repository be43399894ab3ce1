"""The only place that knows DuckDB: one file, every version of every sheet, one writer or many readers.

Each name is imported at first use: most commands need the store alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fleet.first_use import at_first_use

if TYPE_CHECKING:
    from fleet.store.append import Appended as Appended
    from fleet.store.append import Conflict as Conflict
    from fleet.store.backup import back_up as back_up
    from fleet.store.backup import restore as restore
    from fleet.store.health import Health as Health
    from fleet.store.health import check_store as check_store
    from fleet.store.picking import Holdings as Holdings
    from fleet.store.picking import Overview as Overview
    from fleet.store.picking import holdings as holdings
    from fleet.store.picking import like_number as like_number
    from fleet.store.picking import overview as overview
    from fleet.store.picking import pick_sheets as pick_sheets
    from fleet.store.store import CURRENT_COLUMNS as CURRENT_COLUMNS
    from fleet.store.store import Store as Store
    from fleet.store.upkeep import Forgotten as Forgotten
    from fleet.store.upkeep import OtherCopies as OtherCopies
    from fleet.store.upkeep import Undone as Undone
    from fleet.store.upkeep import change_key as change_key
    from fleet.store.upkeep import copies_that_hold as copies_that_hold
    from fleet.store.upkeep import forget_sheet as forget_sheet
    from fleet.store.upkeep import forget_unit as forget_unit
    from fleet.store.upkeep import undo_intake as undo_intake
    from fleet.store.verdicts import UnitRecord as UnitRecord
    from fleet.store.verdicts import count_faults as count_faults
    from fleet.store.verdicts import list_verdicts as list_verdicts
    from fleet.store.verdicts import record_verdict as record_verdict
    from fleet.store.verdicts import unit_of as unit_of
    from fleet.store.verdicts import unit_record as unit_record
    from fleet.store.verdicts import withdraw_verdict as withdraw_verdict

_HOMES: Final = {
    "fleet.store.append": "Appended Conflict",
    "fleet.store.backup": "back_up restore",
    "fleet.store.health": "Health check_store",
    "fleet.store.picking": "Holdings Overview holdings like_number overview pick_sheets",
    "fleet.store.store": "CURRENT_COLUMNS Store",
    "fleet.store.upkeep": "Forgotten OtherCopies Undone change_key copies_that_hold forget_sheet "
    "forget_unit undo_intake",
    "fleet.store.verdicts": "UnitRecord count_faults list_verdicts record_verdict unit_of unit_record "
    "withdraw_verdict",
}
__getattr__ = at_first_use(__name__, _HOMES)

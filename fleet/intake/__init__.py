"""Bench sheets and enquiries in: read, check, token, accept; every row accounted for.

Each name is imported at first use: readings typed at a terminal need no reader of files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fleet.first_use import at_first_use

if TYPE_CHECKING:
    from fleet.files.tokens import TokenKey as TokenKey
    from fleet.files.tokens import load_key as load_key
    from fleet.intake.checks import Checked as Checked
    from fleet.intake.checks import check_sheets as check_sheets
    from fleet.intake.enquiries import check_enquiries as check_enquiries
    from fleet.intake.enquiries import read_enquiries as read_enquiries
    from fleet.intake.faults import Fault as Fault
    from fleet.intake.frames import frame_table as frame_table
    from fleet.intake.guides.guide import Guide as Guide
    from fleet.intake.guides.guide import load_guide as load_guide
    from fleet.intake.guides.propose import Proposal as Proposal
    from fleet.intake.guides.propose import propose_guide as propose_guide
    from fleet.intake.ingest import IntakeReport as IntakeReport
    from fleet.intake.ingest import intake_file as intake_file
    from fleet.intake.ingest import intake_table as intake_table
    from fleet.intake.reader import files_in as files_in
    from fleet.intake.reader import read_sheets as read_sheets
    from fleet.intake.rekey import change_token_key as change_token_key
    from fleet.intake.table import SheetTable as SheetTable
    from fleet.intake.typed import check_typed as check_typed
    from fleet.intake.typed import save_typed as save_typed
    from fleet.intake.typed import text_table as text_table

_HOMES: Final = {
    "fleet.files.tokens": "TokenKey load_key",
    "fleet.intake.checks": "Checked check_sheets",
    "fleet.intake.enquiries": "check_enquiries read_enquiries",
    "fleet.intake.faults": "Fault",
    "fleet.intake.frames": "frame_table",
    "fleet.intake.guides.guide": "Guide load_guide",
    "fleet.intake.guides.propose": "Proposal propose_guide",
    "fleet.intake.ingest": "IntakeReport intake_file intake_table",
    "fleet.intake.reader": "files_in read_sheets",
    "fleet.intake.rekey": "change_token_key",
    "fleet.intake.table": "SheetTable",
    "fleet.intake.typed": "check_typed save_typed text_table",
}
__getattr__ = at_first_use(__name__, _HOMES)

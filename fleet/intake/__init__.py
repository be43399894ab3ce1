"""Bench sheets and enquiries in: read, check, token, accept; every row accounted for."""

from fleet.files.tokens import TokenKey, load_key
from fleet.intake.checks import Checked, check_sheets
from fleet.intake.enquiries import check_enquiries, read_enquiries
from fleet.intake.faults import Fault
from fleet.intake.frames import frame_table
from fleet.intake.guides.guide import Guide, load_guide
from fleet.intake.guides.propose import Proposal, propose_guide
from fleet.intake.ingest import IntakeReport, intake_file, intake_table
from fleet.intake.reader import files_in, read_sheets
from fleet.intake.rekey import change_token_key
from fleet.intake.table import SheetTable
from fleet.intake.typed import check_typed, save_typed, text_table

__all__ = [
    "Checked",
    "Fault",
    "Guide",
    "IntakeReport",
    "Proposal",
    "SheetTable",
    "TokenKey",
    "change_token_key",
    "check_enquiries",
    "check_sheets",
    "check_typed",
    "files_in",
    "frame_table",
    "intake_file",
    "intake_table",
    "load_guide",
    "load_key",
    "propose_guide",
    "read_enquiries",
    "read_sheets",
    "save_typed",
    "text_table",
]

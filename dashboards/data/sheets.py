"""Sheets in: what an uploaded file would give, taking it in, and the record of what came in before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.store_state import of_sheets
from fleet.errors import NoSuchUnitError
from fleet.files.places import default_path
from fleet.files.working import working_folder
from fleet.intake import IntakeReport, Proposal, intake_file, load_guide, propose_guide
from fleet.intake.faults import FAULT_COLUMNS
from fleet.intake.guides.kept import folder_of, guide_for, keep_guide, new_place
from fleet.intake.guides.questions import with_answer
from fleet.intake.ingest import trial_store, try_file
from fleet.intake.preview import preview
from fleet.store import Store, pick_sheets

if TYPE_CHECKING:
    from fleet.intake import Fault, Guide

MOST_SEARCHED: Final = 50_000
LISTED: Final = (
    "sheet_no", "measured_on", "bench", "stylus_profile", "cantilever_material", "body_family",
    "assembly_source", "operator", "remedy",
)  # fmt: skip


KINDS: Final = ["csv", "gz", "tsv", "xlsx", "xlsm", "xls", "ods", "parquet"]
"""Endings of files that may be uploaded."""


@dataclass(frozen=True)
class Upload:
    """A file as the browser sent it, kept in memory until it is taken in or dropped."""

    name: str
    content: bytes


@dataclass(frozen=True)
class Looked:
    """What a file would give.

    Attributes
    ----------
    report : what an intake would report
    holds : one row a column: what it holds
    faults, warnings : tables of what is wrong and of what looks odd
    """

    report: IntakeReport
    holds: pd.DataFrame
    faults: pd.DataFrame
    warnings: pd.DataFrame


@st.cache_data(max_entries=4, show_spinner="Looking at the file …")
def look(path: str, revision: str, upload: Upload, guide: Upload | None, *, supersede: bool) -> Looked:
    """Take a file into a trial copy of the store: what an intake would do, and nothing is stored."""
    del revision
    with _on_disk(path, upload, guide) as (file, reading), trial_store(Store(path)) as trial:
        checked, report = try_file(trial, file, guide=reading, supersede=supersede)
    return Looked(report, preview(checked.good), fault_table(report.faults), fault_table(report.warnings))


def take_in(path: str, upload: Upload, guide: Upload | None, *, supersede: bool) -> IntakeReport:
    """Take a file into the store, as `fleet intake` does."""
    with _on_disk(path, upload, guide) as (file, reading):
        return intake_file(Store(path), file, guide=reading, supersede=supersede)


@st.cache_data(max_entries=4, show_spinner="Drafting a guide …")
def draft_guide(upload: Upload) -> Proposal:
    """A reading guide drafted from a file, with its open questions."""
    with _in_folder(upload) as file:
        return propose_guide(file)


def answer_draft(proposal: Proposal, answers: Sequence[Sequence[int]]) -> str:
    """A draft's text once each question is answered by the choices of these places."""
    guide = proposal.guide
    for question, picked in zip(proposal.open, answers, strict=True):
        guide = with_answer(guide, question, picked)
    return proposal.text_of(guide)


def keep(path: str, upload: Upload, text: str) -> Path:
    """Keep a guide beside the store, where files with its headers find it; its place."""
    place = new_place(Path(upload.name), folder_of(Path(path)))
    keep_guide(text, place)
    return place


def fault_table(faults: tuple[Fault, ...]) -> pd.DataFrame:
    """Faults as `fleet intake --rejects` writes them."""
    return pd.DataFrame([fault[:5] for fault in faults], columns=list(FAULT_COLUMNS))


@of_sheets
@st.cache_resource(max_entries=2, show_spinner="Listing sheets …")
def newest_sheets(path: str, revision: str) -> pd.DataFrame:
    """The newest sheets of units, newest first: number, day, make-up; at most `MOST_SEARCHED`."""
    del revision
    frame = pick_sheets(Store(path), LISTED, newest_first=MOST_SEARCHED)
    return frame.reset_index(drop=True)


def find_sheets(
    frame: pd.DataFrame, part: str, filters: tuple[tuple[str, tuple[str, ...]], ...]
) -> pd.DataFrame:
    """Sheets whose number has a part in it, in any case, and that pass the filters; the order stays."""
    keep = frame["sheet_no"].astype(str).str.contains(part.strip(), case=False, regex=False)
    for name, accepted in filters:
        if accepted:
            keep &= frame[name].isin(accepted)
    return frame[keep].reset_index(drop=True)


@of_sheets
@st.cache_data(max_entries=2, show_spinner=False)
def intakes(path: str, revision: str) -> pd.DataFrame:
    """The record of every intake, newest first."""
    del revision
    return Store(path).intakes().sort_values("intake_id", ascending=False, ignore_index=True)


@of_sheets
@st.cache_data(max_entries=16, show_spinner=False)
def versions(path: str, revision: str, sheet_no: str) -> pd.DataFrame:
    """Every version of one sheet, oldest first.

    Raises
    ------
    NoSuchUnitError
        If there is no such sheet.
    """
    del revision
    found = Store(path).history(sheet_no)
    if found.empty:
        raise NoSuchUnitError("there is no sheet of that number in the store")
    return found


@contextmanager
def _in_folder(upload: Upload) -> Iterator[Path]:
    """The uploaded file in a folder of its own, gone afterwards."""
    with working_folder(default_path()) as folder:
        file = folder / (Path(upload.name).name or "upload.csv")
        file.write_bytes(upload.content)
        yield file


@contextmanager
def _on_disk(path: str, upload: Upload, guide: Upload | None) -> Iterator[tuple[Path, Guide | None]]:
    """The uploaded file, and the guide beside it or else the one kept for its headers."""
    with _in_folder(upload) as file:
        if guide is None:
            yield file, guide_for(file, folder_of(Path(path)))
            return
        own = file.with_name("guide.toml")
        own.write_bytes(guide.content)
        yield file, load_guide(own)

"""Take bench sheets in: `fleet intake`."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fleet.cli import common
from fleet.cli.common import say, warn
from fleet.cli.tables import table
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.intake import Fault, Guide, IntakeReport
    from fleet.store import Store


def intake(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="CSV, workbooks, Parquet, JSON, packed or not, or folders; - is CSV on standard input.",
        ),
    ],
    guide: Annotated[
        Path | None,
        typer.Option("--guide", metavar="FILE", help="The bench's reading guide (fleet explain guide)."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would be read, store nothing.")
    ] = False,
    supersede: Annotated[
        bool, typer.Option("--supersede", help="Other contents under a known sheet number are a correction.")
    ] = False,
    rejects: Annotated[str | None, common.table_file("--rejects", "Write every fault to a table.")] = None,
    store: common.StoreOption = None,
) -> None:
    """Take bench sheets in; rows with faults are put aside and named.

    A file with column names of its own is shown column by column, and what it can't tell is asked once; the
    answers are kept beside the store. Each file goes in whole or not at all, and the same file again changes
    nothing. Serial numbers become keyed tokens at the door (fleet explain sheets, fleet explain guide).
    """
    from fleet.files.tokens import weak_secret
    from fleet.intake import files_in, load_guide
    from fleet.intake.ingest import trial_store

    reading = None if guide is None else load_guide(guide)
    where = common.the_store(store)
    done: list[IntakeReport] = []
    failed: list[str] = []
    with files_in(files) as (found, over), trial_store(where) if dry_run else nullcontext(where) as into:
        for place, file in enumerate(found, start=1):
            try:
                known = reading if guide else _guide_of(file, where, dry_run=dry_run)
                done.append(_one_file(into, file, known, dry_run=dry_run, supersede=supersede, place=place))
            except FleetError as error:
                failed.append(str(error))
                continue
            _tell(done[-1], known, rejects)
    _account(done, failed, over)
    if rejects is not None:
        common.write_out(fault_frame([fault for report in done for fault in report.faults]), rejects)
    if failed:
        for line in failed[:-1]:
            warn(f"fleet: {line}")
        raise FleetError(failed[-1])
    if not dry_run and any(report.accepted for report in done):
        if where.key_check() and (weak := weak_secret()):
            warn(f"Note: {weak}")
        say("Next: fleet refit")
    if any(report.put_aside for report in done):
        raise typer.Exit(1)


def _guide_of(file: Path, store: Store, *, dry_run: bool) -> Guide | None:
    """The guide that a file needs, made at the terminal if there is none; None for canonical names."""
    from fleet.intake.guides.kept import UnknownHeadersError, folder_of, guide_for

    if str(file) == "-":
        return None
    folder = folder_of(store.path)
    try:
        return guide_for(file, folder)
    except UnknownHeadersError as error:
        from fleet.cli.week.asking import guide_for_new

        if dry_run:
            raise FleetError(f"{error} Draft one: fleet guide {file}; or leave out --dry-run.") from error
        return guide_for_new(file, folder)


def _account(done: list[IntakeReport], failed: list[str], over: list[str]) -> None:
    """Say of several files together, and of what a folder holds besides, what became of them."""
    if len(done) + len(failed) > 1:
        passed = sum(n for report in done for n in report.passed.values())
        unread = f"; {len(failed)} files did not go in" if failed else ""
        say(
            f"Together: {sum(r.rows_read for r in done) + passed} rows on {sum(r.pages for r in done)} "
            f"pages of {len(done)} files: {sum(r.accepted for r in done)} taken in, "
            f"{sum(r.already_there for r in done)} already there, "
            f"{sum(r.put_aside for r in done)} put aside, {passed} not looked at{unread}."
        )
    if over:
        say(f"Not looked at, as they are no tables that fleet reads: {', '.join(over)}.")


def _one_file(
    store: Store, file: Path, guide: Guide | None, *, dry_run: bool, supersede: bool, place: int
) -> IntakeReport:
    if dry_run:
        return show_dry_run(store, file, guide, supersede=supersede)
    from fleet.intake import intake_file

    report = intake_file(store, file, guide=guide, supersede=supersede, place=place)
    say(report.sentence)
    return report


def _tell(report: IntakeReport, guide: Guide | None, rejects: str | None) -> None:
    if report.ignored:
        from fleet.intake.table import not_looked_at

        say(f"  {not_looked_at(report.ignored, guided=guide is not None)}")
    common.show_faults(report.faults, rest="; --rejects FILE writes them all." if rejects is None else "")
    if report.warnings:
        warn(f"  Taken in, but worth a look ({len(report.warnings)}):")
        common.show_faults(report.warnings)


def fault_frame(faults: list[Fault]) -> Any:
    """Faults as a table: file, line, column, value, reason."""
    import pandas as pd

    from fleet.intake.faults import FAULT_COLUMNS

    return pd.DataFrame([fault[:5] for fault in faults], columns=list(FAULT_COLUMNS))


def show_dry_run(trial: Store, file: Path, guide: Guide | None, *, supersede: bool = False) -> IntakeReport:
    """Take a file into a trial store and show what it would give; its faults are not shown yet."""
    from fleet.intake.ingest import try_file
    from fleet.intake.preview import preview

    checked, report = try_file(trial, file, guide=guide, supersede=supersede)
    corrected = f" ({report.superseded} of them corrections)" if report.superseded else ""
    say(
        f"{report.file}: {report.read}, {report.accepted} would go in{corrected}, {report.already_there} "
        f"are there already, {report.put_aside} would be put aside{report.not_looked_at}. "
        "Nothing was stored."
    )
    found = preview(checked.good)
    say(table({str(name): list(found[name]) for name in found}))
    return report

"""Commands that take sheets in and tell what is there: intake, status, history."""

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


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.SHEETS_PANEL)(intake)
    app.command(rich_help_panel=common.SHEETS_PANEL)(status)
    app.command(rich_help_panel=common.SHEETS_PANEL)(history)


def intake(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="CSV, XLSX or Parquet, or folders; - is CSV on standard input."
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
    rejects: Annotated[
        str | None,
        typer.Option("--rejects", metavar="FILE", help="Write every fault to a table."),
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Take bench sheets in; rows with faults are put aside and named.

    Each file goes in whole or not at all, and the same file again changes nothing. Serial numbers become
    keyed tokens at the door. The columns are explained by: fleet explain sheets.
    """
    from fleet.intake import files_in, load_guide
    from fleet.intake.ingest import trial_store
    from fleet.output import check_out

    check_out(rejects, option="--rejects")
    reading = None if guide is None else load_guide(guide)
    where = common.the_store(store)
    done: list[IntakeReport] = []
    failed: list[str] = []
    with trial_store(where) if dry_run else nullcontext(where) as into:
        for file in files_in(files):
            try:
                done.append(_one_file(into, file, reading, dry_run=dry_run, supersede=supersede))
            except FleetError as error:
                failed.append(str(error))
                continue
            _tell(done[-1], rejects)
    if rejects is not None:
        common.write_out(fault_frame([fault for report in done for fault in report.faults]), rejects)
    if failed:
        for line in failed[:-1]:
            warn(f"fleet: {line}")
        raise FleetError(failed[-1])
    if not dry_run and any(report.accepted for report in done):
        say("Next: fleet refit")
    if any(report.put_aside for report in done):
        raise typer.Exit(1)


def _one_file(
    store: Store, file: Path, guide: Guide | None, *, dry_run: bool, supersede: bool
) -> IntakeReport:
    if dry_run:
        from fleet.cli.guides import dry_run as show

        return show(store, file, guide, supersede=supersede)
    from fleet.intake import intake_file

    report = intake_file(store, file, guide=guide, supersede=supersede)
    say(report.sentence)
    return report


def _tell(report: IntakeReport, rejects: str | None) -> None:
    if report.ignored:
        say(f"  Columns not looked at: {', '.join(report.ignored)}.")
    common.show_faults(report.faults, rest="; --rejects FILE writes them all." if rejects is None else "")
    if report.warnings:
        warn(f"  Taken in, but worth a look ({len(report.warnings)}):")
        common.show_faults(report.warnings)


def fault_frame(faults: list[Fault]) -> Any:
    """Faults as a table: file, line, column, value, reason."""
    import pandas as pd

    return pd.DataFrame(faults, columns=["file", "line", "column", "value", "reason"])


def status(store: common.StoreOption = None) -> None:
    """Say what the store holds, how old the house model is and what to do next."""
    where = common.the_store(store).open()
    sheets = where.current(["purpose", "measured_on", "unit", "body_family", "assembly_source"])
    units = sheets[sheets["purpose"] == "unit"]
    say(f"Store {where.path}, revision {where.revision()}.")
    if len(sheets):
        first, last = sheets["measured_on"].min(), sheets["measured_on"].max()
        say(
            f"{len(units)} sheets of {units['unit'].nunique()} units: "
            f"{units['body_family'].nunique()} families, "
            f"{units['assembly_source'].nunique()} assembly sources; "
            f"{len(sheets) - len(units)} sheets of check pickups, {first:%Y-%m-%d} to {last:%Y-%m-%d}."
        )
    else:
        say("It holds no sheet yet.")
    say(_key_line(where))
    if lent := _lent_line(where):
        say(lent)
    say(_model_line(where, empty=sheets.empty))


def _key_line(store: Store) -> str:
    from fleet.intake import load_key

    noted = store.key_check()
    if noted is None:
        return "No serial number has been turned into a token yet."
    key = load_key(make=False)
    if key is None:
        return (
            "The token key is not here, so no sheet with a serial number can go in: "
            "set FLEET_SECRET or FLEET_KEY_FILE."
        )
    if key.check != noted:
        return (
            "The token key in use is not the one this store was made with: "
            "set FLEET_SECRET or FLEET_KEY_FILE."
        )
    return "The token key in use is the store's."


def _lent_line(store: Store) -> str:
    from fleet.store.sharing import kept_tallies

    told = [f"{k.code} ({k.units} units, {k.made_on:%Y-%m})" for k in kept_tallies(store)]
    return f"Other benches' tallies: {', '.join(told)}." if told else ""


def _model_line(store: Store, *, empty: bool) -> str:
    if empty:
        return "Next: fleet intake FILE"
    from fleet.fitting.refit import load_house

    try:
        house = load_house(store)
    except FleetError as error:
        return str(error)
    if store.changes_since(house.revision):
        return "The house model is older than the sheets. Next: fleet refit"
    return (
        "The house model is up to date. "
        "Next: fleet quote FILE, fleet suspects, fleet attainment, fleet dashboard"
    )


def history(
    sheet: Annotated[
        str | None,
        typer.Argument(metavar="[SHEET]", help="A sheet's number; without it, all intakes are listed."),
    ] = None,
    out: common.OutOption = None,
    store: common.StoreOption = None,
) -> None:
    """Show every version of a sheet, or every intake so far."""
    from fleet.output import check_out

    check_out(out)
    where = common.the_store(store).open()
    if sheet is None:
        intakes = where.intakes()
        if common.write_out(intakes, out) and out is None:
            say(f"{len(intakes)} intake{'' if len(intakes) == 1 else 's'}.")
            if len(intakes):
                say(table({str(name): list(intakes[name]) for name in intakes}, digits=0))
        return
    versions = where.history(sheet)
    if versions.empty:
        raise FleetError("there is no sheet of that number in the store; `fleet status` says what it holds.")
    if common.write_out(versions, out) and out is None:
        say(f"Sheet {sheet}: {len(versions)} version{'' if len(versions) == 1 else 's'}.")
        told = [name for name in versions if versions[name].notna().any() and name != "serial_token"]
        cells = {"": told} | {
            f"version {row['version']}": [row[name] for name in told] for row in versions.to_dict("records")
        }
        say(table(cells))

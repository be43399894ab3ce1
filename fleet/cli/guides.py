"""Commands for benches with headers of their own: draft a reading guide, show what a file would give."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.intake import Guide, IntakeReport
    from fleet.store import Store


def add_to(app: typer.Typer) -> None:
    """Hang the group of commands onto the application."""
    group = typer.Typer(help="Reading guides: sheets with a bench's own headers, units, signs and words.")
    group.callback(invoke_without_command=True)(guide)
    group.command()(propose)
    app.add_typer(group, name="guide", rich_help_panel=common.SHEETS_PANEL)


def guide(context: typer.Context) -> None:
    """Reading guides: sheets with a bench's own headers, units, signs and words."""
    if context.invoked_subcommand is None:
        say(context.get_help())


def propose(
    file: Annotated[Path, typer.Argument(help="A CSV, XLSX or Parquet file of the bench.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write the guide to this .toml file; else it is printed."),
    ] = None,
) -> None:
    """Draft a reading guide from a file's headers and values, with a question where there is a doubt."""
    from fleet.intake import propose_guide

    if out is not None and (out.exists() or out.suffix != ".toml"):
        why = "is there already" if out.exists() else "should end in .toml"
        raise FleetError(f"--out {out}: {why}; choose another name.")
    proposal = propose_guide(file)
    if out is None:
        say(proposal.toml)
        common.warn(proposal.sentence)
        return
    try:
        out.write_text(proposal.toml, encoding="utf-8")
    except OSError as error:
        raise FleetError(f"cannot write {out}: {(error.strerror or 'no reason told').lower()}.") from error
    say(proposal.sentence)
    for question in proposal.guide.questions:
        say(f"  {question}")
    if proposal.left_out:
        say(f"  Left out: {', '.join(proposal.left_out)}.")
    say(f"Next: look at {out}, answer its questions, then fleet intake --guide {out} --dry-run {file}")


def dry_run(trial: Store, file: Path, guide: Guide | None, *, supersede: bool = False) -> IntakeReport:
    """Take a file into a trial store and show what it would give; its faults are not shown yet."""
    from fleet.intake.ingest import try_file
    from fleet.intake.preview import preview

    checked, report = try_file(trial, file, guide=guide, supersede=supersede)
    corrected = f" ({report.superseded} of them corrections)" if report.superseded else ""
    say(
        f"{report.file}: {report.rows_read} rows read, {report.accepted} would go in{corrected}, "
        f"{report.already_there} are there already, {report.put_aside} would be put aside. "
        "Nothing was stored."
    )
    found = preview(checked.good)
    say(table({str(name): list(found[name]) for name in found}))
    return report

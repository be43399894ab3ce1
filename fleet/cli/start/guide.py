"""Draft a reading guide for a bench's own headers: `fleet guide`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say


def guide(
    file: Annotated[Path, typer.Argument(help="A CSV, workbook or Parquet file of the bench.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write the guide to this .toml file; else it is printed."),
    ] = None,
) -> None:
    """Draft a reading guide from a file's headers and values, with a question where there is a doubt."""
    from fleet.intake import propose_guide

    common.check_new_toml(out)
    proposal = propose_guide(file)
    if out is None:
        say(proposal.toml)
        common.warn(proposal.sentence)
        return
    common.write_text(proposal.toml, out)
    say(proposal.sentence)
    for question in proposal.open:
        say(f"  {question.line}")
    if proposal.left_out:
        say(f"  Left out: {', '.join(proposal.left_out)}.")
    say(f"Next: look at {out}, answer its questions, then fleet intake --guide {out} --dry-run {file}")

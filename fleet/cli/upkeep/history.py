"""Show every version of a sheet, or every intake: `fleet history`."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import NoSuchUnitError


def history(
    sheet: Annotated[
        str | None,
        typer.Argument(metavar="[SHEET]", help="A sheet's number; without it, all intakes are listed."),
    ] = None,
    out: common.OutOption = None,
    store: common.StoreOption = None,
) -> None:
    """Show every version of a sheet, or every intake so far."""
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
        from fleet.store import like_number

        near = like_number(where, sheet) or "`fleet status` says what it holds."
        raise NoSuchUnitError(f"there is no sheet of that number in the store; {near}")
    if common.write_out(versions, out) and out is None:
        say(f"Sheet {sheet}: {len(versions)} version{'' if len(versions) == 1 else 's'}.")
        told = [name for name in versions if versions[name].notna().any() and name != "serial_token"]
        cells = {"": told} | {
            f"version {row['version']}": [row[name] for name in told] for row in versions.to_dict("records")
        }
        say(table(cells))

"""Erase a unit for good: `fleet forget`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.errors import FleetError, NoSuchUnitError

if TYPE_CHECKING:
    from fleet.store import OtherCopies


def forget(
    serial: Annotated[
        str | None,
        typer.Option(
            "--serial", metavar="TEXT", help="The unit's serial number; - reads it from standard input."
        ),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NUMBER", help="One sheet, for sheets without a serial.")
    ] = None,
    bench: Annotated[str, typer.Option("--bench", help="The sheet's bench.")] = "main",
    yes: Annotated[bool, typer.Option("--yes", help="Don't ask whether it is meant.")] = False,
    store: common.StoreOption = None,
) -> None:
    """Erase every version of every sheet of a unit for good, and rewrite the store's file.

    There is no way back but a backup. Copies that still hold the sheets are named where fleet knows of them.
    """
    if (serial is None) == (sheet is None):
        raise FleetError("say what to forget: --serial TEXT, or --sheet NUMBER.")
    from fleet.intake import load_key
    from fleet.store import copies_that_hold, forget_sheet, forget_unit, like_number

    where = common.the_store(store).open()
    if serial == "-":
        serial = sys.stdin.readline().strip()
    if not yes:
        if not sys.stdin.isatty():
            raise FleetError("this can't be undone; add --yes if it is meant.")
        typer.confirm("Erase it for good?", abort=True)
    if sheet is not None:
        done = forget_sheet(where, sheet, bench=bench)
        copies = copies_that_hold(where, sheet_no=sheet, bench=bench)
        if not done.versions and not copies.holding:
            raise NoSuchUnitError(
                f"nothing was erased: bench {bench} has no sheet {sheet}; "
                + (like_number(where, sheet) or "fleet status says what the store holds.")
            )
        say(done.sentence)
        _tell_copies(copies, f"--sheet {sheet} --bench {bench}")
        return
    key = load_key(make=False)
    if key is None or key.check != where.key_check():
        raise FleetError(
            "the store's token key is needed to find a unit: set FLEET_SECRET or FLEET_KEY_FILE."
        )
    tokens = (key.token(serial or ""), key.former_token(serial or ""))
    done = forget_unit(where, *[token for token in tokens if token])
    copies = copies_that_hold(where, *key.every_token(serial or ""))
    if not done.versions and not done.quotes and not copies.holding:
        raise NoSuchUnitError(
            "nothing was erased: no sheet in the store bears that serial; look at how it is written, or "
            "forget by number: --sheet NUMBER."
        )
    say(done.sentence)
    _tell_copies(copies, "--serial -")


def _tell_copies(copies: OtherCopies, what: str) -> None:
    """Name what still holds it, and how it is erased there."""
    for copy in copies.holding:
        say(f"It is still in {copy}: delete that, or fleet forget {what} --store {copy}")
    for copy in copies.unread:
        say(f"Whether it is in {copy} could not be seen.")
    say("Copies elsewhere, papers and exports made before are yours to find: fleet explain store")

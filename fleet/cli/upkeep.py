"""Commands that look after the store: check, backup, restore, undo, forget, rekey."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fleet.cli import common, policies
from fleet.cli.common import say
from fleet.errors import FleetError


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    for command in (check, backup, restore, undo, forget, rekey):
        app.command(rich_help_panel=common.UPKEEP_PANEL)(command)
    policies.add_to(app)


def check(store: common.StoreOption = None) -> None:
    """Look the whole store through: every block is read, every row accounted for."""
    from fleet.store import check_store

    health = check_store(common.the_store(store))
    say(health.sentence)
    if health.problems:
        raise FleetError(f"{'; '.join(health.problems)}. Take the newest backup: fleet restore BACKUP")


def backup(
    target: Annotated[Path, typer.Argument(help="A new file, or a folder in which a name is chosen.")],
    store: common.StoreOption = None,
) -> None:
    """Copy the store whole into a new file; the token key is not in it, keep that apart."""
    from fleet.store import back_up

    say(f"Backup made: {back_up(common.the_store(store), target)}")
    say("The token key is not in it: keep FLEET_SECRET or the key file in another safe place.")


def restore(
    source: Annotated[Path, typer.Argument(metavar="BACKUP", help="A file that `fleet backup` made.")],
    store: common.StoreOption = None,
) -> None:
    """Put a backup in the store's place; the store that was there is kept beside it."""
    from fleet.store import restore as put_back

    where = common.the_store(store)
    kept = put_back(where, source)
    say(f"The store {where.path} is the backup's again.")
    if kept is not None:
        say(f"What was there is now {kept}.")


def undo(
    intake: Annotated[int, typer.Argument(help="Number of the intake; `fleet history` lists them.")],
    store: common.StoreOption = None,
) -> None:
    """Take a whole intake back; its rows stay in the history and count no more."""
    from fleet.store import undo_intake

    say(undo_intake(common.the_store(store), intake).sentence)
    say("Next: fleet refit")


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

    There is no way back but a backup, and backups made before still hold the sheets.
    """
    if (serial is None) == (sheet is None):
        raise FleetError("say what to forget: --serial TEXT, or --sheet NUMBER.")
    from fleet.intake import load_key
    from fleet.store import forget_sheet, forget_unit

    where = common.the_store(store).open()
    if serial == "-":
        serial = sys.stdin.readline().strip()
    if not yes:
        if not sys.stdin.isatty():
            raise FleetError("this can't be undone; add --yes if it is meant.")
        typer.confirm("Erase it for good?", abort=True)
    if sheet is not None:
        say(forget_sheet(where, sheet, bench=bench).sentence)
        return
    key = load_key(make=False)
    if key is None or key.check != where.key_check():
        raise FleetError(
            "the store's token key is needed to find a unit: set FLEET_SECRET or FLEET_KEY_FILE."
        )
    say(forget_unit(where, key.token(serial or "")).sentence)


def rekey(store: common.StoreOption = None) -> None:
    """Give every unit a token under a new key, in one transaction; for a key that others may know.

    The key file keeps the earlier keys. Other stores under the same key need the same command once each.
    """
    from fleet.intake import change_token_key

    say(f"{change_token_key(common.the_store(store).open())} units have new tokens.")

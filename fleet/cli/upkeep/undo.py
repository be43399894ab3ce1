"""Take a whole intake back: `fleet undo`."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say


def undo(
    intake: Annotated[int, typer.Argument(help="Number of the intake; `fleet history` lists them.")],
    store: common.StoreOption = None,
) -> None:
    """Take a whole intake back; its rows stay in the history and count no more."""
    from fleet.store import undo_intake

    say(undo_intake(common.the_store(store), intake).sentence)
    say("Next: fleet refit")

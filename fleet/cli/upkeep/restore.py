"""Put a backup in the store's place: `fleet restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say


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

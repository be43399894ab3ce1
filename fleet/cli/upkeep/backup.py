"""Copy the store whole into a new file: `fleet backup`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say


def backup(
    target: Annotated[Path, typer.Argument(help="A new file, or a folder in which a name is chosen.")],
    store: common.StoreOption = None,
) -> None:
    """Copy the store whole into a new file; the token key is not in it, keep that apart."""
    from fleet.store import back_up

    say(f"Backup made: {back_up(common.the_store(store), target)}")
    say("The token key is not in it: keep FLEET_SECRET or the key file in another safe place.")

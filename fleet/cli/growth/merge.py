"""Take another bench's tallies in: `fleet merge`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.store import Store


class SameCodes(StrEnum):
    """Whose codes mean the same at both benches."""

    NONE = "none"
    FAMILIES = "families"
    SOURCES = "sources"
    ALL = "all"


def merge(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="Tallies that another bench exported.")
    ] = None,
    bench: Annotated[
        str | None,
        typer.Option(
            "--as",
            metavar="CODE",
            help="What to call that bench here; else what the file says.",
            show_default=False,
        ),
    ] = None,
    same_codes: Annotated[
        SameCodes,
        typer.Option(
            "--same-codes", help="Whose codes mean the same at both benches; say so only if you know."
        ),
    ] = SameCodes.NONE,
    every: Annotated[bool, typer.Option("--list", help="List the benches whose tallies are here.")] = False,
    drop: Annotated[
        str | None, typer.Option("--drop", metavar="CODE", help="Take a bench's tallies out again.")
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Take another bench's tallies in; the next `fleet refit` learns from them too.

    The same file again changes nothing; a newer one of the same bench takes the place of the one before.
    """
    if sum((file is not None, every, drop is not None)) != 1:
        raise FleetError("one of: fleet merge FILE, --list, --drop CODE.")
    where = common.the_store(store).open()
    if every:
        _list(where)
        return
    if drop is not None:
        from fleet.store.sharing import drop_tallies

        if not drop_tallies(where, drop):
            raise FleetError("there are no tallies of that bench here; fleet merge --list names those.")
        say(f"The tallies of {drop} are out. Next: fleet refit")
        return
    from fleet.fitting.other_benches import take_in

    assert file is not None
    kept = take_in(where, file, code=bench, same_codes=same_codes.value)
    if kept is None:
        say("These tallies were here already; nothing changed.")
        return
    alike = {
        "none": "families and sources are kept apart from yours",
        "families": "families are taken for yours, sources kept apart",
        "sources": "sources are taken for yours, families kept apart",
        "all": "families and sources are taken for yours",
    }[kept.same_codes]
    say(
        f"Took in what {kept.code} told of {kept.units} units, in groups of at least {kept.min_units}; "
        f"{alike}. Next: fleet refit"
    )


def _list(store: Store) -> None:
    from fleet.store.sharing import kept_tallies

    kept = kept_tallies(store)
    if not kept:
        say("No other bench's tallies are here.")
        return
    say(
        table(
            {
                "bench": [k.code for k in kept],
                "units": [k.units for k in kept],
                "smallest group": [k.min_units for k in kept],
                "made in": [f"{k.made_on:%Y-%m}" if k.file else "withdrawn" for k in kept],
                "same codes": [k.same_codes for k in kept],
            },
            digits=0,
        )
    )
    if not all(k.file for k in kept):
        say("Single units could be worked out of what is withdrawn, so it is erased: ask for a new export.")

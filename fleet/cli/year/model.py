"""Say what the house model has learnt: `fleet model`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import NoModelError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.store import Store


def model(
    number: Annotated[
        int | None, typer.Option("--number", min=1, help="Which kept model; the one in use if left out.")
    ] = None,
    against: Annotated[
        int | None, typer.Option("--against", min=1, help="Another kept model, to set beside it.")
    ] = None,
    every: Annotated[bool, typer.Option("--list", help="List the models kept.")] = False,
    use: Annotated[
        int | None, typer.Option("--use", min=1, help="Let this kept model answer from now on.")
    ] = None,
    out: common.OutOption = None,
    store: common.StoreOption = None,
) -> None:
    """Say what the house model has learnt: who sets what how, how sure that is, and what to mind.

    --out writes every level's effect with its interval. --use goes back to an earlier model, or on to one
    that a refit kept aside.
    """
    opened = common.the_store(store).open()
    if use is not None:
        from fleet.store.models import use_model

        use_model(opened, use, reason="chosen")
        say(f"Model {use} answers from now on; the next fleet refit tries a new one against it.")
        return
    if every:
        _list(opened)
        return
    from fleet.fitting.kept_model import load_house
    from fleet.house_model.summary import compare, summarise_model

    house = load_house(opened, number)
    if against is not None:
        say(f"Model {against} beside model {number if number is not None else 'in use'}.")
        _table(compare(load_house(opened, against), house))
        return
    told = summarise_model(house)
    if out is not None:
        common.write_out(told.effects, out)
        return
    say(f"Learnt from {house.units:.0f} units (store revision {house.revision}).")
    for line in told.lines:
        say(f"  {line}")
    say()
    _table(told.links)
    say("  Standard deviations: between units (at a sag scale of 1.5°), of one reading, and between levels.")
    for line in told.diagnostics:
        say(f"  Mind: {line}")


def _list(store: Store) -> None:
    from fleet.store.models import list_models

    kept = list_models(store)
    if kept.empty:
        raise NoModelError("no house model yet: run `fleet refit`")
    _table(kept)


def _table(frame: pd.DataFrame) -> None:
    say(table({str(c): frame[c].tolist() for c in frame.columns}))

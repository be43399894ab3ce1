"""The command that fits the house model on what is in the store."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say

if TYPE_CHECKING:
    from datetime import date

    from fleet.models.house import House
    from fleet.store import Store


def add_to(app: typer.Typer) -> None:
    """Hang the command onto the application."""
    app.command(rich_help_panel=common.SHEETS_PANEL)(refit)


def refit(
    since: Annotated[
        datetime | None,
        typer.Option(
            "--since", formats=["%Y-%m-%d"], help="Teach from this day on only (fleet explain fleet-size)."
        ),
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Fit the house model on the sheets in the store and keep it there.

    Takes a few seconds. Check pickups don't teach it, units that stand far out teach it nothing, and a unit
    measured twice counts once. The model before is kept: the new one is tried against it on units that
    neither has seen, and taken into use by a written rule (fleet explain record).
    """
    from fleet.promotion import refit_by_rule

    try:
        done = refit_by_rule(
            common.the_store(store),
            since=None if since is None else since.date(),
            progress=common.progress(),
        )
    finally:
        common.end_progress()
    tell_refit(done.house)
    say(done.sentence)
    say("Next: fleet quote FILE, fleet suspects, fleet attainment, fleet dashboard")


def fit(store: Store, *, since: date | None = None) -> House:
    """Fit with progress on a terminal."""
    from fleet.refit import refit as fit_store

    try:
        return fit_store(store, progress=common.progress(), since=since)
    finally:
        common.end_progress()


def tell_refit(house: House) -> None:
    """Say what was learnt from how many sheets."""
    rows = max((link.rows for link in house.links.values()), default=0.0)
    say(
        f"House model fitted: {len(house.links)} links from {rows:.0f} sheets "
        f"(store revision {house.revision})."
    )
    for note in house.notes:
        say(f"  {note}.")
    units = sum(n for n, _ in house.faulty.values())
    bad = sum(b for _, b in house.faulty.values())
    if units:
        say(
            f"  {bad:.0f} of {units:.0f} units ({100 * bad / units:.1f} %) stand too far out to teach "
            "what is normal."
        )

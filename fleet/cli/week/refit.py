"""Fit the house model on what is in the store: `fleet refit`."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common, files_out
from fleet.cli.common import say
from fleet.errors import FleetError
from fleet.numerals import count, percent

if TYPE_CHECKING:
    from fleet.house_model.house import House
    from fleet.store import Store


def refit(
    since: Annotated[
        datetime | None,
        typer.Option(
            "--since", formats=["%Y-%m-%d"], help="Teach from this day on only (fleet explain fleet-size)."
        ),
    ] = None,
    quick: Annotated[
        bool,
        typer.Option(
            "--quick",
            help="Only look at units that changed since the last full refit, whose cut still stands "
            "(fleet explain scale).",
        ),
    ] = False,
    tallies: Annotated[
        Path | None,
        typer.Option(
            "--tallies",
            metavar="FILE",
            help="Learn from a tallies file instead of the store's sheets (fleet tallies makes one).",
            show_default=False,
        ),
    ] = None,
    faults: Annotated[
        Path | None,
        files_out.own_file(
            "--faults", "Write how common each fault is here, for --prior (fleet explain suspects).", ".toml"
        ),
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Fit the house model on the sheets in the store and keep it there.

    Takes a few seconds. Check pickups don't teach it, units that stand far out teach it nothing, and a unit
    measured twice counts once. The model before is kept: the new one is tried against it on units that
    neither has seen, and taken into use by a written rule (fleet explain record).
    """
    from fleet.fitting.refit import refit as fit_and_keep

    where = common.the_store(store)
    with common.progress() as tell:
        first = None if since is None else since.date()
        done = fit_and_keep(where, since=first, quick=quick, tallies=tallies, progress=tell)
    tell_refit(done.house)
    say(done.sentence)
    if faults is not None:
        _write_faults(where, done.house, faults)
    say("Next: fleet quote FILE, fleet suspects, fleet attainment, fleet dashboard")


def _write_faults(store: Store, house: House, path: Path) -> None:
    """Estimate how common each fault is and write the shares for --prior."""
    from fleet.faults.prevalence import estimate_prevalence

    found = estimate_prevalence(house, store.open().current())
    files_out.make_way(path)
    try:
        found.write(path)
    except OSError as error:
        raise FleetError(f"--faults: {path.name} can't be written ({error.strerror}).") from error
    say(f"{found.sentence} Wrote {path}: fleet suspects --prior {path}")


def tell_refit(house: House) -> None:
    """Say what was learnt from how many sheets."""
    rows = max((link.rows for link in house.links.values()), default=0.0)
    say(
        f"House model fitted: {len(house.links)} links from {count(round(rows), 'sheet')} "
        f"(store revision {house.revision})."
    )
    for note in house.notes:
        say(f"  {note}.")
    units = sum(n for n, _ in house.faulty.values())
    bad = sum(b for _, b in house.faulty.values())
    if units:
        say(
            f"  {bad:.0f} of {units:.0f} units ({percent(bad / units, 1)}) stand too far out to teach "
            "what is normal."
        )

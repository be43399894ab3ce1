"""Refit without summing the fleet up again: the last full refit's sums, and what changed since."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from fleet import __version__
from fleet.errors import FleetError, UnreadableFileError
from fleet.fitting.fit import fit_sums
from fleet.fitting.refitted import Refitted, keep_house
from fleet.store import Store
from fleet.store.connection import Connection
from fleet.store.incremental import NOW, THEN, KeptBase, changed_sheets, kept_base
from fleet.store.tallies import DuckEngine, newest_intake
from fleet.tallies.files import read_tallies, tallies_from_bytes
from fleet.tallies.incremental import NotExactError, UpdatedSums, update_sums


class FullRefitNeededError(Exception):
    """A quick refit can't be exact here; the message says why, as a phrase."""


def quick_refit(
    store: Store, *, since: date | None = None, progress: Callable[[str], None] | None = None
) -> Refitted:
    """Fit on the last full refit's sums, brought up to date with what changed since, and keep the model.

    Parameters
    ----------
    store : the store
    since : the days that teach, if they are to be those of the last full refit; None asks nothing
    progress : called with a few words before each step

    Raises
    ------
    FullRefitNeededError
        If there are no such sums, or they can't be brought up to date exactly.
    """
    say = progress or (lambda _: None)
    revision = store.revision()
    with store.reader() as con:
        kept = kept_base(con)
        if kept is None:
            raise FullRefitNeededError("no sums of a full refit are kept (forgetting a unit erases them)")
        if kept.version != __version__:
            raise FullRefitNeededError("the last full refit was made by another version of fleet")
        if since is not None and since != kept.since:
            raise FullRefitNeededError("the last full refit was taught by other days")
        say("looking for what changed")
        grown = update_store_sums(con, kept)
        last_intake = newest_intake(con)
    first = "" if kept.since is None else kept.since.isoformat()
    house = fit_sums(store, grown.gathered, revision=revision, progress=progress)
    house = replace(house, last_intake=last_intake, span=(first, ""))
    number = keep_house(store, house)
    return Refitted(house, number, number, _said(grown), grown=grown)


def update_store_sums(con: Connection, kept: KeptBase) -> UpdatedSums:
    """A store's sums brought up to date.

    Raises
    ------
    FullRefitNeededError
        If they can't be, exactly.
    """
    try:
        base, _ = tallies_from_bytes(kept.file, "what the last full refit kept")
    except FleetError:
        raise FullRefitNeededError("the last full refit was made by another version of fleet") from None
    changed_sheets(con, kept)
    try:
        return update_sums(base, DuckEngine(con), THEN, NOW)
    except NotExactError:
        raise FullRefitNeededError("what was kept doesn't match the sheets that changed") from None


def refit_from_file(store: Store, path: Path, *, progress: Callable[[str], None] | None = None) -> Refitted:
    """Fit on a tallies file and keep the model as if from the store's own sheets.

    Raises
    ------
    FleetError
        If the file is no tallies file, or what is in it doesn't go together.
    """
    gathered, about = read_tallies(path)
    store.create()
    try:
        with np.errstate(over="raise", invalid="raise", divide="raise"):
            house = fit_sums(store, gathered, revision=store.revision(), progress=progress)
    except (ArithmeticError, LookupError, ValueError) as error:  # sums of nothing that could be measured
        raise UnreadableFileError(
            f"{path.name} holds sums that no sheets have; make it again with: fleet tallies"
        ) from error
    number = keep_house(store, house)
    engine = f", summed up by {about['engine']}" if "engine" in about else ""
    said = (
        f"Model {number} is in use; it stands on the {gathered.cut.units:.0f} units of {path.name}{engine}."
    )
    return Refitted(house, number, number, said)


def _said(grown: UpdatedSums) -> str:
    what = (
        f"Quick: {grown.added} units taken in or changed and {grown.removed} taken out since the last full "
        "refit, whose cut, spreads and reading noise still stand."
    )
    if not grown.due:
        return f"{what} The model is in use."
    return f"{what} The model is in use, but a full refit is due: {'; '.join(grown.due)}."

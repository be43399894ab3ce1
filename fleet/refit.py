"""Fit the house model on what is in the store, keep it there, and get it back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from fleet.errors import FleetError
from fleet.models.archive import from_parts, to_parts
from fleet.models.cold import cold_house
from fleet.models.gathered import Gathered
from fleet.models.house import House
from fleet.models.tallying import gather as gather_sheets
from fleet.store import Store
from fleet.store.models import newest_model, save_model
from fleet.store.tallies import DuckEngine, newest_intake

if TYPE_CHECKING:
    from fleet.store.connection import Connection

TEACHING = "teaching_sheet"
CURRENT = "current_sheet"


def refit(store: Store, *, progress: Callable[[str], None] | None = None, since: date | None = None) -> House:
    """Fit the house model on the store's teaching sheets and keep it in the store.

    Parameters
    ----------
    store : Store
    progress : called with a few words before each step
    since : only sheets measured from this day on teach

    Returns
    -------
    House

    Raises
    ------
    FleetError
        If the store holds no teaching sheet.
    """
    house = fit_store(store, progress=progress, since=since)
    say = progress or (lambda _: None)
    say("keeping the model")
    arrays, texts = to_parts(house)
    units = float(house.facts.combos["n"].sum())
    save_model(store, revision=house.revision, units=int(units), arrays=arrays, texts=texts)
    return house


def fit_store(
    store: Store,
    *,
    progress: Callable[[str], None] | None = None,
    since: date | None = None,
    before: date | None = None,
) -> House:
    """Fit without keeping (see `refit`).

    Parameters
    ----------
    store, progress : as for `refit`
    since, before : only sheets measured from / before this day teach; None sets no limit
    """
    say = progress or (lambda _: None)
    revision = store.revision()
    with store.reader() as con:
        repeats = CURRENT if before is None else spanned(CURRENT, None, before)
        gathered = gather(con, teaching_relation(since, before), repeats=repeats, progress=progress)
        last_intake = newest_intake(con)
    say("fitting the chain of links")
    first, end = ("" if day is None else day.isoformat() for day in (since, before))
    return replace(gathered.fit(revision=revision), last_intake=last_intake, span=(first, end))


def gather(
    con: Connection,
    teaching: str,
    *,
    repeats: str = CURRENT,
    progress: Callable[[str], None] | None = None,
) -> Gathered:
    """Sum a store's sheets up, rows beyond their link's cut left out.

    Parameters
    ----------
    con : an open connection to the store
    teaching : relation with the sheets that teach
    repeats : relation with the sheets whose repeats tell the reading noise
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If there is no teaching sheet.
    """
    return gather_sheets(DuckEngine(con), teaching, repeats, progress=progress)


def teaching_relation(since: date | None, before: date | None) -> str:
    """The teaching sheets of a span of days, as a relation."""
    return spanned(TEACHING, since, before)


def spanned(view: str, since: date | None, before: date | None) -> str:
    """The sheets of a view that were measured from / before a day, as a relation."""
    limits = [
        f"measured_on {sign} date '{day.isoformat()}'"
        for sign, day in ((">=", since), ("<", before))
        if day is not None
    ]
    return f"(select * from {view} where {' and '.join(limits)})" if limits else view


def load_house(store: Store, number: int | None = None) -> House:
    """The newest house model kept in the store, or the one with this number.

    Raises
    ------
    FleetError
        If there is none yet, or none of this number.
    """
    kept = newest_model(store, number)
    if kept is None and number is not None:
        raise FleetError(f"no house model {number} in the store: `fleet model --list` names those kept")
    if kept is None:
        raise FleetError("no house model yet: run `fleet refit`")
    return from_parts(kept.arrays, kept.texts)


def house_or_cold(store: Store) -> House:
    """The newest kept model; without a store or a model, the one that stands on common practice alone."""
    if not store.path.exists():
        return cold_house()
    kept = newest_model(store)
    return cold_house() if kept is None else from_parts(kept.arrays, kept.texts)

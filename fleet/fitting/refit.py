"""Fit the house model on what is in the store, keep it there, and get it back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import partial
from typing import TYPE_CHECKING

from fleet.errors import NoModelError
from fleet.estimation.prior_only import cold_house
from fleet.fitting.other_benches import lent_units, merged_tallies
from fleet.house_model.archive import from_parts, to_parts
from fleet.house_model.house import House
from fleet.store import Store
from fleet.store.incremental import KeptBase, keep_base, undone_intakes
from fleet.store.models import newest_model, save_model
from fleet.store.tallies import CURRENT, gather, newest_intake, spanned, teaching_relation
from fleet.tallies.files import tallies_bytes
from fleet.tallies.pooling import merge
from fleet.tallies.sufficient_statistics import Gathered

if TYPE_CHECKING:
    pass


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
    house = fit_store(store, progress=progress, since=since, hold=partial(keep_base, store))
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
    hold: Callable[[KeptBase], None] | None = None,
) -> House:
    """Fit without keeping (see `refit`).

    Parameters
    ----------
    store : Store
        Its teaching sheets, and other benches' tallies that it took in.
    progress : callable, optional
        Called with a few words before each step.
    since, before : date, optional
        Only sheets measured from / before this day teach; None sets no limit.
    hold : callable, optional
        Is given the store's own sums, which a quick refit can start from.

    Returns
    -------
    House

    Raises
    ------
    TooFewError
        If the store holds no teaching sheet.
    """
    revision = store.revision()
    with store.reader() as con:
        repeats = CURRENT if before is None else spanned(CURRENT, None, before)
        gathered = gather(con, teaching_relation(since, before), repeats=repeats, progress=progress)
        last_intake, undone = newest_intake(con), undone_intakes(con)
    if hold is not None:
        hold(KeptBase(revision, last_intake, undone, since, tallies_bytes(gathered, {})))
    first, end = ("" if day is None else day.isoformat() for day in (since, before))
    house = fit_sums(store, gathered, revision=revision, others=before is None, progress=progress)
    return replace(house, last_intake=last_intake, span=(first, end))


def fit_sums(
    store: Store,
    gathered: Gathered,
    *,
    revision: int,
    others: bool = True,
    progress: Callable[[str], None] | None = None,
) -> House:
    """Fit on sums of sheets, other benches' tallies that the store took in added.

    Parameters
    ----------
    store, progress : as for `refit`
    gathered : the sums
    revision : data revision that they stand for
    others : whether to add other benches' tallies
    """
    say = progress or (lambda _: None)
    taken = merged_tallies(store) if others else []
    if taken:
        say("adding other benches' tallies")
        gathered = merge(gathered, [told for _, told in taken])
    say("fitting the chain of links")
    house = gathered.fit(revision=revision)
    return replace(house, notes=house.notes + lent_units(kept for kept, _ in taken))


def load_house(store: Store, number: int | None = None) -> House:
    """The newest house model kept in the store, or the one with this number.

    Parameters
    ----------
    store : Store
        Where it is kept.
    number : int, optional
        Which one; the one in use without it.

    Returns
    -------
    House

    Raises
    ------
    NoModelError
        If there is none yet, or none of this number.
    """
    kept = newest_model(store, number)
    if kept is None and number is not None:
        raise NoModelError(f"no house model {number} in the store: `fleet model --list` names those kept")
    if kept is None:
        raise NoModelError("no house model yet: run `fleet refit`")
    return from_parts(kept.arrays, kept.texts)


def house_or_cold(store: Store) -> House:
    """The newest kept model; without a store or a model, the one that stands on common practice alone."""
    if not store.path.exists():
        return cold_house()
    kept = newest_model(store)
    return cold_house() if kept is None else from_parts(kept.arrays, kept.texts)

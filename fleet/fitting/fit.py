"""Fit the house model on the sheets of a store, or on sums of sheets; nothing is kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

from fleet.house_model.house import House
from fleet.store import Store
from fleet.store.incremental import KeptBase, undone_intakes
from fleet.store.sharing import kept_tallies
from fleet.store.tallies import REPEATED, gather, newest_intake, sheets_in_span, teaching_relation
from fleet.tallies.files import tallies_bytes
from fleet.tallies.sufficient_statistics import SufficientStatistics


def fit_store(
    store: Store,
    *,
    progress: Callable[[str], None] | None = None,
    since: date | None = None,
    before: date | None = None,
    hold: Callable[[KeptBase], None] | None = None,
) -> House:
    """Fit on the store's teaching sheets; nothing is kept.

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
    first, end = ("" if day is None else day.isoformat() for day in (since, before))
    with store.held():
        revision = store.revision()
        with store.reader() as con:
            repeats = sheets_in_span(REPEATED, None, before)
            gathered = gather(con, teaching_relation(since, before), repeats=repeats, progress=progress)
            last_intake, undone = newest_intake(con), undone_intakes(con)
        if hold is not None:
            hold(KeptBase(revision, last_intake, undone, since, tallies_bytes(gathered, {})))
        house = fit_sums(store, gathered, revision=revision, others=before is None, progress=progress)
    return replace(house, last_intake=last_intake, span=(first, end))


def fit_sums(
    store: Store,
    gathered: SufficientStatistics,
    *,
    revision: int,
    others: bool = True,
    progress: Callable[[str], None] | None = None,
) -> House:
    """Fit on sums of sheets, other benches' tallies that the store took in added.

    Parameters
    ----------
    store, progress : as for `fit_store`
    gathered : the sums
    revision : data revision that they stand for
    others : whether to add other benches' tallies
    """
    say = progress or (lambda _: None)
    lent: tuple[str, ...] = ()
    if others and kept_tallies(store):
        from fleet.fitting.other_benches import lent_units, merged_tallies
        from fleet.tallies.pooling import merge

        say("adding other benches' tallies")
        taken = merged_tallies(store)
        gathered, lent = merge(gathered, [told for _, told in taken]), lent_units(kept for kept, _ in taken)
    say("fitting the chain of links")
    house = gathered.fit(revision=revision)
    return replace(house, notes=house.notes + lent)

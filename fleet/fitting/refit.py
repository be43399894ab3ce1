"""Fit the house model on what is in the store, and keep it there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from fleet.errors import FleetError
from fleet.fitting.promotion import refit_by_rule
from fleet.fitting.refitted import Refitted
from fleet.store import Store


def refit(
    store: Store,
    *,
    since: date | None = None,
    quick: bool = False,
    tallies: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> Refitted:
    """Fit the house model, keep it in the store, and say which model answers from now on.

    Parameters
    ----------
    store : Store
    since : only sheets measured from this day on teach
    quick : start from the last full refit's sums where that is exact; else a full refit is made, and says why
    tallies : learn from this tallies file instead of the store's sheets
    progress : called with a few words before each step

    Returns
    -------
    Refitted

    Raises
    ------
    FleetError
        If the store holds no teaching sheet, or the file is no tallies file or is not alone.
    """
    if tallies is not None:
        if quick or since is not None:
            raise FleetError("a tallies file holds what teaches already: leave out --quick and --since")
        from fleet.fitting.quick_refit import refit_from_file

        return refit_from_file(store, tallies, progress=progress)
    if not quick:
        return refit_by_rule(store, since=since, progress=progress)
    from fleet.fitting.quick_refit import FullRefitNeededError, quick_refit

    try:
        return quick_refit(store, since=since, progress=progress)
    except FullRefitNeededError as why:
        done = refit_by_rule(store, since=since, progress=progress)
        return replace(done, sentence=f"A full refit instead of a quick one: {why}. {done.sentence}")

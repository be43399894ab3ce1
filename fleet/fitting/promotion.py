"""Which house model answers: a new fit is kept beside the old one and taken into use by a written rule.

The rule (also in fleet/docs/record.md):

1. The first model is taken into use.
2. On trial units both models foretell sag, rake and tracking angle of units that neither has seen. A score is
   the mean CRPS of the three, each over the standard deviation of what was read.
3. Only sheets were added: the new model is taken into use unless it is worse by more than two standard
   errors of the paired difference. The way of fitting changed (another span of days, another version of
   fleet): it is taken into use only if it is better on average.
4. Too few trial units: it is taken into use, and that is said.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np

from fleet import __version__
from fleet.errors import FleetError
from fleet.fitting.fit import fit_store
from fleet.fitting.refitted import TRIAL_UNITS, Refitted, keep_house
from fleet.house_model.archive import from_parts
from fleet.house_model.house import House
from fleet.numerals import percent
from fleet.statistics.quantile_forecasts import Floats, Paired, compare_scores
from fleet.store import Store
from fleet.store.incremental import KeptBase
from fleet.store.models import KeptModel, newest_model
from fleet.store.quotes import units_since


def refit_by_rule(
    store: Store, *, since: date | None = None, progress: Callable[[str], None] | None = None
) -> Refitted:
    """Fit a house model, keep it, and take it into use by the rule above.

    Parameters
    ----------
    store : the store
    since : only sheets measured from this day on teach
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If the store holds no teaching sheet.
    """
    base: list[KeptBase] = []
    with store.held():
        old = newest_model(store)
        house = fit_store(store, progress=progress, since=since, hold=base.append)
    if old is None:
        number = keep_house(store, house, base=next(iter(base), None))
        return Refitted(house, number, number, f"Model {number} is in use, the first one.")
    before = from_parts(old.arrays, old.texts)
    same = before.span == house.span and old.version == __version__
    try:
        scores = _trial(store, before, old, since=since, same=same, progress=progress)
    except FleetError:  # a span so short that nothing is left to teach once the trial units are held back
        scores = None
    trial = None if scores is None else compare_scores(*scores)
    taken = trial is None or (
        not trial.difference > 2.0 * trial.standard_error if same else trial.difference < 0.0
    )
    number = keep_house(store, house, use=taken, base=next(iter(base), None))
    typical = 1.0 if scores is None else float(np.nanmean(scores[1]))
    return Refitted(
        house,
        number,
        number if taken else old.model_id,
        _said(number, old, trial, typical, taken, same),
        trial=trial,
    )


def _trial(
    store: Store,
    before: House,
    old: KeptModel,
    *,
    since: date | None,
    same: bool,
    progress: Callable[[str], None] | None,
) -> tuple[Floats, Floats, np.ndarray] | None:
    """Scores of both models and the families of the units tried; None where there are too few."""
    new_alone = same or old.version != __version__
    if new_alone and units_since(store, before.last_intake or np.inf) < TRIAL_UNITS:
        return None
    from fleet.fitting.trial import try_both

    return try_both(store, before, since=since, new_alone=new_alone, progress=progress)


def _said(number: int, old: KeptModel, trial: Paired | None, typical: float, taken: bool, same: bool) -> str:
    if trial is None:
        return (
            f"Model {number} is in use, untried: fewer than {TRIAL_UNITS} units can be foretold by it and by "
            f"model {old.model_id} without either having seen them. "
            f"Back again: fleet model --use {old.model_id}"
        )
    change = trial.difference / typical
    noise = f"{200.0 * trial.standard_error / typical:.1f}"
    way = "better" if change < 0.0 else "worse"
    found = (
        f"on {trial.n} units that neither had seen it foretells {percent(abs(change), 1)} {way} "
        f"(± {noise}, two standard errors)"
    )
    if taken:
        even = "; that is within noise, and it knows more sheets" if same and change > 0.0 else ""
        return f"Model {number} is in use instead of model {old.model_id}: {found}{even}."
    bar = "worse than noise explains" if same else "a new way of fitting must be better"
    return (
        f"Model {number} is kept, but model {old.model_id} stays in use: {found}; {bar}. "
        f"Look at what came in (fleet history, fleet suspects); all the same: fleet model --use {number}"
    )

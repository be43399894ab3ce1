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
from typing import Final

import numpy as np
import pandas as pd

from fleet import __version__
from fleet.columns import ENQUIRY_COLUMNS, READ_BY
from fleet.errors import FleetError
from fleet.fitting.fit import fit_store, fit_sums
from fleet.fitting.refitted import Refitted, keep_house
from fleet.house_model.archive import from_parts
from fleet.house_model.chain import SPHERICAL
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.numerals import percent
from fleet.statistics.quantile_forecasts import Floats, Paired, compare_scores, crps, quantiles_of
from fleet.store import Store
from fleet.store.incremental import KeptBase, keep_base
from fleet.store.models import KeptModel, newest_model
from fleet.store.quotes import sheets_by_intake, units_since
from fleet.store.tallies import DuckEngine, gather, teaching_relation

TRIAL_UNITS: Final = 30
"""Fewer units that neither model has seen are no trial."""
LARGEST_TRIAL: Final = 1500
"""More new units than this would make the trial no surer, only longer: as many are drawn from them."""
PARTS: Final = 3
"""The new way of fitting foretells each third of the new units from all other sheets."""
SMALL_SHARE: Final = 0.02
"""Trial units fewer than this share of all are held back at once: teaching hardly misses them."""
NEWEST_SHARE: Final = 0.2
"""Where no new units came but the way of fitting changed, the newest fifth of all units is held back."""
_NOT_FACTS: Final = ("enquiry_id", "serial", "policy", *READ_BY, *READ_BY.values(), "peculiarities")
FACTS: Final = tuple(n for n in ENQUIRY_COLUMNS if n not in _NOT_FACTS)
_READ: Final = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg")
_NEEDED: Final = tuple(dict.fromkeys(("unit", "newest", "bench", "sheet_no", "measured_on", *FACTS, *_READ)))


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
    for kept in base:
        keep_base(store, kept)
    if old is None:
        number = keep_house(store, house, use=True)
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
    number = keep_house(store, house, use=taken)
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
    """Scores of the new and the old model on units that neither has seen, and the units' families."""
    last_intake = before.last_intake or np.inf
    no_other_trial = same or old.version != __version__
    if no_other_trial and units_since(store, last_intake) < TRIAL_UNITS:
        return None
    sheets = sheets_by_intake(store, _NEEDED)
    units = sheets[sheets["newest"].to_numpy(dtype=bool)]
    units = units[~units["unit"].duplicated()]
    came = sheets.groupby("unit")["came_by"].min()
    unseen = units[units["unit"].map(came).to_numpy() > last_intake]
    if len(unseen) >= TRIAL_UNITS:
        tried = unseen.sample(min(len(unseen), LARGEST_TRIAL), random_state=0).sort_index()
        parts = 1 if len(tried) < SMALL_SHARE * len(units) else PARTS
        return _on_new_units(store, before, tried, parts, since, progress)
    if no_other_trial:
        return None
    held = units.sort_values("measured_on", kind="stable").tail(int(NEWEST_SHARE * len(units)))
    if len(held) < TRIAL_UNITS:
        return None
    first = date.fromisoformat(before.span[0]) if before.span[0] else None
    if progress is not None:
        progress("trying both ways of fitting")
    ways = [_score(_without(store, held, day), held) for day in (since, first)]
    return ways[0], ways[1], held["body_family"].astype(object).to_numpy()


def _on_new_units(
    store: Store,
    before: House,
    unseen: pd.DataFrame,
    parts: int,
    since: date | None,
    progress: Callable[[str], None] | None,
) -> tuple[Floats, Floats, np.ndarray]:
    part = np.random.default_rng(0).permutation(np.arange(len(unseen)) % parts)
    fresh = np.full(len(unseen), np.nan)
    for k in range(parts):
        if progress is not None:
            progress(f"trying the new model on units it hasn't seen, part {k + 1} of {parts}")
        mine = part == k
        fresh[mine] = _score(_without(store, unseen[mine], since), unseen[mine], of=unseen)
    return fresh, _score(before, unseen), unseen["body_family"].astype(object).to_numpy()


def _without(store: Store, held: pd.DataFrame, since: date | None) -> House:
    """A model fitted without these units."""
    with store.reader() as con:
        DuckEngine(con).put("held_out", held[["bench", "sheet_no"]])
        there = f"{teaching_relation(since, None)} anti join held_out using (bench, sheet_no)"
        gathered = gather(con, f"(select * from {there})")
    return fit_sums(store, gathered, revision=0)


def _score(house: House, units: pd.DataFrame, *, of: pd.DataFrame | None = None) -> Floats:
    """Mean CRPS of sag, rake and tracking angle, each over its standard deviation, per unit."""
    draws = Forecaster(house, n_draws=512).draw(units[list(FACTS)].reset_index(drop=True))
    forecasts = {"sag": draws.sag, "rake": draws.sra_dynamic, "tracking": draws.vta_dynamic}
    spread = {name: np.nanstd(x) for name, x in _readings(units if of is None else of).items()}
    parts = [
        crps(quantiles_of(forecasts[name]), read) / max(float(spread[name]), 1e-9)
        for name, read in _readings(units).items()
    ]
    table = np.column_stack(parts)
    told = ~np.isnan(table)
    total = np.where(told, table, 0.0).sum(axis=1)
    return np.where(told.any(axis=1), total / np.maximum(told.sum(axis=1), 1), np.nan)


def _readings(units: pd.DataFrame) -> dict[str, Floats]:
    static, rake, vta = (units[c].to_numpy(dtype=np.float64, na_value=np.nan) for c in _READ)
    spherical = (units["stylus_profile"] == SPHERICAL).to_numpy(dtype=bool, na_value=False)
    rake = np.where(spherical, np.nan, rake)
    return {"sag": static - rake, "rake": rake, "tracking": vta}


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

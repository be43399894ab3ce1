"""Units that neither of two models has seen, foretold by both."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from fleet.columns import ENQUIRY_COLUMNS, READ_BY
from fleet.fitting.fit import fit_sums
from fleet.fitting.refitted import TRIAL_UNITS
from fleet.house_model.chain import SPHERICAL
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.statistics.quantile_forecasts import Floats, crps, quantiles_of
from fleet.store import Store
from fleet.store.quotes import sheets_by_intake
from fleet.store.tallies import DuckEngine, gather, teaching_relation

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


def try_both(
    store: Store,
    before: House,
    *,
    since: date | None,
    new_alone: bool,
    progress: Callable[[str], None] | None,
) -> tuple[Floats, Floats, np.ndarray] | None:
    """Scores of the new and the old model on units that neither has seen, and the units' families.

    Parameters
    ----------
    store, since, progress : as for `fleet.fitting.promotion.refit_by_rule`
    before : the old model
    new_alone : whether only units that came since will do
    """
    last_intake = before.last_intake or np.inf
    sheets = sheets_by_intake(store, _NEEDED)
    units = sheets[sheets["newest"].to_numpy(dtype=bool)]
    units = units[~units["unit"].duplicated()]
    came = sheets.groupby("unit")["came_by"].min()
    unseen = units[units["unit"].map(came).to_numpy() > last_intake]
    if len(unseen) >= TRIAL_UNITS:
        tried = unseen.sample(min(len(unseen), LARGEST_TRIAL), random_state=0).sort_index()
        parts = 1 if len(tried) < SMALL_SHARE * len(units) else PARTS
        return _on_new_units(store, before, tried, parts, since, progress)
    if new_alone:
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

"""Quotes as they would have been told: sheets turned back into enquiries, answered by an earlier model."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.columns import READ_BY
from fleet.house_model.house import House
from fleet.policy.policy import Policy
from fleet.quotes.baselines import reference_scores
from fleet.quotes.kept_quotes import FACTS, archive_rows, facts_frame
from fleet.quotes.outcomes import ForecastPairs, join, pair_forecasts
from fleet.quotes.quote import quote

USUAL_SHARES: Final = {
    "body_family": 0.80,
    "generator": 0.90,
    "stylus_profile": 0.90,
    "cantilever_material": 0.85,
    "assembly_source": 0.50,
    "vtf_mn": 0.95,
    "compliance_um_per_mn": 0.65,
    "cantilever_length_mm": 0.65,
    "tilt_room_deg": 0.35,
    "hours_used": 0.30,
}
"""How often an enquiry tells a fact, until a bench's own enquiries show it (assumed, no source)."""
ENOUGH_ENQUIRIES: Final = 30
"""From so many enquiries of its own on, a bench's own habit of telling is taken."""
NEVER_TOLD: Final = ("temperature_c", *READ_BY, *READ_BY.values(), "peculiarities")
"""What only the bench finds out (or an earlier visit, which a unit's first sheet has not)."""


def usual_facts(
    n: int, own: pd.DataFrame | None = None, *, seed: int = 0, few: int | None = None
) -> NDArray[np.bool_]:
    """Which facts each of n enquiries tells, (n, len(FACTS)).

    Parameters
    ----------
    n : enquiries
    own : facts of enquiries to take after, one row each, columns `FACTS`; the assumed shares if there are
        fewer than `few`
    seed : of the draw which enquiry is taken after
    few : `ENOUGH_ENQUIRIES` if None
    """
    rng = np.random.default_rng(seed)
    if own is not None and len(own) >= (ENOUGH_ENQUIRIES if few is None else few):
        told = own.reindex(columns=list(FACTS)).notna().to_numpy()
        pattern = told[rng.integers(len(told), size=n)]
    else:
        shares = np.array([USUAL_SHARES.get(name, 0.0) for name in FACTS])
        pattern = rng.random((n, len(FACTS))) < shares
        pattern[:, FACTS.index("compliance_frequency_hz")] = pattern[:, FACTS.index("compliance_um_per_mn")]
    pattern[:, [FACTS.index(name) for name in NEVER_TOLD]] = False
    return np.asarray(pattern)


def all_facts(n: int) -> NDArray[np.bool_]:
    """Every fact told that an enquiry can tell, (n, len(FACTS))."""
    pattern = np.ones((n, len(FACTS)), dtype=bool)
    pattern[:, [FACTS.index(name) for name in NEVER_TOLD]] = False
    return pattern


def as_enquiries(sheets: pd.DataFrame, told: NDArray[np.bool_]) -> pd.DataFrame:
    """Sheets turned back into the enquiries that they may have answered.

    Parameters
    ----------
    sheets : (m) rows, canonical columns
    told : (m, len(FACTS)); what isn't told is emptied
    """
    facts = {name: sheets[name].where(told[:, i]) for i, name in enumerate(FACTS) if name in sheets}
    return pd.DataFrame({"enquiry_id": sheets["sheet_no"].astype(str), **facts}).reset_index(drop=True)


def make_hindcasts(
    house: House,
    taught: pd.DataFrame,
    asked: pd.DataFrame,
    told: NDArray[np.bool_],
    policy: Policy,
    *,
    origin: date | None = None,
    boosting: bool = True,
) -> pd.DataFrame:
    """Quote sheets by a model that didn't see them, and let the rivals try the same.

    Parameters
    ----------
    house : the model
    taught : the sheets that taught it, for the rivals
    asked : m sheets to foretell
    told : (m, len(FACTS)) what their enquiries would have told
    policy : the target policy
    origin : first day that the model didn't know
    boosting : whether to let gradient boosting try too, where it is installed

    Returns
    -------
    DataFrame
        m rows as the store keeps forecasts, with `bench`, `sheet_no`, `origin` and `rivals` (JSON).
    """
    enquiries = as_enquiries(asked, told)
    quotes = quote(enquiries, house, {policy.name: policy}, policy_name=policy.name)
    kept = pd.DataFrame(archive_rows(quotes, enquiries.assign(enquiry_id=None), house, model_id=None))
    kept = kept.assign(bench=asked["bench"].to_numpy(), sheet_no=asked["sheet_no"].to_numpy(), origin=origin)
    found = pair_forecasts(kept, asked)
    happened = {name: found.chances[name].to_numpy() for name in ("both_met", "wedge_made")}
    scores = reference_scores(taught, enquiries, found.read, kept["policy"], happened, boosting=boosting)
    return kept.assign(rivals=_texts(scores, len(asked)))


def _texts(scores: dict[str, dict[str, NDArray[np.float64]]], m: int) -> list[str]:
    return [
        json.dumps(
            {
                rival: {q: round(float(x[i]), 6) for q, x in own.items() if not np.isnan(x[i])}
                for rival, own in scores.items()
            }
        )
        for i in range(m)
    ]


def add_references(record: ForecastPairs, sheets: pd.DataFrame, *, boosting: bool = True) -> ForecastPairs:
    """Let the rivals foretell what quotes foretold, each from the sheets that had taught the model.

    Parameters
    ----------
    record : quotes that were answered
    sheets : every unit's sheets, canonical columns with `unit`, and `came_by`, the intake that brought each
    boosting : whether to fit gradient boosting too, where it is installed (some seconds a model)
    """
    parts = []
    known = record.about["taught_intake"].fillna(0).to_numpy(dtype=np.int64)
    for intake in np.unique(known):
        mine = record.where(known == intake)
        taught = sheets[sheets["came_by"] <= intake].sort_values("measured_on", kind="stable")
        taught = taught[~taught["unit"].duplicated(keep="last")].reset_index(drop=True)
        asked = facts_frame(mine.about["facts"])
        happened = {name: mine.chances[name].to_numpy() for name in ("both_met", "wedge_made")}
        scores = (
            reference_scores(taught, asked, mine.read, mine.about["policy"], happened, boosting=boosting)
            if len(taught)
            else {}
        )
        parts.append(replace(mine, rivals=scores))
    return join(parts) if parts else record

"""What is kept of a quote: facts, policy, model and quantiles, so that the bench's reading can score it."""

from __future__ import annotations

import json

import pandas as pd

from fleet.columns import COLUMNS, ENQUIRY_COLUMNS
from fleet.house_model.house import House
from fleet.quotes.outcomes import FORECAST, policy_text
from fleet.quotes.quote import Quotes
from fleet.statistics.quantile_forecasts import quantiles_of

NOT_FACTS = ("enquiry_id", "serial", "policy")
FACTS = tuple(name for name in ENQUIRY_COLUMNS if name not in NOT_FACTS)
"""Enquiry columns that are facts about a pickup."""
SHEET_FACTS = tuple(name for name in FACTS if name in COLUMNS)
"""Those that a bench sheet tells as well."""


def archive_rows(
    quotes: Quotes, enquiries: pd.DataFrame, house: House, *, model_id: int | None
) -> pd.DataFrame:
    """One row a quote, as the store keeps it.

    Parameters
    ----------
    quotes : what was told
    enquiries : what was asked, in the same order; `serial_token` where a serial was told
    house : the model that answered
    model_id : its number in the store; None for mechanics and common practice alone

    Returns
    -------
    DataFrame
        Columns of `fleet.store.quotes.KEPT_COLUMNS` as far as a quote has them; quantiles as lists.
    """
    table = quotes.table
    numbers = enquiries["enquiry_id"].astype(object).reset_index(drop=True)
    kept = pd.DataFrame(
        {
            "enquiry_id": numbers.where(numbers.notna(), None),
            "serial_token": _texts(enquiries, "serial_token"),
            "model_id": pd.array([model_id] * len(table), dtype="Int32"),
            "model_revision": house.revision,
            "taught_intake": pd.array([house.last_intake] * len(table), dtype="Int32"),
            "facts": [facts_text(row) for row in enquiries.to_dict("records")],
            "policy": [policy_text(p) for p in quotes.policies],
            "policy_label": [p.fingerprint for p in quotes.policies],
            "standing": list(quotes.standing),
            "stretch": [_stretch_text(quotes, s) for s in quotes.standing],
        }
    )
    figures = ["p_rake_met", "p_tracking_met", "p_both_met", "p_made_wedge", "p_faulty"]
    for name in (*figures, "price_low", "price_quoted", "price_high"):
        kept[name] = table[name].to_numpy(dtype=float)
    lists = {name: pd.Series(_quantiles(quotes, name), dtype=object) for name in FORECAST}
    return kept.assign(**lists)


def _quantiles(quotes: Quotes, name: str) -> list[list[float] | None]:
    draws = quotes.arrays
    values = draws["sra_dynamic_deg"] - draws["vta_dynamic_deg"] if name == "built_in_deg" else draws[name]
    found = quantiles_of(values)
    return [None if x != x else list(row) for x, row in zip(found[:, 0], found, strict=True)]


def _stretch_text(quotes: Quotes, standing: str) -> str:
    use = quotes.recalibration
    return json.dumps({} if use is None else use.factors(standing), sort_keys=True)


def _texts(frame: pd.DataFrame, name: str) -> list[str | None]:
    if name not in frame:
        return [None] * len(frame)
    return [None if pd.isna(x) else str(x) for x in frame[name]]


def facts_text(row: dict[object, object]) -> str:
    """What one enquiry told, as JSON with its keys in order."""
    told = {str(k): v for k, v in row.items() if str(k) in FACTS and not pd.isna(v)}  # type: ignore[call-overload]
    plain = {k: v if isinstance(v, str) else float(str(v)) for k, v in told.items() if v != ""}
    return json.dumps(plain, sort_keys=True)


def facts_frame(texts: pd.Series) -> pd.DataFrame:
    """Facts as columns of an enquiry again, empty where not told."""
    frame = pd.DataFrame([json.loads(t) for t in texts], index=range(len(texts)))
    return frame.reindex(columns=list(FACTS))

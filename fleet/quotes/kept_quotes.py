"""What is kept of a quote: facts, policy, model and quantiles, so that the bench's reading can score it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from fleet.columns import COLUMNS, ENQUIRY_COLUMNS
from fleet.house_model.house import House
from fleet.numerals import unknown
from fleet.quotes.outcomes import FORECAST, policy_text
from fleet.quotes.quote import Quotes
from fleet.rows import Columns, records
from fleet.statistics.quantile_forecasts import quantiles_of

if TYPE_CHECKING:
    import pandas as pd

NOT_FACTS = ("enquiry_id", "serial", "policy")
FACTS = tuple(name for name in ENQUIRY_COLUMNS if name not in NOT_FACTS)
"""Enquiry columns that are facts about a pickup."""
SHEET_FACTS = tuple(name for name in FACTS if name in COLUMNS)
"""Those that a bench sheet tells as well."""


def archive_rows(
    quotes: Quotes, enquiries: Columns, house: House, *, model_id: int | None
) -> dict[str, list[Any]]:
    """One row a quote, as the store keeps it.

    Parameters
    ----------
    quotes : what was told
    enquiries : what was asked, in the same order; `serial_token` where a serial was told
    house : the model that answered
    model_id : its number in the store; None for mechanics and common practice alone

    Returns
    -------
    dict
        Columns of `fleet.store.quotes.KEPT_COLUMNS` as far as a quote has them; quantiles as lists.
    """
    rows, m = records(enquiries), len(quotes.sentences)
    figures = ["p_rake_met", "p_tracking_met", "p_both_met", "p_made_wedge", "p_faulty"]
    return {
        "enquiry_id": _texts(rows, "enquiry_id"),
        "serial_token": _texts(rows, "serial_token"),
        "model_id": [model_id] * m,
        "model_revision": [house.revision] * m,
        "taught_intake": [house.last_intake] * m,
        "facts": [facts_text(row) for row in rows],
        "policy": [policy_text(p) for p in quotes.policies],
        "policy_label": [p.fingerprint for p in quotes.policies],
        "standing": list(quotes.standing),
        "stretch": [_stretch_text(quotes, s) for s in quotes.standing],
        **{n: quotes.columns[n].tolist() for n in (*figures, "price_low", "price_quoted", "price_high")},
        **{name: _quantiles(quotes, name) for name in FORECAST},
    }


def _quantiles(quotes: Quotes, name: str) -> list[list[float] | None]:
    draws = quotes.arrays
    values = draws["sra_dynamic_deg"] - draws["vta_dynamic_deg"] if name == "built_in_deg" else draws[name]
    found = quantiles_of(values)
    return [None if x != x else list(row) for x, row in zip(found[:, 0], found, strict=True)]


def _stretch_text(quotes: Quotes, standing: str) -> str:
    use = quotes.recalibration
    return json.dumps({} if use is None else use.factors(standing), sort_keys=True)


def _texts(rows: list[dict[str, Any]], name: str) -> list[str | None]:
    return [None if unknown(row.get(name)) else str(row[name]) for row in rows]


def facts_text(row: dict[str, Any]) -> str:
    """What one enquiry told, as JSON with its keys in order."""
    told = {k: v for k, v in row.items() if k in FACTS and not unknown(v)}
    plain = {k: v if isinstance(v, str) else float(str(v)) for k, v in told.items() if v != ""}
    return json.dumps(plain, sort_keys=True)


def facts_frame(texts: pd.Series) -> pd.DataFrame:
    """Facts as columns of an enquiry again, empty where not told."""
    import pandas as pd

    frame = pd.DataFrame([json.loads(t) for t in texts], index=range(len(texts)))
    return frame.reindex(columns=list(FACTS))

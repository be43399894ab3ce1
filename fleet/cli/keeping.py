"""Keeping quotes for the track record, and the correction that the record has led to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fleet.cli import common
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.house_model.house import House
    from fleet.quotes.quote import Quotes
    from fleet.quotes.recalibration import Recalibration
    from fleet.store import Store


def correction(store: Store) -> Recalibration | None:
    """The correction of intervals that is switched on in a store; None if there is none."""
    if not store.path.exists():
        return None
    from fleet.quotes.recalibration import Recalibration
    from fleet.store.quotes import recalibration_text

    text = recalibration_text(store)
    return None if text is None else Recalibration.from_text(text)


def keep(store: Store, quotes: Quotes, enquiries: pd.DataFrame, house: House) -> None:
    """Keep quotes for the track record; where that can't be done, say so and go on.

    Parameters
    ----------
    store : where; nothing is kept where there is no store yet
    quotes, enquiries, house : what was told, what was asked, by which model
    """
    if not store.path.exists():
        return
    from fleet.quotes.kept_quotes import to_keep
    from fleet.store.models import model_in_use
    from fleet.store.quotes import keep_quotes

    asked = enquiries.reset_index(drop=True)
    asked = asked.assign(enquiry_id=asked["enquiry_id"].where(asked["enquiry_id"] != common.ASKED))
    try:
        number = model_in_use(store) if house.units > 0.0 else None
        keep_quotes(store, to_keep(quotes, asked, house, model_id=number))
    except FleetError as error:
        common.warn(f"Note: not kept for the track record: {error}")

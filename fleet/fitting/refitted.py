"""What a refit came to, and how it is kept."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.house_model.archive import to_parts
from fleet.house_model.house import House
from fleet.statistics.quantile_forecasts import Paired
from fleet.store import Store
from fleet.store.models import save_model
from fleet.tallies.incremental import UpdatedSums


@dataclass(frozen=True)
class Refitted:
    """What became of a new fit.

    Attributes
    ----------
    house : the new model
    number, in_use : its number, and that of the model that answers now
    sentence : what was done or decided, and why
    trial : paired scores, new less old; None if there was no trial
    grown : kept sums brought up to date that it was fitted on; None if they were summed up anew
    """

    house: House
    number: int
    in_use: int
    sentence: str
    trial: Paired | None = None
    grown: UpdatedSums | None = None


def keep_house(store: Store, house: House, *, use: bool = True) -> int:
    """Keep a model in the store, in use unless told otherwise; its number."""
    arrays, texts = to_parts(house)
    return save_model(
        store, revision=house.revision, units=int(house.units), arrays=arrays, texts=texts, use=use
    )

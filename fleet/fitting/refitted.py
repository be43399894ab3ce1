"""What a refit came to, and how it is kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

from fleet.house_model.archive import to_parts
from fleet.house_model.house import House
from fleet.statistics.quantile_forecasts import Paired
from fleet.store import Store
from fleet.store.incremental import KeptBase, keep_base
from fleet.store.models import save_model

if TYPE_CHECKING:
    from fleet.tallies.incremental import UpdatedSums

TRIAL_UNITS: Final = 30
"""Fewer units that neither model has seen are no trial."""


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


def keep_house(store: Store, house: House, *, use: bool = True, base: KeptBase | None = None) -> int:
    """Keep a model in the store, in use unless told otherwise, with the sums of a full refit; its number."""
    arrays, texts = to_parts(house)
    beside = None if base is None else partial(keep_base, base)
    return save_model(
        store,
        revision=house.revision,
        units=int(house.units),
        arrays=arrays,
        texts=texts,
        use=use,
        beside=beside,
    )

"""A house model for others' eyes: fitted on what published groups give away, and on nothing else.

The workshop's own model is fitted on every sheet: whoever knows all of them but one could work that one's
readings out of two of its quotes.  This one knows what `fleet export` would tell another bench.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from fleet.errors import NoModelError
from fleet.estimation.prior_only import no_sums
from fleet.house_model.chain import READING_NOISE
from fleet.house_model.house import House
from fleet.sharing.files import tallies_of
from fleet.store import Store
from fleet.store.sharing import Published, live_groups, published_under
from fleet.tallies.pooling import CODED, merge
from fleet.tallies.sufficient_statistics import SufficientStatistics

_HERE: Final = "here"


def published_house(store: Store) -> House:
    """The house model that another bench without a sheet of its own would have from this one's export.

    Raises
    ------
    NoModelError
        If nothing has been published yet.
    """
    with store.reader() as con:
        groups = tuple(live_groups(con))
        smallest, _ = published_under(con)
    if smallest is None or not groups:
        raise NoModelError("nothing has been published yet: run `fleet export FILE`")
    told = tallies_of(Published(groups, smallest, 0, "")).coded_as(_HERE, CODED)
    sums, combos, families = no_sums()
    noise = {reading: (sd, 0) for reading, sd in READING_NOISE.items()}
    house = merge(SufficientStatistics(sums, combos, families, noise), [told]).fit()
    return replace(house, notes=("fitted on published groups alone", *house.notes))

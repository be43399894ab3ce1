"""What quotes would have been worth: fit on the past, foretell the next quarter, move on (rolling origin)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final

import pandas as pd

from fleet.errors import FleetError
from fleet.fitting.fit import fit_store
from fleet.house_model.house import House
from fleet.store import Store

FIRST_UNITS: Final = 60
"""So many units must have been measured before the first quarter that is foretold."""


@dataclass(frozen=True)
class Fold:
    """One step of a back-test.

    Attributes
    ----------
    origin, end : first day foretold, first day no longer
    house : model of the sheets before the origin
    taught : those sheets, one a unit, canonical columns
    asked : the first sheet of each unit that came new in the quarter
    """

    origin: date
    end: date
    house: House
    taught: pd.DataFrame
    asked: pd.DataFrame


def folds(
    store: Store, *, start: date | None = None, progress: Callable[[str], None] | None = None
) -> Iterator[Fold]:
    """Go through a store's history quarter by quarter; each fit knows only what came before.

    Families, noise and robust cuts too are learnt from the past alone. A unit measured again later teaches by
    its newest sheet, as in any fit, so before that sheet it doesn't teach at all.

    Parameters
    ----------
    store : the store
    start : leave out quarters that begin before this day
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If the history is too short for a single quarter.
    """
    sheets = store.current()
    units = sheets[sheets["purpose"] == "unit"].assign(day=lambda x: pd.to_datetime(x["measured_on"]))
    first = units[~units["unit"].duplicated()]
    quarters = origins(first["day"], start)
    if not quarters:
        raise FleetError(
            f"the history is too short for a back-test: it takes {FIRST_UNITS} units and a quarter of the "
            "year after them; take more sheets in with `fleet intake FILE`."
        )
    newest = units[units["newest"].to_numpy(dtype=bool)]
    for i, (origin, end) in enumerate(quarters):
        if progress is not None:
            progress(f"quarter {i + 1} of {len(quarters)}: {origin.year}-Q{(origin.month + 2) // 3}")
        taught = newest[newest["day"] < pd.Timestamp(origin)]
        asked = first[(first["day"] >= pd.Timestamp(origin)) & (first["day"] < pd.Timestamp(end))]
        yield Fold(
            origin,
            end,
            fit_store(store, before=origin),
            taught.drop(columns="day").reset_index(drop=True),
            asked.drop(columns="day").reset_index(drop=True),
        )


def origins(days: pd.Series, start: date | None) -> list[tuple[date, date]]:
    """First day of each quarter to foretell, and the first day no longer in it.

    Parameters
    ----------
    days : day of each unit's first measurement
    start : leave out quarters that begin before this day
    """
    if days.empty:
        return []
    quarters = pd.period_range(days.min(), days.max(), freq="Q")
    found = []
    for quarter in quarters:
        begin, after = quarter.start_time, (quarter + 1).start_time
        enough = (days < begin).sum() >= FIRST_UNITS and ((days >= begin) & (days < after)).any()
        if enough and (start is None or begin.date() >= start):
            found.append((begin.date(), after.date()))
    return found

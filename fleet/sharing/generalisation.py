"""Which units stand together when something is published: by what they share, never fewer than asked.

A ladder: units with all factors alike stand together; those left over give one factor up at a time.  What a
factor is worth to the fit decides the order and how many units a looser group needs: a unit waits for a
later publication rather than vanish in a mixed group for good.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.chain import FACTORS, NOT_TOLD

Places = NDArray[np.intp]

LADDER: Final[tuple[tuple[tuple[str, ...], int], ...]] = (
    (FACTORS, 1),
    (("profile", "cantilever", "source", "family", "generator", "frequency"), 1),
    (("profile", "cantilever", "source", "family"), 1),
    (("profile", "cantilever", "source"), 2),
    (("profile", "cantilever"), 4),
)
"""Factors that a group has in common, and how many times the smallest size it needs; the first one serves."""
YEAR_SHARE: Final = 2
"""A group is cut by years where each part keeps this many times the smallest size."""


def form_groups(
    factors: pd.DataFrame, year: NDArray[np.int64], whole: NDArray[np.bool_], smallest: int
) -> list[Places]:
    """Put units into groups of at least ``smallest``.

    Parameters
    ----------
    factors : columns `FACTORS`, one row a unit
    year : (units,) year of the reading
    whole : (units,) whether all angles of the unit were read; only such units make a group large enough, as
        no sum goes over fewer than ``smallest``
    smallest : smallest group

    Returns
    -------
    list of arrays
        Places of each group's units, disjoint; a unit in none of them waits.
    """
    told = factors.assign(frequency=_filled(factors))
    free = np.arange(len(factors))
    groups: list[Places] = []
    for names, times in LADDER:
        if free.size < smallest:
            break
        code = told.iloc[free].groupby(list(names), sort=True).ngroup().to_numpy()
        size = np.bincount(code, whole[free])
        for group in np.flatnonzero(size >= times * smallest):
            groups += _by_year(free[code == group], year, whole, smallest)
        free = free[size[code] < times * smallest]
    return groups


def _filled(factors: pd.DataFrame) -> pd.Series:
    """Frequency of the compliance figure; where not told, the only one that its family is told at."""
    told = factors["frequency"] != NOT_TOLD
    found = factors[told].drop_duplicates(["family", "frequency"]).groupby("family")["frequency"].agg(list)
    only = {family: levels[0] for family, levels in found.items() if len(levels) == 1}
    filled = [only.get(family, NOT_TOLD) for family in factors["family"]]
    return factors["frequency"].where(told, pd.Series(filled, index=factors.index, dtype=object))


def _by_year(
    places: Places, year: NDArray[np.int64], whole: NDArray[np.bool_], smallest: int
) -> list[Places]:
    """Cut a group between years where both parts are large enough."""
    least = YEAR_SHARE * smallest
    ordered = places[np.argsort(year[places], kind="stable")]
    edges = np.flatnonzero(np.diff(year[ordered])) + 1
    upto = np.append(0, np.cumsum(whole[ordered]))
    cuts = [0]
    for edge in edges:
        if upto[edge] - upto[cuts[-1]] >= least and upto[-1] - upto[edge] >= least:
            cuts.append(int(edge))
    return [np.sort(part) for part in np.split(ordered, cuts[1:])]


def in_common(factors: pd.DataFrame) -> dict[str, str]:
    """The level of each factor that all rows share, `NOT_TOLD` where they differ.

    A frequency that some don't tell is the one that the others tell, if they all agree.
    """
    out = {}
    for name in FACTORS:
        levels = set(factors[name])
        if name == "frequency" and len(levels) > 1:
            levels -= {NOT_TOLD}
        out[name] = levels.pop() if len(levels) == 1 else NOT_TOLD
    return out

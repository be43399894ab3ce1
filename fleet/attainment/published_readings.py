"""Readings for others' eyes: means and spreads added up from groups of units that are published as they are.

What a group gives away is settled once (``fleet explain sharing``); whatever is added up here from whole
groups shows no unit, however many of these tables are subtracted from each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy import stats

from fleet.attainment.publishing import FEW, check_published
from fleet.errors import TooFewError
from fleet.house_model.chain import LINK
from fleet.words import quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Group = tuple[Mapping[str, str], int, Mapping[str, Any]]


READINGS: Final = ("built_in", "tracking", "sag", "zenith", "azimuth_seen", "azimuth_electrical", "balance")
"""Links of the chain that are told, in the order in which a screen offers them."""
LEVEL: Final = 0.95


def published_readings(groups: Sequence[Group], reading: str, by: str | None = None) -> pd.DataFrame:
    """Add groups up to a table of one reading.

    Parameters
    ----------
    groups
        For each its labels, its units, and its content (``links``: moments per link).
    reading
        Key of `READINGS`.
    by
        A column of `fleet.attainment.publishing.COLUMNS`; None puts all together.

    Returns
    -------
    DataFrame
        One row a level, most units first, `(few)` last: `group`, `n`, `mean`, `low`, `high` (its 95 %
        interval, Student's t), `sd` (between units; where a group joins kinds, within them).

    Raises
    ------
    FleetError
        If the column can't be published, or no group tells the reading.
    """
    check_published([] if by is None else [by])
    link = LINK[reading]
    last = 1 + len(link.columns)
    rows: dict[str, list[float]] = {}
    for labels, _, content in groups:
        moments = content.get("links", {}).get(reading)
        if moments is None:
            continue
        level = "all" if by is None else _level(labels, by)
        own = rows.setdefault(level, [0.0, 0.0, 0.0])
        for i, place in enumerate((0, last, -1)):
            own[i] += float(moments[place])
    if not rows:
        raise TooFewError(f"no published group tells the {quantity(reading).long} yet.")
    table = pd.DataFrame([_figures(level, sums, link.centre) for level, sums in rows.items()])
    rank = (table["group"] == FEW).to_numpy()
    return table.iloc[np.lexsort((table["group"], -table["n"], rank))].reset_index(drop=True)


def _level(labels: Mapping[str, str], by: str) -> str:
    parts = ("stylus_profile", "cantilever_material") if by == "kind" else (by,)
    told = [labels.get(f"by {part}") for part in parts]
    return FEW if any(part is None for part in told) else "/".join(str(part) for part in told)


def _figures(level: str, sums: list[float], centre: float) -> dict[str, Any]:
    n, total, squares = sums
    mean = total / n
    sd = float(np.sqrt(max(squares - n * mean * mean, 0.0) / (n - 1.0))) if n > 1.0 else np.nan
    half = float(stats.t.ppf(0.5 + LEVEL / 2, n - 1.0)) * sd / float(np.sqrt(n)) if n > 1.0 else np.nan
    middle = centre + mean
    return {
        "group": level,
        "n": round(n),
        "mean": middle,
        "low": middle - half,
        "high": middle + half,
        "sd": sd,
    }

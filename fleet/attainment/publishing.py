"""Attainment for others' eyes: sums over groups of units that were formed once and are published as they are.

Whoever subtracts two of these tables, whatever their columns and dates, is left with whole groups, and each
has at least the smallest number of units (how they are formed: ``fleet explain sharing``).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fleet.alignment.targets import MEASURES, select_counted, states
from fleet.attainment.attainment import figures
from fleet.errors import FleetError
from fleet.statistics.proportions import pool

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from fleet.policy.policy import Policy

FEW: Final = "(few)"
KIND: Final = "kind"
PARTS: Final = {KIND: ("stylus_profile", "cantilever_material")}
YEAR: Final = "year"
Z95: Final = 1.959964
COLUMNS: Final = (
    KIND,
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "body_family",
    "generator",
    "bench",
)
"""What tables may be published by: what groups are formed by, never what points at single units."""


COUNTED_BY: Final = ("rake_accepted_deg", "tracking_limit_deg", "tilt_lower_limit_deg", "clearance_deg")
"""Keys of a policy that decide what counts as met."""


def counting_rule(policy: Policy) -> str:
    """What of a policy decides the counts, as JSON: all tables of a store are published under one."""
    return json.dumps({key: getattr(policy, key) for key in COUNTED_BY})


def group_counts(sheets: pd.DataFrame, policy: Policy, smallest: int) -> dict[str, list[int]]:
    """How often one group's units met each target: what is kept of it for every later table.

    Parameters
    ----------
    sheets
        The group's sheets, canonical columns.
    policy
        The target policy.
    smallest
        Measures read on fewer units are left out.

    Returns
    -------
    dict
        Measure: [units read, units met].
    """
    found = states(select_counted(sheets), policy)
    out = {}
    for measure in MEASURES:
        read = int(np.count_nonzero(found[measure] >= 0))
        if read >= smallest:
            out[measure] = [read, int(np.count_nonzero(found[measure] == 1))]
    return out


def published_attainment(
    groups: Sequence[tuple[Mapping[str, str], int, Mapping[str, Sequence[float]]]],
    by: list[str],
    policy: Policy,
    per: str | None = None,
    *,
    pooled: bool = False,
) -> pd.DataFrame:
    """Add groups up to a table like `fleet.attainment.attainment.attainment`'s.

    Parameters
    ----------
    groups
        For each its labels (``by <column>``: what all its units have in common), its units, and its counts
        (`group_counts`), perhaps with an error added to units met, whose variance comes third.
    by
        Some of `COLUMNS`; none puts all together.
    policy
        The target policy that the counts were made under.
    per
        `year`, or None.
    pooled
        Add rates drawn toward the fleet.

    Returns
    -------
    DataFrame
        One row a level, `(few)` where a group's units differ in it; sorted, `(few)` last. Intervals are wide
        enough for the errors of the counts.

    Raises
    ------
    FleetError
        If there is no group, or a table by these columns can't be published.
    """
    check_published(by, per)
    if not groups:
        raise FleetError(
            "there is no group of units alike that is large enough yet: nothing can be published"
        )
    names = [*by, *(["period"] if per else [])]
    keys = pd.DataFrame([[_level(labels, n) for n in names] for labels, _, _ in groups], columns=names)
    if names:
        rank = pd.DataFrame({n: keys[n].where(keys[n] != FEW, "\U0010ffff") for n in names})
        code = rank.groupby(names, sort=True).ngroup().to_numpy()
        table = keys.iloc[np.unique(code, return_index=True)[1]].reset_index(drop=True)
    else:
        code, table = np.zeros(len(groups), dtype=int), pd.DataFrame(index=range(1))
    units = np.bincount(code, weights=[n for _, n, _ in groups]).astype(np.int64)
    columns: dict[str, Any] = {}
    for measure in MEASURES:
        told = np.array([[*c.get(measure, (0, 0)), 0.0][:3] for _, _, c in groups], dtype=float)
        n, met, variance = (np.bincount(code, weights=told[:, j]).astype(np.float64) for j in range(3))
        counts = np.stack([n, np.clip(met, 0.0, n)], axis=1).astype(np.int64)
        columns |= _widened(figures({measure: counts}, {}, pooled=False), measure, variance)
        if pooled:
            columns |= _drawn_together(measure, counts, variance)
    whole = pd.concat([table.assign(units=units), pd.DataFrame(columns, index=table.index)], axis=1)
    return whole.assign(policy=policy.label)


def _widened(columns: dict[str, Any], measure: str, variance: NDArray[np.float64]) -> dict[str, Any]:
    """Wilson's limits, moved out by the error of the counts: both sides squared and added."""
    n, rate = columns[f"{measure}_n"], columns[f"{measure}_rate"]
    error = Z95 * np.sqrt(variance) / np.where(n > 0, n, np.nan)
    low, high = columns[f"{measure}_low"], columns[f"{measure}_high"]
    columns[f"{measure}_low"] = np.clip(rate - np.hypot(rate - low, error), 0.0, 1.0)
    columns[f"{measure}_high"] = np.clip(rate + np.hypot(high - rate, error), 0.0, 1.0)
    return columns


def _drawn_together(measure: str, counts: NDArray[np.int64], variance: NDArray[np.float64]) -> dict[str, Any]:
    """Rates drawn toward the fleet's, each as if of so few units that the error is in their own scatter."""
    n, met = counts[:, 0].astype(float), counts[:, 1].astype(float)
    rate = (met.sum() + 1.0) / (n.sum() + 2.0)
    own = n * rate * (1.0 - rate)
    share = np.divide(own, own + variance, out=np.ones_like(own), where=own + variance > 0.0)
    drawn = pool(met * share, n * share)
    return {
        f"{measure}_pooled": drawn.rate,
        f"{measure}_pooled_low": drawn.low,
        f"{measure}_pooled_high": drawn.high,
    }


def check_published(by: list[str], per: str | None = None) -> None:
    """Refuse tables that groups can't be added up to.

    Raises
    ------
    FleetError
        One line: what is wrong, what to do.
    """
    for name in by:
        if name not in COLUMNS:
            raise FleetError(
                f"can't publish by {name!r}: it may point at single units; publish by {', '.join(COLUMNS)}"
            )
    if len(set(by)) < len(by):
        raise FleetError(f"can't group by the same column twice: {', '.join(by)}")
    if per not in {None, YEAR}:
        raise FleetError(f"can't publish per {per}: groups are formed by year at the finest; use --per year")


def _level(labels: Mapping[str, str], name: str) -> str:
    parts = [labels.get(f"by {part}") for part in PARTS.get(name, (YEAR if name == "period" else name,))]
    return FEW if any(part is None for part in parts) else "/".join(str(part) for part in parts)

"""What may leave the house: groups big enough that no single unit shows, and nothing to subtract them
from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError

if TYPE_CHECKING:
    from numpy.typing import NDArray

FEW: Final = "(few)"


def merge_few(
    labels: pd.DataFrame, size: NDArray[np.int64], min_units: int
) -> tuple[pd.DataFrame, NDArray[np.intp]]:
    """Merge groups under the smallest size into `(few)`.

    Within each period (or over all, without periods) the small groups become one; while that one is still too
    small, the smallest group left is merged into it as well, so that it can't be found by subtracting the
    others from a total. Periods too small altogether become one `(few)` period, by the same rule.

    Parameters
    ----------
    labels
        One row a group; a column `period`, if there is one, is kept apart.
    size
        Units of each group.
    min_units
        Smallest size that may be shown.

    Returns
    -------
    labels, merge
        Labels of the groups that are left, `(few)` last; and for each old group the number of its new one.

    Raises
    ------
    FleetError
        If all groups together are too small, or the smallest size is below 1.
    """
    if min_units < 1:
        raise FleetError(f"the smallest group to publish must be at least 1 unit, got {min_units}")
    if size.sum() < min_units:
        raise FleetError(f"{size.sum()} units in all are fewer than {min_units}: nothing can be published")
    groups = len(labels)
    period, names = (
        pd.factorize(labels["period"], sort=True) if "period" in labels else (np.zeros(groups, int), [""])
    )
    bucket = np.arange(groups)
    for p in range(len(names)):
        rows = np.flatnonzero(period == p)
        _absorb(bucket, rows, groups + p, size, min_units, start=rows[size[rows] < min_units])
    adrift = groups + len(names)
    total = np.bincount(bucket, weights=size, minlength=adrift)
    few = np.arange(adrift) >= groups
    lost = np.flatnonzero(few & (total > 0) & (total < min_units))
    _absorb(bucket, np.arange(groups), adrift, size, min_units, start=np.flatnonzero(np.isin(bucket, lost)))
    kept, merge = np.unique(bucket, return_inverse=True)
    return _relabel(labels, kept, list(names)), merge


def merged(values: NDArray[Any], merge: NDArray[np.intp]) -> NDArray[Any]:
    """Add up the rows of `values` that are merged into one."""
    result = np.zeros((int(merge.max()) + 1, *values.shape[1:]), dtype=values.dtype)
    np.add.at(result, merge, values)
    return result


def blank_small(columns: dict[str, NDArray[Any]], min_units: int) -> dict[str, Any]:
    """Blank every figure that rests on fewer readings than may be shown; counts become nullable.

    Parameters
    ----------
    columns
        Figures by name; those of one measure share its prefix, and `<measure>_n` counts its readings.
    min_units
        Smallest number of readings that may be shown.
    """
    blanked: dict[str, Any] = {}
    for measure in [name.removesuffix("_n") for name in columns if name.endswith("_n")]:
        small = columns[f"{measure}_n"] < min_units
        for name in [c for c in columns if c.startswith(f"{measure}_")]:
            values = columns[name]
            if name in (f"{measure}_n", f"{measure}_met"):
                counts = pd.array(values, dtype="Int64")
                counts[small] = pd.NA
                blanked[name] = counts
            else:
                blanked[name] = np.where(small, np.nan, values)
    return blanked


def _absorb(
    bucket: NDArray[np.intp],
    rows: NDArray[np.intp],
    target: int,
    size: NDArray[np.int64],
    min_units: int,
    *,
    start: NDArray[np.intp],
) -> None:
    """Move the rows `start` into bucket `target`, then the smallest buckets of `rows` until it is enough."""
    if not start.size:
        return
    bucket[start] = target
    while size[bucket == target].sum() < min_units:
        others = np.unique(bucket[rows][bucket[rows] != target])
        if not others.size:
            return
        totals = [size[bucket == other].sum() for other in others]
        bucket[bucket == others[int(np.argmin(totals))]] = target


def _relabel(labels: pd.DataFrame, kept: NDArray[np.intp], names: list[str]) -> pd.DataFrame:
    """Labels of the kept buckets: a group's own, `(few)` within a period, or `(few)` altogether."""
    groups = len(labels)
    table = labels.take(kept[kept < groups]).reset_index(drop=True)
    merged_rows = []
    for bucket in kept[kept >= groups]:
        row = dict.fromkeys(labels.columns, FEW)
        if "period" in row and bucket - groups < len(names):
            row["period"] = names[bucket - groups]
        merged_rows.append(row)
    return pd.concat([table, pd.DataFrame(merged_rows, columns=labels.columns)], ignore_index=True)

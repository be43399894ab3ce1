"""How often the targets are met: on a level headshell, within reach of some tilt, and as built; by any group.

A unit counts once, with its newest sheet; reference sheets never count. A unit that wasn't read for a
target in a state (say, no tracking angle, or no tilt room for `reachable`) counts in the group's `units`
but not in that target's `_n`: rates are of the units read. The plain count takes readings and accepted
limits as they stand; how sure a count near a limit is, `fleet.attainment.conformity` says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.targets import MEASURES, READ_COLUMNS, select_counted, states
from fleet.attainment import conformity
from fleet.columns import COLUMNS
from fleet.errors import FleetError, meant
from fleet.statistics.proportions import pool, wilson

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.policy.policy import Policy

PERIODS: Final = ("year", "quarter", "month")
NOT_TOLD: Final = "(not told)"


def attainment(
    sheets: pd.DataFrame,
    by: list[str],
    policy: Policy,
    per: str | None = None,
    *,
    pooled: bool = False,
    noise: conformity.Noise | None = None,
) -> pd.DataFrame:
    """Count how often each target was met, by group and period.

    Parameters
    ----------
    sheets : DataFrame
        Canonical columns [degrees], and `newest` (without it every sheet is taken for its unit's newest).
    by : list of str
        Grouping columns, or `kind` (stylus profile / cantilever material); none = the whole fleet in one row.
    policy : Policy
        What counts as met, and which tilts are allowed.
    per : str, optional
        `year`, `quarter` or `month` of the measurement, or None.
    pooled : bool
        Add `_pooled`, `_pooled_low`, `_pooled_high`: rates drawn toward the fleet (`rates.pool`).
    noise : Noise, optional
        Reading noise [degrees]; adds `_chance`, the mean chance of conformity beside the plain rate.

    Returns
    -------
    DataFrame
        One row a group: its columns, `period` with `per`, `units`; for each of `MEASURES` the columns `_n`
        (units read), `_met`, `_rate`, `_low`, `_high` (Wilson, 95 %); and `policy`. Sorted by group and
        period.

    Raises
    ------
    FleetError
        If a grouping column or period is unknown.
    """
    check_request(sheets, by, per)
    units = select_counted(sheets)
    labels, codes = group_codes(units, by, per)
    values = states(units, policy)
    counts = {m: _tally(values[m], codes, len(labels)) for m in MEASURES}
    size = np.bincount(codes, minlength=len(labels))
    chances = conformity.chances(units, policy, noise) if noise is not None else {}
    sums = {m: _sums(chances[m], codes, len(labels)) for m in MEASURES if m in chances}
    table = labels.assign(units=size)
    columns = figures(counts, sums, pooled)
    return pd.concat([table, pd.DataFrame(columns, index=table.index)], axis=1).assign(policy=policy.label)


def coarser(table: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """The same count for fewer columns: groups and periods of an attainment table put together.

    Parameters
    ----------
    table
        What `attainment` returned, unpublished.
    by
        Some of its grouping columns (or `period`); none puts all together.
    """
    names = ["units", *(f"{m}{end}" for m in MEASURES for end in ("_n", "_met"))]
    if by:
        sums = table.groupby(by, sort=True)[names].sum().reset_index()
    else:
        sums = table[names].sum().to_frame().T.astype(int)
    counts = {m: sums[[f"{m}_n", f"{m}_met"]].to_numpy() for m in MEASURES}
    added = pd.DataFrame(figures(counts, {}, pooled=False), index=sums.index)
    label = table["policy"].iloc[0] if len(table) else ""
    return pd.concat([sums[[*by, "units"]], added], axis=1).assign(policy=label)


def needed_columns(by: list[str], per: str | None = None) -> list[str]:
    """Name the columns that `attainment` reads for these groups, so that no others need be fetched."""
    groups = [
        c for name in by for c in (("stylus_profile", "cantilever_material") if name == "kind" else (name,))
    ]
    dates = ["measured_on"] if per is not None else []
    return list(dict.fromkeys([*groups, *dates, "newest", "purpose", *READ_COLUMNS]))


def _tally(values: NDArray[np.int8], codes: NDArray[np.intp], groups: int) -> NDArray[np.int64]:
    """Units read and met in each group, shape (groups, 2)."""
    cells = np.bincount(codes * 3 + (values + 1), minlength=groups * 3).reshape(groups, 3)
    return np.column_stack([cells[:, 1] + cells[:, 2], cells[:, 2]])


def _sums(values: NDArray[np.float64], codes: NDArray[np.intp], groups: int) -> NDArray[np.float64]:
    """Sum of chances and how many were told in each group, shape (groups, 2)."""
    told = ~np.isnan(values)
    total = np.bincount(codes[told], weights=values[told], minlength=groups)
    return np.column_stack([total, np.bincount(codes[told], minlength=groups)])


def figures(
    counts: dict[str, NDArray[np.int64]], sums: dict[str, NDArray[np.float64]], pooled: bool
) -> dict[str, NDArray[np.generic]]:
    """Columns of an attainment table from counts.

    Parameters
    ----------
    counts
        Per measure units read and met, shape (groups, 2).
    sums
        Per measure the sum of chances and how many were told, shape (groups, 2); may lack measures.
    pooled
        Whether to add rates drawn toward the fleet.
    """
    columns: dict[str, NDArray[np.generic]] = {}
    for measure, cell in counts.items():
        n, met = cell[:, 0], cell[:, 1]
        low, high = wilson(met, n)
        rate = met / np.where(n > 0, n, np.nan)
        columns |= {f"{measure}_n": n, f"{measure}_met": met, f"{measure}_rate": rate}
        columns |= {f"{measure}_low": low, f"{measure}_high": high}
        if pooled and len(n):
            drawn = pool(met, n)
            columns |= {f"{measure}_pooled": drawn.rate}
            columns |= {f"{measure}_pooled_low": drawn.low, f"{measure}_pooled_high": drawn.high}
        if measure in sums:
            total, told = sums[measure].T
            columns[f"{measure}_chance"] = total / np.where(told > 0, told, np.nan)
    return columns


def group_codes(units: pd.DataFrame, by: list[str], per: str | None) -> tuple[pd.DataFrame, NDArray[np.intp]]:
    """Labels of the groups, sorted, and each unit's group number."""
    keys = {name: _kind(units) if name == "kind" else _levels(units[name]) for name in by}
    if per is not None:
        keys["period"] = _levels(period_labels(units["measured_on"], per))
    code = np.zeros(len(units), dtype=np.intp)
    for own, level in keys.values():
        code = code * len(level) + own
    code, rest = pd.factorize(code, sort=True)
    groups = range(len(rest))
    labels = {}
    for name, (_, level) in reversed(keys.items()):
        rest, position = np.divmod(rest, len(level))
        labels[name] = pd.Series(level[position], dtype="str")
    return pd.DataFrame({name: labels[name] for name in keys}, index=groups), code


def _levels(values: pd.Series) -> tuple[NDArray[np.intp], NDArray[np.object_]]:
    """Each row's place among the words in order, and these; one more than there are for what wasn't told."""
    code, level = pd.factorize(values)
    return _in_order(code, [*(str(word) for word in level), NOT_TOLD])


def _kind(units: pd.DataFrame) -> tuple[NDArray[np.intp], NDArray[np.object_]]:
    profile, profiles = _levels(units["stylus_profile"])
    cantilever, cantilevers = _levels(units["cantilever_material"])
    return _in_order(
        profile * len(cantilevers) + cantilever, [f"{p}/{c}" for p in profiles for c in cantilevers]
    )


def _in_order(code: NDArray[np.intp], words: list[str]) -> tuple[NDArray[np.intp], NDArray[np.object_]]:
    level, place = np.unique(np.array(words, dtype=object), return_inverse=True)
    return place[code], level


def period_labels(dates: pd.Series, per: str) -> pd.Series:
    """Year, quarter (2024-Q2) or month (2024-05) of each day."""
    months = pd.to_datetime(dates).to_numpy().astype("datetime64[M]")
    stamp, place = np.unique(months, return_inverse=True)
    names = []
    for month in stamp:
        year, number = str(month)[:4], str(month)[5:7]
        if np.isnat(month):
            names.append(NOT_TOLD)
        elif per == "year":
            names.append(year)
        else:
            names.append(f"{year}-{number}" if per == "month" else f"{year}-Q{(int(number) + 2) // 3}")
    return pd.Series(np.array(names, dtype=object)[place], index=dates.index, dtype="str")


def check_request(sheets: pd.DataFrame, by: list[str], per: str | None) -> None:
    """Refuse unknown columns and periods.

    Raises
    ------
    FleetError
        One line: what is wrong, what to do.
    """
    for name in by:
        needed = ("stylus_profile", "cantilever_material") if name == "kind" else (name,)
        if not all(n in sheets for n in needed):
            near = meant(name, ["kind", *COLUMNS]) or "; try kind, stylus_profile or bench"
            raise FleetError(f"can't group by {name!r}: no such column{near}")
    if len(set(by)) < len(by):
        raise FleetError(f"can't group by the same column twice: {', '.join(by)}")
    if per is not None and per not in PERIODS:
        raise FleetError(f"can't group per {per!r}; periods are {', '.join(PERIODS)}")
    if per is not None and "measured_on" not in sheets:
        raise FleetError("can't group by period: the sheets have no measured_on")

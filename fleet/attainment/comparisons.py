"""Attainment set against something: another policy, the passing of time, the other sources."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.targets import MEASURES, select_counted, states
from fleet.attainment.attainment import check_request, group_codes
from fleet.errors import FleetError
from fleet.statistics.proportions import adjust, funnel, trend

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fleet.policy.policy import Policy
    from fleet.statistics.proportions import Funnel

COUNT_SLACK: Final = 1e-9
"""A rate that lies on a limit may miss it by a rounding error of this size."""


def what_if(
    sheets: pd.DataFrame, by: list[str], policy: Policy, other: Policy, per: str | None = None
) -> pd.DataFrame:
    """Judge the same units under another policy, without measuring anything again.

    Returns
    -------
    DataFrame
        One row a group and measure of `MEASURES`: `measure`, `n`, `rate` under `policy`, `rate_other`, and
        how many units were `gained` and `lost` by the change; with both policies' labels.
    """
    check_request(sheets, by, per)
    units = select_counted(sheets)
    labels, codes = group_codes(units, by, per)
    first, second = states(units, policy), states(units, other)
    rows = []
    for measure in MEASURES:
        before, after = first[measure], second[measure]
        read = (before >= 0) & (after >= 0)
        groups = [
            np.bincount(codes[read & chosen], minlength=len(labels))
            for chosen in (read, before == 1, after == 1, after > before, before > after)
        ]
        n = np.where(groups[0] > 0, groups[0], np.nan)
        rows.append(
            labels.assign(
                measure=measure,
                n=groups[0],
                rate=groups[1] / n,
                rate_other=groups[2] / n,
                gained=groups[3],
                lost=groups[4],
            )
        )
    table = pd.concat(rows, ignore_index=True)
    return table.assign(policy=policy.label, policy_other=other.label)


def trends(table: pd.DataFrame, measure: str = "both_reachable") -> pd.DataFrame:
    """Test each group of an attainment table with periods for a rise or fall of one rate.

    Returns
    -------
    DataFrame
        One row a group: its columns, `periods`, `n`, `slope` (change of the rate a period), `z`, `p_value`,
        `q_value` (Benjamini-Hochberg over the groups), `sentence`.

    Raises
    ------
    FleetError
        If the table has no periods or no such measure.
    """
    _check_measure(table, measure)
    if "period" not in table:
        raise FleetError("this table has no periods; make it with per = year, quarter or month")
    by = list(table.columns[: table.columns.get_loc("period")])
    position = {p: i for i, p in enumerate(_period_range(table["period"]))}
    rows = []
    for key, part in table.groupby(by, sort=True) if by else [((), table)]:
        told = part[part["period"].isin(position)]
        met, n = (told[f"{measure}{end}"].to_numpy(dtype=float, na_value=0.0) for end in ("_met", "_n"))
        result = trend(met, n, told["period"].map(position).to_numpy(dtype=float))
        facts = dict(zip(by, key, strict=True))
        facts |= {"periods": len(told), "n": int(n.sum()), "slope": result.slope, "z": result.z}
        rows.append(facts | {"p_value": result.p_value, "sentence": result.sentence})
    frame = pd.DataFrame(rows)
    frame.insert(len(frame.columns) - 1, "q_value", adjust(frame["p_value"].to_numpy()))
    return frame


def source_funnel(table: pd.DataFrame, measure: str = "both_reachable") -> tuple[pd.DataFrame, Funnel]:
    """Set the groups of an attainment table against the limits that chance draws around their common rate.

    Returns
    -------
    DataFrame, Funnel
        One row a group with units read: its columns, `n`, `rate`, the four limits, `z`, `outside` ("", "95",
        "99.8"); and the figures behind it.
    """
    _check_measure(table, measure)
    told = table[table[f"{measure}_n"].to_numpy(dtype=float, na_value=0.0) > 0]
    if told.empty:
        raise FleetError(f"no unit was read for {measure}: there is nothing to compare")
    met, n = (told[f"{measure}{end}"].to_numpy(dtype=float) for end in ("_met", "_n"))
    result = funnel(met, n)
    frame = told[list(told.columns[: told.columns.get_loc("units")])].assign(
        n=n.astype(int),
        rate=result.rate,
        low95=result.low95,
        high95=result.high95,
        low998=result.low998,
        high998=result.high998,
        z=result.z,
        outside=limits_exceeded(result, n),
    )
    return frame.reset_index(drop=True), result


def limits_exceeded(limits: Funnel, n: NDArray[np.float64]) -> NDArray[np.str_]:
    """Which groups lie beyond the limits: "99.8", "95" or "".

    An interpolated upper limit lies up to one unit below the count that chance may still reach (ten of ten at
    a common rate of 94 % are nothing odd), so a group is beyond it only if one unit met less would be too.
    """
    one_less = limits.rate - 1.0 / n + COUNT_SLACK
    outer = (limits.rate < limits.low998) | (one_less >= limits.high998)
    inner = (limits.rate < limits.low95) | (one_less >= limits.high95)
    return np.asarray(np.where(outer, "99.8", np.where(inner, "95", "")))


def _period_range(periods: pd.Series) -> list[str]:
    """All periods from the first to the last, gaps included, so that a trend sees how far apart they are."""
    told = sorted(p for p in periods.unique() if p[0].isdigit())
    if not told:
        return []
    frequency = "Q" if "Q" in told[0] else "M" if "-" in told[0] else "Y"
    span = pd.period_range(told[0].replace("-Q", "Q"), told[-1].replace("-Q", "Q"), freq=frequency)
    return [str(p).replace("Q", "-Q") for p in span]


def _check_measure(table: pd.DataFrame, measure: str) -> None:
    if f"{measure}_n" not in table:
        raise FleetError(f"the attainment table has no {measure!r}; measures are {', '.join(MEASURES)}")

"""Capability of what the bench builds, by group: built rake and tracking angle against their limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fleet.alignment.targets import built_angles, column, is_spherical, select_counted
from fleet.attainment.attainment import check_request, group_codes
from fleet.errors import FleetError
from fleet.statistics.capability import capability

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

FIGURES: Final = (
    "mean",
    "sd",
    "cp",
    "cp_low",
    "cp_high",
    "cpk",
    "cpk_low",
    "cpk_high",
    "outside_counted",
    "outside_normal",
    "shape_p",
)


def capabilities(sheets: pd.DataFrame, by: list[str], policy: Policy, per: str | None = None) -> pd.DataFrame:
    """Measure each group's built angles against the policy's accepted limits.

    Parameters
    ----------
    sheets, by, policy, per
        As for `fleet.attainment.attainment.attainment`; a unit counts once.

    Returns
    -------
    DataFrame
        One row a group and angle: the group's columns, `angle` (`rake_built`, `tracking_built`), `n` (units
        read as built), `FIGURES` (mean and sd [deg]; shares in 0..1), `caution`, `policy`. A group too small
        or without spread has NaN figures, and its caution says why.

    Raises
    ------
    FleetError
        If a grouping column or period is unknown.
    """
    check_request(sheets, by, per)
    units = select_counted(sheets)
    labels, codes = group_codes(units, by, per)
    sra = np.where(is_spherical(units), np.nan, column(units, "sra_dynamic_deg"))
    rake, tracking = built_angles(units, sra, column(units, "vta_dynamic_deg"))
    limits: tuple[tuple[str, np.ndarray, float | None, float], ...] = (
        ("rake_built", rake, *policy.rake_accepted_deg),
        ("tracking_built", tracking, None, policy.tracking_limit_deg),
    )
    rows: list[dict[Any, Any]] = []
    for group, facts in enumerate(labels.to_dict("records")):
        for angle, values, low, high in limits:
            rows.append({**facts, "angle": angle, **_figures(values[codes == group], low, high)})
    names = [*labels.columns, "angle", "n", *FIGURES, "caution"]
    return pd.DataFrame(rows, columns=names).assign(policy=policy.label)


def _figures(values: np.ndarray, low: float | None, high: float) -> dict[str, Any]:
    n = int((~np.isnan(values)).sum())
    try:
        found = capability(values, low, high)
    except FleetError as error:
        return {"n": n, **dict.fromkeys(FIGURES, np.nan), "caution": str(error)}
    return {"n": n, **{name: getattr(found, name) for name in FIGURES}, "caution": found.caution}

"""Which unit meets which target in which state: the single facts that attainment counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from fleet.alignment.tilt import reach
from fleet.policy.policy import DECIMAL_SLACK_DEG

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from fleet.policy.policy import Policy

TARGETS: Final = ("rake", "tracking", "both")
STATES: Final = ("level", "reachable", "built")
CONFLICTS: Final = ("conflict_built_in", "conflict_reach")
MEASURES: Final = (*(f"{target}_{state}" for target in TARGETS for state in STATES), *CONFLICTS)

READ_COLUMNS: Final = (
    "stylus_profile",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "tilt_room_deg",
    "tilt_applied_deg",
    "sra_after_deg",
    "vta_after_deg",
    "remedy",
)
"""Every column that the states of a unit are told from."""


def select_counted(sheets: pd.DataFrame) -> pd.DataFrame:
    """Return the sheets that count: each unit's newest, references left out."""
    keep = np.ones(len(sheets), dtype=bool)
    if "newest" in sheets:
        keep &= sheets["newest"].to_numpy(dtype=bool)
    if "purpose" in sheets:
        keep &= (sheets["purpose"] != "reference").to_numpy(dtype=bool, na_value=True)
    return sheets if keep.all() else sheets.loc[keep]


def states(units: pd.DataFrame, policy: Policy) -> dict[str, NDArray[np.int8]]:
    """Say of every unit which target it meets in which state.

    Level is the dynamic reading on a level headshell. Reachable: some tilt between the lower limit and the
    room (less the policy's clearance) meets it; needs the tilt room. Built: read again after the
    correction, or else the level reading plus the applied tilt (no tilt is zero where the remedy is
    `none`). A spherical stylus has no rake: not read for it, and for it `both` means tracking.

    Parameters
    ----------
    units
        Canonical columns, one row a unit; a column that is missing was not read.
    policy
        The target policy.

    Returns
    -------
    dict
        For each of `MEASURES` an int8 array: 1 met, 0 not met, -1 not read, shape (units,).
    """
    sra, vta, room = (column(units, c) for c in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg"))
    spherical = is_spherical(units)
    sra = np.where(spherical, np.nan, sra)
    built_sra, built_vta = built_angles(units, sra, vta)
    could = reach(sra, vta, room, policy)
    read = {"rake": ~np.isnan(sra), "tracking": ~np.isnan(vta)}
    read["both"] = (read["rake"] | spherical) & read["tracking"]
    roomy = ~np.isnan(room)
    result: dict[str, NDArray[np.int8]] = {}
    for state, rake, tracking in (("level", sra, vta), ("built", built_sra, built_vta)):
        met = _met(rake, tracking, spherical, policy)
        told = {"rake": ~np.isnan(rake), "tracking": ~np.isnan(tracking)}
        told["both"] = (told["rake"] | spherical) & told["tracking"]
        result |= {f"{t}_{state}": _coded(met[t], told[t]) for t in TARGETS}
    for target, answer in zip(TARGETS, could[:3], strict=True):
        result[f"{target}_reachable"] = _coded(answer, read[target] & roomy)
    for name, answer in zip(CONFLICTS, could[3:], strict=True):
        result[name] = _coded(answer, read["both"] & roomy)
    return result


def column(units: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """One numeric column as floats, NaN where empty or missing."""
    if name not in units:
        return np.full(len(units), np.nan)
    return np.asarray(units[name].to_numpy(dtype=float, na_value=np.nan))


def is_spherical(units: pd.DataFrame) -> NDArray[np.bool_]:
    """Which units have a spherical stylus; one that wasn't told has not."""
    if "stylus_profile" not in units:
        return np.zeros(len(units), dtype=bool)
    return np.asarray((units["stylus_profile"] == "spherical").to_numpy(dtype=bool, na_value=False))


def built_angles(
    units: pd.DataFrame, sra: NDArray[np.float64], vta: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angles as built: read after the correction, or else the level reading plus the applied tilt."""
    tilt = column(units, "tilt_applied_deg")
    if "remedy" in units:
        untouched = (units["remedy"] == "none").to_numpy(dtype=bool, na_value=False)
        tilt = np.where(np.isnan(tilt) & untouched, 0.0, tilt)
    after = column(units, "sra_after_deg"), column(units, "vta_after_deg")
    built = [np.where(np.isnan(a), level + tilt, a) for a, level in zip(after, (sra, vta), strict=True)]
    return np.where(is_spherical(units), np.nan, built[0]), built[1]


def _met(
    sra: NDArray[np.float64], vta: NDArray[np.float64], spherical: NDArray[np.bool_], policy: Policy
) -> dict[str, NDArray[np.bool_]]:
    low, high = policy.rake_accepted_deg
    rake = (sra >= low - DECIMAL_SLACK_DEG) & (sra <= high + DECIMAL_SLACK_DEG)
    tracking = vta <= policy.tracking_limit_deg + DECIMAL_SLACK_DEG
    return {"rake": rake, "tracking": tracking, "both": (rake | spherical) & tracking}


def _coded(met: NDArray[np.bool_], read: NDArray[np.bool_]) -> NDArray[np.int8]:
    code = met.astype(np.int8)
    code[~read] = -1
    return code

"""Which wedges belong in the drawer: the few stock angles that serve the largest share of coming work.

Exact, not a heuristic. A wedge serves every needed tilt within the policy's tolerance of it, in either
sense (it can be turned round), so the question is which k windows of equal width hold the most work. On a
line that is solved by dynamic programming: the best k windows among the first c tilts either leave the
last of them out, or hold it in the leftmost window that does and k - 1 windows before that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError
from fleet.numerals import percent
from fleet.policy.policy import DECIMAL_SLACK_DEG
from fleet.policy.remedies import made_wedge

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from fleet.policy.policy import Policy

_MILLI: Final = 1000


@dataclass(frozen=True)
class Drawer:
    """What each number of stock wedges serves.

    Attributes
    ----------
    curve
        One row a number of wedges, from 0: `wedges`, `angles_deg` (tuple, sorted), `served` (share of the
        work that needs a wedge), `made_to_measure` (share of all work), `gain` (of `served` over one wedge
        less).
    arm_only
        Share of all work that the arm alone does.
    out_of_range
        Share of all work whose tilt lies beyond the policy's wedge range.
    policy
        Label of the policy.
    sentence
        The result in words.
    """

    curve: pd.DataFrame
    arm_only: float
    out_of_range: float
    policy: str
    sentence: str


def wedge_drawer(
    tilt_deg: ArrayLike, policy: Policy, *, most: int = 8, weight: ArrayLike | None = None
) -> Drawer:
    """Choose stock wedges for the tilts that coming work is expected to need.

    Parameters
    ----------
    tilt_deg
        Needed tilts [deg], + = tail up: predictive draws, or those of past work; NaN are left out. Taken
        to the thousandth of a degree.
    policy
        Arm-only range, tolerance, step and range of wedge angles. What it has in stock plays no part.
    most
        Largest number of wedges to try.
    weight
        Work that each tilt stands for, same shape; equal if not given.

    Returns
    -------
    Drawer

    Raises
    ------
    FleetError
        If there are no tilts or `most` is below 1.
    """
    if most < 1:
        raise FleetError(f"the drawer must be allowed at least one wedge, got {most}")
    tilt = np.asarray(tilt_deg, dtype=float).ravel()
    share = np.ones(tilt.shape) if weight is None else np.asarray(weight, dtype=float).ravel()
    told = ~np.isnan(tilt)
    tilt, share = tilt[told], share[told]
    if share.sum() <= 0:
        raise FleetError("no tilts are known to choose wedges for; quote some enquiries or take sheets in")
    share = share / share.sum()
    needs = ~_arm_does(tilt, policy)
    points, mass = _sizes(tilt[needs], share[needs])
    low, high = 0, round(max(abs(end) for end in policy.wedge_range_deg) * _MILLI)
    starts, angles = _windows(points, low, high, policy)
    total = float(mass.sum())
    rows = []
    for chosen in _best(points, mass, starts, angles, most, policy):
        served = float(mass[_inside(points, chosen, policy)].sum())
        rows.append(
            {
                "wedges": len(chosen),
                "angles_deg": tuple(angle / _MILLI for angle in chosen),
                "served": served / total if total > 0 else 1.0,
                "made_to_measure": total - served,
            }
        )
    curve = pd.DataFrame(rows)
    curve["gain"] = curve["served"].diff().fillna(0.0)
    beyond = float(mass[points > high].sum())
    arm_only = float(share[~needs].sum())
    return Drawer(curve, arm_only, beyond, policy.label, _sentence(curve, arm_only))


def left_over(tilt_deg: ArrayLike, angles_deg: ArrayLike, policy: Policy) -> pd.DataFrame:
    """List the tilts that neither arm nor drawer serves: those still made to measure.

    Returns
    -------
    DataFrame
        `angle_deg` (size, rounded to the wedge step) and `share` of all work, the largest share first.
    """
    tilt = np.asarray(tilt_deg, dtype=float).ravel()
    tilt = tilt[~np.isnan(tilt)]
    drawer = policy.but(stock_wedges_deg=tuple(np.asarray(angles_deg, dtype=float).ravel().tolist()))
    size = np.abs(tilt[made_wedge(tilt, drawer)])
    angle, count = np.unique(np.round(size / policy.wedge_step_deg).astype(int), return_counts=True)
    share = count / max(tilt.size, 1)
    table = pd.DataFrame({"angle_deg": np.round(angle * policy.wedge_step_deg, 6), "share": share})
    return table.sort_values(["share", "angle_deg"], ascending=[False, True], ignore_index=True)


def _arm_does(tilt: NDArray[np.float64], policy: Policy) -> NDArray[np.bool_]:
    low, high = policy.arm_only_deg
    return np.asarray((tilt >= low - DECIMAL_SLACK_DEG) & (tilt <= high + DECIMAL_SLACK_DEG))


def _sizes(
    tilt: NDArray[np.float64], share: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Sizes of tilt in whole thousandths, sorted, and the work at each."""
    size = np.rint(np.abs(tilt) * _MILLI).astype(np.int64)
    points, place = np.unique(size, return_inverse=True)
    return points, np.bincount(place, weights=share, minlength=len(points)).astype(float)


def _windows(
    points: NDArray[np.int64], low: int, high: int, policy: Policy
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """For each point the lowest wedge of the step that serves it, and the first point which that serves.

    Where no wedge of the step and range serves a point, its window starts after it and the angle is -1.
    """
    step, tolerance = round(policy.wedge_step_deg * _MILLI), round(policy.stock_tolerance_deg * _MILLI)
    angle = np.maximum(-(-(points - tolerance) // step) * step, -(-low // step) * step)
    served = (angle <= points + tolerance) & (angle <= high)
    start = np.searchsorted(points, angle - tolerance, side="left")
    return np.where(served, start, np.arange(len(points)) + 1), np.where(served, angle, -1)


def _best(
    points: NDArray[np.int64],
    mass: NDArray[np.float64],
    starts: NDArray[np.intp],
    angles: NDArray[np.int64],
    most: int,
    policy: Policy,
) -> list[tuple[int, ...]]:
    """Best angles for 0, 1, ... `most` wedges (fewer if fewer serve everything that can be served)."""
    below = np.concatenate([[0.0], np.cumsum(mass)])
    best = [np.zeros(len(points) + 1)]
    usable = angles >= 0
    first = np.minimum(starts, np.arange(len(points)))
    for _ in range(most):
        within = np.where(usable, best[-1][first] + below[1:] - below[first], 0.0)
        best.append(np.maximum.accumulate(np.concatenate([[0.0], within])))
        if best[-1][-1] <= best[-2][-1] + 1e-15:
            best.pop()
            break
    chosen = []
    for k in range(len(best)):
        end, picked = len(points), []
        for level in range(k, 0, -1):
            end = int(np.argmax(best[level][: end + 1] >= best[level][end]))
            if end == 0:
                break
            picked.append(_centred(points[starts[end - 1] : end], int(angles[end - 1]), policy))
            end = int(starts[end - 1])
        chosen.append(tuple(sorted(picked)))
    return chosen


def _centred(points: NDArray[np.int64], angle: int, policy: Policy) -> int:
    """Of the wedges that serve all these points, the one nearest to their middle."""
    step = round(policy.wedge_step_deg * _MILLI)
    middle = (int(points[0]) + int(points[-1])) / 2
    highest = min(
        int(points[0]) + round(policy.stock_tolerance_deg * _MILLI),
        round(max(abs(end) for end in policy.wedge_range_deg) * _MILLI),
    )
    steps = max(0, min(round((middle - angle) / step), (highest - angle) // step))
    return angle + steps * step


def _inside(points: NDArray[np.int64], angles: tuple[int, ...], policy: Policy) -> NDArray[np.bool_]:
    tolerance = round(policy.stock_tolerance_deg * _MILLI)
    inside = np.zeros(len(points), dtype=bool)
    for angle in angles:
        inside |= np.abs(points - angle) <= tolerance
    return inside


def _sentence(curve: pd.DataFrame, arm_only: float) -> str:
    """Name the smallest drawer after which one more wedge adds less than a twentieth of the wedge work."""
    if len(curve) == 1:
        return (
            f"The arm alone does {percent(arm_only)} of the work; no stock wedge would serve any of the rest."
        )
    small = curve.index[1:][curve["gain"].iloc[1:] < 0.05]
    row = curve.iloc[max(int(small[0]) - 1, 1) if len(small) else len(curve) - 1]
    angles = ", ".join(f"{angle:g}°" for angle in row["angles_deg"])
    one = row["wedges"] == 1
    drawer = f"One stock wedge ({angles}) serves" if one else f"{row['wedges']} stock wedges ({angles}) serve"
    return (
        f"The arm alone does {percent(arm_only)} of the work. {drawer} "
        f"{percent(row['served'])} of the rest; {percent(row['made_to_measure'])} of all work is still "
        "made to measure."
    )

"""Attainment in words: which target, counted in which state, and the rate of a whole fleet as an answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fleet.charts.words import percent

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

TARGETS: Final = {"both": "both targets", "rake": "the rake target", "tracking": "the tracking limit"}
STATES: Final = {
    "reachable": "within reach of some tilt",
    "level": "met on a level headshell",
    "built": "met as built",
}


def attainment_answer(whole: pd.DataFrame, measure: str) -> str:
    """Say the rate of the whole fleet, its interval, and what stands in the way.

    Parameters
    ----------
    whole : attainment of all units, one row.
    measure : target and state, e.g. `both_reachable`.
    """
    target, state = measure.split("_", 1)
    row = whole.iloc[0] if len(whole) else None
    if row is None or not row[f"{measure}_n"]:
        return f"No unit was read that could tell whether {TARGETS[target]} can be met."
    n, met = int(row[f"{measure}_n"]), int(row[f"{measure}_met"])
    verb = "are" if target == "both" else "is"
    said = (
        f"Of {n} units read, {TARGETS[target]} {verb} {STATES[state]} in {met}: "
        f"{percent(row[f'{measure}_rate'])} (95% interval {rate_span(row, measure)})."
    )
    if measure == "both_reachable":
        said += (
            f" The built-in angle forbids it in {percent(row['conflict_built_in_rate'])}, the room or the "
            f"lower limit of tilt in {percent(row['conflict_reach_rate'])}."
        )
    return said


def rate_span(row: Mapping[str, Any] | pd.Series, measure: str) -> str:
    """The 95 % interval of one rate of a row, in words."""
    low, high = row[f"{measure}_low"], row[f"{measure}_high"]
    return "–" if np.isnan(low) else f"{100 * low:.0f} to {100 * high:.0f}%"

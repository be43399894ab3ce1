"""Sliders of a policy's limits, for judging the same units under others; they stand in the address."""

from __future__ import annotations

import dataclasses

import streamlit as st

from fleet.errors import FleetError
from fleet.policy.policy import Policy


def another(policy: Policy) -> Policy:
    """Ask for other limits; the policy itself where nothing was moved.

    Raises
    ------
    FleetError
        If the limits contradict each other.
    """
    cells = st.columns(4)
    low, high = policy.rake_accepted_deg
    rake = cells[0].slider(
        "Rake accepted (°)", 86.0, 96.0, (low, high), 0.1, key="if_rake", bind="query-params"
    )
    tracking = cells[1].slider(
        "Tracking angle up to (°)",
        14.0,
        32.0,
        float(policy.tracking_limit_deg),
        0.5,
        key="if_tracking",
        bind="query-params",
    )
    lower = cells[2].slider(
        "Tilt down to (°)",
        -12.0,
        0.0,
        float(policy.tilt_lower_limit_deg),
        0.5,
        key="if_lower",
        bind="query-params",
    )
    clearance = cells[3].slider(
        "Clearance kept (° of the room)",
        0.0,
        4.0,
        float(policy.clearance_deg),
        0.1,
        key="if_clearance",
        bind="query-params",
    )
    accepted = (float(rake[0]), float(rake[1]))
    moved = {
        "rake_accepted_deg": accepted,
        "tracking_limit_deg": float(tracking),
        "tilt_lower_limit_deg": float(lower),
        "clearance_deg": float(clearance),
    }
    if all(getattr(policy, name) == value for name, value in moved.items()):
        return policy
    best = tuple(min(max(x, accepted[0]), accepted[1]) for x in policy.rake_best_deg)
    aim = min(max(policy.rake_aim_deg or best[0], best[0]), best[1])
    kept = policy.rake_kept_deg
    wish = min(policy.tracking_wish_deg, float(tracking))
    try:
        return dataclasses.replace(
            policy,
            name="other",
            rake_best_deg=(best[0], best[1]),
            rake_aim_deg=aim,
            rake_kept_deg=None if kept is None else min(max(kept, accepted[0]), accepted[1]),
            tracking_wish_deg=wish,
            **moved,  # type: ignore[arg-type]
        )
    except FleetError as error:
        raise FleetError(f"these limits contradict each other: {error}") from error

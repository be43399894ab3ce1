"""Sliders of a policy's limits, for judging the same units under others; they stand in the address."""

from __future__ import annotations

import dataclasses

import streamlit as st

from dashboards import state
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
    with cells[0]:
        accepted = state.span("Rake accepted [°]", "if_rake", 86.0, 96.0, policy.rake_accepted_deg, 0.1)
    with cells[1]:
        limit = policy.tracking_limit_deg
        tracking = state.slider("Tracking angle up to [°]", "if_tracking", 14.0, 32.0, limit, 0.5)
    with cells[2]:
        lowest = policy.tilt_lower_limit_deg
        lower = state.slider("Tilt down to [°]", "if_lower", -12.0, 0.0, lowest, 0.5)
    with cells[3]:
        room = policy.clearance_deg
        clearance = state.slider("Clearance kept (° of the room)", "if_clearance", 0.0, 4.0, room, 0.1)
    moved = {
        "rake_accepted_deg": accepted,
        "tracking_limit_deg": tracking,
        "tilt_lower_limit_deg": lower,
        "clearance_deg": clearance,
    }
    if all(getattr(policy, name) == value for name, value in moved.items()):
        return policy
    best = tuple(min(max(x, accepted[0]), accepted[1]) for x in policy.rake_best_deg)
    aim = min(max(policy.rake_aim_deg or best[0], best[0]), best[1])
    kept = policy.rake_kept_deg
    wish = min(policy.tracking_wish_deg, tracking)
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

"""What a target policy must satisfy; every refusal is one line that names the policy and the key."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Final

from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.judgements.policy import Policy

PREFERENCES: Final = ("rake", "tracking")

_PAIRS: Final = ("rake_accepted_deg", "rake_best_deg", "arm_only_deg", "wedge_range_deg")
_OPTIONAL: Final = (
    "rake_aim_deg",
    "rake_kept_deg",
    "rake_reading_sd_deg",
    "tracking_reading_sd_deg",
    "hourly_rate",
)


def _wrong(policy: Policy, key: str, what: str) -> FleetError:
    return FleetError(f"policy {policy.name!r}: {key} {what}, got {getattr(policy, key)!r}")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def check_types(policy: Policy) -> None:
    """Turn numbers into floats and lists into tuples; refuse anything of another kind."""
    for field in dataclasses.fields(policy):
        key, value = field.name, getattr(policy, field.name)
        if key in ("name", "currency"):
            if not isinstance(value, str):
                raise _wrong(policy, key, "must be a text")
        elif key == "preference":
            if not isinstance(value, tuple | list) or sorted(map(str, value)) != sorted(PREFERENCES):
                raise _wrong(policy, key, 'must be ["rake", "tracking"] or ["tracking", "rake"]')
            object.__setattr__(policy, key, tuple(value))
        elif key in _PAIRS or key == "stock_wedges_deg":
            if not isinstance(value, tuple | list) or not all(map(_is_number, value)):
                raise _wrong(policy, key, "must be a list of numbers [deg]")
            if key in _PAIRS and (len(value) != 2 or value[0] > value[1]):
                raise _wrong(policy, key, "must be two numbers, the lower first [deg]")
            object.__setattr__(policy, key, tuple(float(v) for v in value))
        elif value is None and key in _OPTIONAL:
            continue
        elif not _is_number(value):
            raise _wrong(policy, key, "must be a number")
        else:
            object.__setattr__(policy, key, float(value))


def check_values(policy: Policy) -> None:
    """Refuse values out of range and values that contradict each other.

    Raises
    ------
    FleetError
        At the first that is wrong.
    """
    _check_targets(policy)
    _check_guard(policy)
    _check_tilt_and_wedges(policy)
    _check_money(policy)


def _check_targets(policy: Policy) -> None:
    accepted, best = policy.rake_accepted_deg, policy.rake_best_deg
    if not (60.0 <= accepted[0] < accepted[1] <= 120.0):
        raise _wrong(policy, "rake_accepted_deg", "must be a band within 60..120 deg")
    if not (accepted[0] <= best[0] and best[1] <= accepted[1]):
        raise _wrong(policy, "rake_best_deg", "must lie within rake_accepted_deg")
    if not accepted[0] <= policy.aim_deg <= accepted[1]:
        raise _wrong(policy, "rake_aim_deg", "must lie within rake_accepted_deg")
    if policy.rake_kept_deg is not None and not policy.aim_deg <= policy.rake_kept_deg <= accepted[1]:
        raise _wrong(policy, "rake_kept_deg", "must lie between rake_aim_deg and the accepted upper end")
    if not 0.0 < policy.tracking_limit_deg <= 60.0:
        raise _wrong(policy, "tracking_limit_deg", "must be above 0 and at most 60 deg")
    if not 0.0 < policy.tracking_wish_deg <= policy.tracking_limit_deg:
        raise _wrong(policy, "tracking_wish_deg", "must be above 0 and at most tracking_limit_deg")


def _check_guard(policy: Policy) -> None:
    if not 0.0 <= policy.guard_sigmas <= 5.0:
        raise _wrong(policy, "guard_sigmas", "must be from 0 to 5")
    for key in ("rake_reading_sd_deg", "tracking_reading_sd_deg"):
        value = getattr(policy, key)
        if value is not None and not 0.0 <= value <= 5.0:
            raise _wrong(policy, key, "must be from 0 to 5 deg")
        if value is None and policy.guard_sigmas > 0:
            raise _wrong(policy, key, "must be given when guard_sigmas is not 0")
    if policy.guarded_rake_deg[0] > policy.guarded_rake_deg[1]:
        raise _wrong(policy, "guard_sigmas", "leaves nothing of rake_accepted_deg; lower it")


def _check_tilt_and_wedges(policy: Policy) -> None:
    if not -20.0 <= policy.tilt_lower_limit_deg <= 0.0:
        raise _wrong(policy, "tilt_lower_limit_deg", "must be from -20 to 0 deg")
    if not 0.0 <= policy.clearance_deg <= -policy.tilt_lower_limit_deg:
        raise _wrong(policy, "clearance_deg", "must be from 0 to the size of tilt_lower_limit_deg")
    if not policy.arm_only_deg[0] <= 0.0 <= policy.arm_only_deg[1]:
        raise _wrong(policy, "arm_only_deg", "must hold 0")
    if any(abs(wedge) > 20.0 for wedge in policy.stock_wedges_deg):
        raise _wrong(policy, "stock_wedges_deg", "must be within -20..20 deg")
    if not 0.0 <= policy.stock_tolerance_deg <= 5.0:
        raise _wrong(policy, "stock_tolerance_deg", "must be from 0 to 5 deg")
    if not 0.001 <= policy.wedge_step_deg <= 5.0:
        raise _wrong(policy, "wedge_step_deg", "must be from 0.001 to 5 deg")
    if not -20.0 <= policy.wedge_range_deg[0] <= policy.wedge_range_deg[1] <= 20.0:
        raise _wrong(policy, "wedge_range_deg", "must be within -20..20 deg")


def _check_money(policy: Policy) -> None:
    for key in ("hourly_rate", "base_fee", "wedge_fee", "rounding"):
        value = getattr(policy, key)
        if value is not None and value < 0.0:
            raise _wrong(policy, key, "must not be negative")
    quantiles = (policy.price_quantile_low, policy.price_quantile_quoted, policy.price_quantile_high)
    if not (0.0 < quantiles[0] <= quantiles[1] <= quantiles[2] < 1.0):
        raise _wrong(policy, "price_quantile_quoted", "breaks the order 0 < low <= quoted <= high < 1")

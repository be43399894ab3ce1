"""A target of one unit's own, in place of the policy's, with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from fleet.errors import FleetError
from fleet.numerals import unknown
from fleet.policy.policy import Policy
from fleet.words import REASONS, quantity

OWN: Final = ("rake_aim_deg", "tracking_limit_deg")
REASON: Final = "target_reason"


def own_target(sheet: Mapping[Any, Any], policy: Policy) -> Policy:
    """The policy with what a sheet changes of it for its unit; the policy itself where it changes nothing.

    Parameters
    ----------
    sheet : mapping
        Bench-sheet columns, `OWN` among them perhaps [degrees].
    policy : Policy

    Raises
    ------
    FleetError
        If the policy's limits don't allow the target.
    """
    told = {name: float(sheet[name]) for name in OWN if not unknown(sheet.get(name))}
    if "tracking_limit_deg" in told and told["tracking_limit_deg"] < policy.tracking_wish_deg:
        told["tracking_wish_deg"] = told["tracking_limit_deg"]
    return policy.but(**told) if told else policy


def target_words(sheet: Mapping[Any, Any]) -> str:
    """A unit's own target with its reason, in words; empty where it has none."""
    told = [
        f"{quantity(name).short} {quantity(name).figure(sheet[name])}"
        for name in OWN
        if not unknown(sheet.get(name))
    ]
    if not told:
        return ""
    why = sheet.get(REASON)
    reason = "no reason told" if unknown(why) else REASONS.get(str(why), str(why))
    return f"Target of its own: {', '.join(told)} ({reason})."


def check_reason(sheet: Mapping[Any, Any]) -> None:
    """Refuse a target of its own without a reason, and a reason without a target.

    Raises
    ------
    FleetError
        One line that says what to tell.
    """
    told = any(not unknown(sheet.get(name)) for name in OWN)
    if told == unknown(sheet.get(REASON)):
        words = ", ".join(REASONS)
        raise FleetError(
            f"a target of the unit's own needs its reason, and a reason its target: target_reason ({words}) "
            f"goes with {' or '.join(OWN)}."
        )

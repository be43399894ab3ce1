"""The tilt of one unit in full: what to set, what it gets, what limits it, how to make it, what to mind."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.stack_height import StackAdvice, judge_stack
from fleet.alignment.tilt import BOTH, OUTCOMES, choose_tilt, outcome_at, reach
from fleet.errors import FleetError
from fleet.physics.geometry import arm_height_change_mm
from fleet.policy.policy import DECIMAL_SLACK_DEG
from fleet.policy.remedies import remedy
from fleet.words import CLEARANCE, REMEDIES

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

LINE_STEP_DEG: Final = 0.05
_UNKNOWN_ROOM_DEG: Final = 5.0


@dataclass(frozen=True)
class TiltAdvice:
    """Advice on the tilt of one unit.

    Attributes
    ----------
    tilt_deg
        What to set [deg], + = tail up.
    rake_deg, tracking_deg
        Net angles with it [deg]; NaN rake for a spherical stylus.
    outcome
        `both`, `rake_only`, `tracking_only`, `neither`.
    limited_by
        Why not both: `nothing` (both met), `built_in`, `room`, `lower_limit`, or `preference` (another tilt
        would meet both; the policy prefers this one).
    remedy
        `none`, `arm_only`, `stock_wedge`, `made_wedge`.
    wedge_deg
        The wedge to use [deg], of the drawer or rounded to the policy's step but never past the room; None if
        the arm does it.
    arm_rise_mm
        Change of the arm's bearing height that gives the whole tilt [mm]; None without an arm length.
    stack
        Heights with and without a wedge; None without the body's height and tip-to-mount distance.
    line
        The trade-off: `tilt_deg`, `rake_deg`, `tracking_deg`, `outcome` for every allowed tilt.
    cautions
        What to mind, one sentence each.
    policy
        Label of the policy.
    sentence
        The advice in words.
    """

    tilt_deg: float
    rake_deg: float
    tracking_deg: float
    outcome: str
    limited_by: str
    remedy: str
    wedge_deg: float | None
    arm_rise_mm: float | None
    stack: StackAdvice | None
    line: pd.DataFrame
    cautions: tuple[str, ...]
    policy: str
    sentence: str


def advise_tilt(
    sra_dynamic_deg: float,
    vta_dynamic_deg: float,
    tilt_room_deg: float,
    policy: Policy,
    *,
    arm_length_mm: float | None = None,
    height_mm: float | None = None,
    tip_to_mount_mm: float | None = None,
) -> TiltAdvice:
    """Advise on the tilt of one unit.

    Parameters
    ----------
    sra_dynamic_deg, vta_dynamic_deg
        Readings on a level headshell, record turning [deg]; NaN rake = spherical stylus.
    tilt_room_deg
        Largest tilt before the body comes too near the record [deg]; NaN = not read.
    policy
        The target policy.
    arm_length_mm
        Stylus tip to the arm's vertical bearing [mm].
    height_mm, tip_to_mount_mm
        Mounting face above the record, and tip to hole line [mm].

    Raises
    ------
    FleetError
        If the tracking angle is missing, or a length is impossible.
    """
    sra, vta, room = (float(v) for v in (sra_dynamic_deg, vta_dynamic_deg, tilt_room_deg))
    if math.isnan(vta):
        raise FleetError("the tilt needs the tracking angle with the record turning; read it first")
    if arm_length_mm is not None and not arm_length_mm > 0:
        raise FleetError(f"the arm length is {arm_length_mm:g} mm; give the distance from tip to bearing")
    choice = choose_tilt(sra, vta, room, policy)
    tilt, outcome = float(choice.tilt_deg), str(choice.words)
    made = str(remedy(tilt, policy))
    limit = _limited_by(sra, vta, room, tilt, int(choice.outcome), policy)
    wedge = _wedge(tilt, room, made, policy)
    rise = None if arm_length_mm is None else float(arm_height_change_mm(tilt, arm_length_mm))
    words = [_what(tilt, sra, vta, outcome), _why(limit, sra - vta, policy), _how(made, wedge, tilt, rise)]
    return TiltAdvice(
        tilt,
        sra + tilt,
        vta + tilt,
        outcome,
        limit,
        made,
        wedge,
        rise,
        _stack(height_mm, tip_to_mount_mm, tilt, policy),
        trade_off_line(sra, vta, room, policy),
        _cautions(tilt, room, made, policy),
        policy.label,
        " ".join(w for w in words if w),
    )


def trade_off_line(sra: float, vta: float, room: float, policy: Policy) -> pd.DataFrame:
    """Net rake against net tracking angle as the tilt runs through its allowed range.

    Returns
    -------
    DataFrame
        `tilt_deg`, `rake_deg`, `tracking_deg`, `outcome` (word), a row every 0.05 deg and one at the upper
        end; an unread room is drawn up to 5 deg.
    """
    low = policy.tilt_lower_limit_deg
    high = _UNKNOWN_ROOM_DEG if math.isnan(room) else room - policy.clearance_deg
    tilt = np.append(low + LINE_STEP_DEG * np.arange(int(np.ceil((high - low) / LINE_STEP_DEG - 1e-9))), high)
    codes = outcome_at(tilt, sra, vta, policy)
    return pd.DataFrame(
        {
            "tilt_deg": np.round(tilt, 6),
            "rake_deg": sra + tilt,
            "tracking_deg": vta + tilt,
            "outcome": [OUTCOMES[c] for c in codes],
        }
    )


def _stack(
    height_mm: float | None, tip_to_mount_mm: float | None, tilt: float, policy: Policy
) -> StackAdvice | None:
    if height_mm is None or tip_to_mount_mm is None:
        return None
    stock, step = policy.stock_wedges_deg, policy.wedge_step_deg
    return judge_stack(height_mm, tip_to_mount_mm, tilt, stock_wedges_deg=stock, step_deg=step)


def _limited_by(sra: float, vta: float, room: float, tilt: float, outcome: int, policy: Policy) -> str:
    if outcome == BOTH:
        return "nothing"
    could = reach(sra, vta, room, policy)
    if could.conflict_built_in:
        return "built_in"
    if could.both:
        return "preference"
    return "lower_limit" if tilt <= policy.tilt_lower_limit_deg + DECIMAL_SLACK_DEG else "room"


def _wedge(tilt: float, room: float, made: str, policy: Policy) -> float | None:
    """Angle of the wedge to use, in the sense of the tilt."""
    if made == "stock_wedge":
        size = min((abs(s) for s in policy.stock_wedges_deg), key=lambda s: abs(s - abs(tilt)))
        return math.copysign(size, tilt)
    if made != "made_wedge":
        return None
    step = policy.wedge_step_deg
    steps = round(tilt / step)
    if not math.isnan(room) and steps * step > room - policy.clearance_deg + DECIMAL_SLACK_DEG:
        steps -= 1
    return round(steps * step, 6)


def _what(tilt: float, sra: float, vta: float, outcome: str) -> str:
    sense = "level" if abs(tilt) < 0.005 else f"tail {'up' if tilt > 0 else 'down'}"
    spherical = math.isnan(sra)
    rake = "" if spherical else f"rake {sra + tilt:.2f}° and "
    met = {
        "both": "tracking angle met (a spherical stylus has no rake)" if spherical else "both targets met",
        "rake_only": "rake met, tracking angle not",
        "tracking_only": "tracking angle met, rake not",
        "neither": "tracking angle not met" if spherical else "neither target met",
    }[outcome]
    return f"Tilt {tilt:+.2f}° ({sense}) gives {rake}tracking angle {vta + tilt:.2f}°: {met}."


def _why(limit: str, built_in: float, policy: Policy) -> str:
    if math.isnan(built_in):
        return (
            "" if limit == "nothing" else "The lower limit of tilt keeps tracking from coming down further."
        )
    needed = policy.rake_accepted_deg[0] - policy.tracking_limit_deg
    return {
        "nothing": "",
        "built_in": f"No tilt meets both: the built-in angle is {built_in:.2f}°, {needed:.2f}° is needed.",
        "preference": "A tilt nearer the accepted edge would meet both; the policy prefers this one.",
        "room": "The built-in angle would allow both; the tilt room doesn't.",
        "lower_limit": "The built-in angle would allow both; the lower limit of tilt doesn't.",
    }[limit]


def _how(made: str, wedge: float | None, tilt: float, rise: float | None) -> str:
    arm = ""
    if rise is not None and abs(rise) >= 0.05:
        arm = f" (bearing {abs(rise):.1f} mm {'higher' if rise > 0 else 'lower'})"
    if wedge is None:
        return "Nothing to set." if made == "none" else f"The arm alone does it{arm}."
    trim = tilt - wedge
    rest = f", the arm the last {trim:+.2f}°" if abs(trim) >= 0.005 else ""
    return f"Use {REMEDIES[made]} of {wedge:+g}°{rest}."


def _cautions(tilt: float, room: float, made: str, policy: Policy) -> tuple[str, ...]:
    cautions = []
    if math.isnan(room):
        cautions.append("The tilt room was not read: nothing here keeps the body off the record.")
    low, high = policy.wedge_range_deg
    if made == "made_wedge" and not low - DECIMAL_SLACK_DEG <= tilt <= high + DECIMAL_SLACK_DEG:
        cautions.append(f"A wedge of {tilt:+.2f}° lies beyond what is made ({low:g} to {high:g}°).")
    if tilt > 0:
        cautions.append(CLEARANCE)
    return tuple(cautions)

"""Give both alignment figures for a zenith error: `fleet zenith`, a part of `fleet align`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from fleet.cli import common
from fleet.cli.bench.align import show, solve_alignment
from fleet.cli.bench.arm_options import LengthOption, Limits, LimitsOption
from fleet.cli.column_options import with_columns
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.columns import COLUMNS
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.alignment import Alignment

_ZENITH_FACTS: Final = {
    name: COLUMNS[name]
    for name in (
        "zenith_deg",
        "vta_dynamic_deg",
        "azimuth_electrical_deg",
        "roll_applied_deg",
        "stylus_profile",
    )
}


@with_columns(_ZENITH_FACTS)
def zenith(
    limits: LimitsOption = Limits.IEC,
    effective_length_mm: LengthOption = 230.0,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
    **readings: str | None,
) -> None:
    """Give both alignment figures for a zenith error, the sense of the correction and what it costs.

    Needs no store. On a level body; `fleet align` counts the tilt of a wedge too.
    """
    from fleet.alignment.alignment import WITHHELD

    chosen = common.policies_from(policy, policy_name)["default"]
    if readings.get("zenith_deg") is None:
        raise FleetError(
            "--zenith-deg is needed: + = clockwise seen from the record's side, looking at the tip."
        )
    arm = {"arm_length_mm": effective_length_mm, "limits": limits.value}
    found = solve_alignment(readings, _ZENITH_FACTS, chosen, store=store, predict=False, **arm)  # type: ignore[arg-type]
    if found.known.spherical:
        raise FleetError("a spherical stylus has no contact edge, so no zenith to align.")
    if found.turn.decision == WITHHELD:
        raise FleetError(f"no turn is advised: {found.turn.why}.")
    if not common.write_out(_rows(found), out) or out is not None:
        return
    told_roll = readings.get("azimuth_electrical_deg") or readings.get("roll_applied_deg")
    say(*[f"{heading}: {text}" for heading, text in found.steps if heading == "Turn"])
    if found.cost_before is not None:
        _show_costs(found)
    show(found, ("Read again", "Roll") if told_roll else ("Read again",))


def _rows(found: Alignment) -> pd.DataFrame:
    """One row for the straight body and one for the turned one."""
    import pandas as pd

    costs = pd.DataFrame([asdict(c) for c in (found.cost_before, found.cost_after) if c is not None])
    if costs.empty:
        costs = pd.DataFrame(index=range(2))
    costs.insert(0, "body", ["straight", "turned"])
    costs.insert(1, "body_turn_deg", [0.0, found.turn.asked.value])
    costs.insert(2, "body_turn_sd_deg", [0.0, found.turn.asked.sd])
    costs.insert(3, "cantilever_stands_deg", list(_stands(found)))
    return costs.assign(decision=found.turn.decision)


def _stands(found: Alignment) -> tuple[float, float]:
    """Where the cantilever is seen, body straight and turned by what the zenith asks for."""
    straight = found.seen.value - found.turn.degrees
    return straight, straight + found.turn.asked.value


def _show_costs(found: Alignment) -> None:
    from fleet.alignment.zenith import VELOCITY_CM_S, sense_from_above

    columns: dict[str, list[Any]] = {
        "": [
            "body, seen from above",
            "cantilever seems to stand, from above",
            "skew between the channels, worst [µs]",
            f"tracking distortion at {VELOCITY_CM_S:g} cm/s peak, worst [%]",
            "at the radius [mm]",
            "tracking distortion, rms over the side [%]",
        ],
    }
    turns = (0.0, found.turn.asked.value)
    costs = (found.cost_before, found.cost_after)
    for heading, turn, stand, cost in zip(("straight", "turned"), turns, _stands(found), costs, strict=True):
        if cost is None:
            return
        columns[heading] = [
            sense_from_above(turn),
            sense_from_above(stand),
            f"{cost.skew_worst_us:.1f}",
            f"{100 * cost.tracking_worst:.2f}",
            f"{cost.worst_radius_mm:.0f}",
            f"{100 * cost.tracking_rms:.2f}",
        ]
    say(table(columns))

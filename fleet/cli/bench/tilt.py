"""Give the tilt that the target policy prefers: `fleet tilt`, a part of `fleet align`."""

from __future__ import annotations

from typing import Final

from fleet.cli import common
from fleet.cli.bench.align import ArmLengthOption, show, solve_alignment
from fleet.cli.column_options import with_columns
from fleet.columns import COLUMNS
from fleet.errors import FleetError

_TILT_FACTS: Final = {
    name: COLUMNS[name]
    for name in (
        "sra_static_deg",
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "tilt_room_deg",
        "height_mm",
        "tip_to_mount_mm",
        "stylus_profile",
    )
}
_STEPS: Final = ("Read again", "Not read", "Tilt", "Wedge", "Height", "Force", "Overhang", "Check again")


@with_columns(_TILT_FACTS)
def tilt(
    arm_length_mm: ArmLengthOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
    **readings: str | None,
) -> None:
    """Give the tilt that the target policy prefers for these readings, and what it gets for it.

    Needs no store. Angles as read on a level headshell, record turning; `fleet align` has roll and turn too.
    """
    from fleet.alignment.alignment import WITHHELD

    chosen = common.policies_from(policy, policy_name)["default"]
    found = solve_alignment(readings, _TILT_FACTS, chosen, arm_length_mm=arm_length_mm, store=store)
    if found.tilt.decision == WITHHELD:
        raise FleetError(f"no tilt is advised: {found.tilt.why}.")
    show(found, _STEPS)

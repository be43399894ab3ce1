"""Give the tilt that the target policy prefers: `fleet tilt`."""

from __future__ import annotations

from typing import Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.column_options import typed_row, with_columns
from fleet.cli.common import HANDLING, say
from fleet.cli.tables import unknown
from fleet.columns import COLUMNS
from fleet.errors import FleetError

_TILT_FACTS: Final = {
    name: COLUMNS[name]
    for name in (
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "tilt_room_deg",
        "height_mm",
        "tip_to_mount_mm",
        "stylus_profile",
    )
}


@with_columns(_TILT_FACTS)
def tilt(
    arm_length_mm: Annotated[
        float | None,
        typer.Option(
            "--arm-length-mm", min=50, max=500, metavar="mm", help="Stylus tip to the arm's bearing."
        ),
    ] = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    **readings: str | None,
) -> None:
    """Give the tilt that the target policy prefers for these readings, and what it gets for it.

    Needs no store. Angles as read on a level headshell, record turning.
    """
    from fleet.alignment.tilt_advice import advise_tilt

    chosen = common.policies_from(policy, policy_name)["default"]
    row = typed_row({**dict.fromkeys(_TILT_FACTS), **readings}, _TILT_FACTS)[0].iloc[0]
    sra = float("nan") if row["stylus_profile"] == "spherical" else float(row["sra_dynamic_deg"])
    if unknown(sra) and row["stylus_profile"] != "spherical":
        raise FleetError(
            "--sra-dynamic-deg is needed (only a spherical stylus has no rake: --stylus spherical)."
        )
    if unknown(float(row["vta_dynamic_deg"])):
        raise FleetError("--vta-dynamic-deg is needed: the tracking angle with the record turning.")
    lengths = {name: float(row[name]) for name in ("height_mm", "tip_to_mount_mm")}
    advice = advise_tilt(
        sra,
        float(row["vta_dynamic_deg"]),
        float(row["tilt_room_deg"]),
        chosen,
        arm_length_mm=arm_length_mm,
        **{name: None if unknown(length) else length for name, length in lengths.items()},
    )
    say(advice.sentence)
    if advice.stack is not None:
        say(advice.stack.sentence)
    for caution in (*advice.cautions, HANDLING):
        say(caution)
    say(f"Policy: {advice.policy}.")

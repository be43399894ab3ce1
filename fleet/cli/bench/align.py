"""Align one unit from typed readings: `fleet align`; `tilt` and `zenith` print parts of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.column_options import typed_row, with_columns
from fleet.cli.common import say
from fleet.columns import COLUMNS
from fleet.errors import FleetError
from fleet.policy.own_target import OWN, REASON, check_reason, own_target
from fleet.words import HANDLING, NO_REPAIR

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fleet.alignment.alignment import Alignment
    from fleet.columns import Column
    from fleet.policy.policy import Policy

_KIND: Final = (
    "body_family",
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "generator",
    "vtf_mn",
    "compliance_um_per_mn",
    "compliance_frequency_hz",
    "cantilever_length_mm",
    "temperature_c",
    "hours_used",
)
_READINGS: Final = (
    "sra_static_deg",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "tilt_room_deg",
    "zenith_deg",
    "azimuth_optical_deg",
    "azimuth_electrical_deg",
    "roll_applied_deg",
    "height_mm",
    "tip_to_mount_mm",
    *OWN,
    REASON,
)
_FACTS: Final = {name: replace(COLUMNS[name], required=False) for name in (*_READINGS, *_KIND)}
PREDICTABLE: Final = ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg")
ArmLengthOption = Annotated[
    float | None,
    typer.Option(
        "--arm-length-mm",
        min=50,
        max=500,
        metavar="mm",
        help="Stylus tip to the arm's bearing.",
        show_default=False,
    ),
]


@with_columns(_FACTS)
def align(
    arm_length_mm: ArmLengthOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
    **readings: str | None,
) -> None:
    """Solve a unit's whole alignment from readings on a level headshell, in the order of the hands.

    Tilt with wedge, height, force and overhang, then roll and turn, each with its doubt. What isn't read is
    predicted where the house model can (mechanics and common practice without one), or withheld; the stylus
    profile is never guessed.
    """
    chosen = common.policies_from(policy, policy_name)["default"]
    found = solve_alignment(readings, _FACTS, chosen, arm_length_mm=arm_length_mm, store=store)
    if out is None:
        show(found)
    else:
        common.write_out(found.to_frame(), out)


def solve_alignment(
    readings: Mapping[str, str | None],
    columns: Mapping[str, Column],
    policy: Policy,
    *,
    arm_length_mm: float | None = None,
    limits: str = "iec",
    store: Path | None = None,
    predict: bool = True,
) -> Alignment:
    """The alignment of what was typed.

    Doubts are those of the store's bench, if there is a store; without one a model of common practice is made
    only if something has to be predicted.
    """
    from fleet.alignment.align import align as solve
    from fleet.alignment.readings import take_readings

    told = {name: readings.get(name) for name in columns}
    if not any(told.values()):
        raise FleetError("type what was read, such as --sra-dynamic-deg 88.6 --vta-dynamic-deg 19.")
    row = {name: value for name, (value,) in typed_row(told, columns)[0].items()}
    check_reason(row)
    wanted = predict and any(told.get(name) is None for name in PREDICTABLE)
    house = None
    if store is not None or common.store_path(store).exists():
        house = common.the_house_or_cold(store)
    elif wanted:
        from fleet.estimation.prior_only import prior_house

        common.warn("Note: no store; mechanics and common practice answer alone for what wasn't read.")
        house = prior_house()
    own = own_target(row, policy)
    return solve(take_readings(row, house=house), own, arm_length_mm=arm_length_mm, limits=limits)


def show(found: Alignment, headings: tuple[str, ...] = ()) -> None:
    """Print the steps (those of some headings alone, if given), cautions and policy."""
    for heading, text in found.steps:
        if not headings or heading in headings:
            say(f"{heading}: {text}")
    for caution in (*found.cautions, NO_REPAIR, HANDLING):
        say(caution)
    say(f"Policy: {found.policy}.")

"""Find out whether a pickup can be set on an arm: `fleet reach`."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fleet.cli import common
from fleet.cli.bench.arm_options import LengthOption, Limits, LimitsOption
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.words import HANDLING, PLAY_AGAIN

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.reach import ReachAdvice
    from fleet.physics.arm_geometry import Alignment


class Aim(StrEnum):
    """What the null radii are chosen for."""

    EQUAL_PEAK = "equal_peak"
    LEAST_SQUARE = "least_square"


def reach(
    tip_to_mount_mm: Annotated[
        float,
        typer.Option(
            "--tip-to-mount-mm", min=0, max=30, metavar="mm", help="Stylus tip to the line of mounting holes."
        ),
    ],
    effective_length_mm: LengthOption,
    pivot_to_spindle_mm: Annotated[
        float | None,
        typer.Option(
            "--pivot-to-spindle-mm", metavar="mm", help="As the arm is mounted.", show_default=False
        ),
    ] = None,
    offset_deg: Annotated[
        float | None,
        typer.Option("--offset-deg", metavar="°", help="Offset of the headshell.", show_default=False),
    ] = None,
    nominal_mm: Annotated[
        float,
        typer.Option(
            "--nominal-tip-to-mount-mm", min=0, max=30, metavar="mm", help="What the arm was drawn for."
        ),
    ] = 9.5,
    slot_forward_mm: Annotated[
        float,
        typer.Option("--slot-forward-mm", min=0, metavar="mm", help="How far the holes go to the nose."),
    ] = 0.0,
    slot_back_mm: Annotated[
        float, typer.Option("--slot-back-mm", min=0, metavar="mm", help="How far the holes go to the tail.")
    ] = 0.0,
    twist_deg: Annotated[
        float, typer.Option("--twist-deg", min=0, metavar="°", help="How far the body turns, either way.")
    ] = 0.0,
    pivot_in_mm: Annotated[
        float, typer.Option("--pivot-in-mm", min=0, metavar="mm", help="How far the pivot goes in.")
    ] = 0.0,
    pivot_out_mm: Annotated[
        float, typer.Option("--pivot-out-mm", min=0, metavar="mm", help="How far the pivot goes out.")
    ] = 0.0,
    limits: LimitsOption = Limits.IEC,
    aim: Annotated[Aim, typer.Option("--aim", help="What the null radii are chosen for.")] = Aim.EQUAL_PEAK,
    out: common.OutOption = None,
) -> None:
    """Find out whether overhang and offset can be set for a pickup on an arm, and what a miss costs.

    Without pivot-to-spindle distance or offset, the arm is taken as drawn for the chosen standard. Needs no
    store.
    """
    from fleet.alignment.reach import Arm, judge_reach
    from fleet.alignment.zenith import usual_alignment

    drawn = usual_alignment(effective_length_mm, limits.value)
    arm = Arm(
        effective_length_mm=effective_length_mm,
        pivot_to_spindle_mm=drawn.pivot_to_spindle_mm if pivot_to_spindle_mm is None else pivot_to_spindle_mm,
        offset_deg=drawn.offset_deg if offset_deg is None else offset_deg,
        tip_to_mount_nominal_mm=nominal_mm,
        slot_forward_mm=slot_forward_mm,
        slot_back_mm=slot_back_mm,
        twist_deg=twist_deg,
        pivot_in_mm=pivot_in_mm,
        pivot_out_mm=pivot_out_mm,
    )
    advice = judge_reach(tip_to_mount_mm, arm, limits=limits.value, aim=aim.value)
    if not common.write_out(_reach_table(advice), out) or out is not None:
        return
    _show_reach(advice)
    if pivot_to_spindle_mm is None or offset_deg is None:
        say(
            f"Taken from the arm's length: pivot to spindle {arm.pivot_to_spindle_mm:.2f} mm, offset "
            f"{arm.offset_deg:.2f}°; type what the arm has if it is known."
        )
    say(PLAY_AGAIN)
    say(HANDLING)


def _reach_table(advice: ReachAdvice) -> pd.DataFrame:
    """One row for what was wanted and one for the best that can be had."""
    import pandas as pd

    rows = []
    for name, alignment, side in (
        ("wanted", advice.wanted, advice.wanted_side),
        ("attained", advice.attained, advice.attained_side),
    ):
        inner, outer = alignment.null_radii_mm
        facts = {"alignment": name, "possible": advice.possible, **_alignment_figures(alignment)}
        facts |= {"null_inner_mm": inner, "null_outer_mm": outer}
        facts |= {"distortion_worst": side.worst, "distortion_rms": side.rms}
        rows.append(facts)
    miss = {"slot_mm": advice.slot_mm, "twist_deg": advice.twist_deg}
    miss |= {"slot_short_mm": advice.slot_short_mm, "twist_short_deg": advice.twist_short_deg}
    return pd.DataFrame(rows).assign(**miss)


def _alignment_figures(alignment: Alignment) -> dict[str, float]:
    return {
        "effective_length_mm": alignment.effective_length_mm,
        "pivot_to_spindle_mm": alignment.pivot_to_spindle_mm,
        "overhang_mm": alignment.overhang_mm,
        "offset_deg": alignment.offset_deg,
    }


def _show_reach(advice: ReachAdvice) -> None:
    say(advice.sentence)
    found = _reach_table(advice)
    figures = {
        "overhang_mm": ("overhang [mm]", 1.0),
        "offset_deg": ("offset [°]", 1.0),
        "null_inner_mm": ("inner null radius [mm]", 1.0),
        "null_outer_mm": ("outer null radius [mm]", 1.0),
        "distortion_worst": ("tracking distortion, worst [%]", 100.0),
        "distortion_rms": ("tracking distortion, rms [%]", 100.0),
    }
    columns: dict[str, list[Any]] = {"": [words for words, _ in figures.values()]}
    for row in found.to_dict("records"):
        told = {name: scale * row[name] for name, (_, scale) in figures.items()}
        columns[row["alignment"]] = [value if math.isfinite(value) else None for value in told.values()]
    missed = (advice.overhang_miss_mm, advice.offset_miss_deg)
    columns["miss"] = [*(f"{amount:+.2f}" for amount in missed), *[None] * (len(figures) - 2)]
    say(table(columns))

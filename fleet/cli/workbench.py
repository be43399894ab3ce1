"""Commands for setting a unit up: roll from electrical readings, zenith alignment, reach on an arm."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.bench import HANDLING
from fleet.cli.common import say
from fleet.cli.facts import typed_row, with_columns
from fleet.cli.tables import table, unknown
from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.reach import ReachAdvice
    from fleet.alignment.roll import RollAdvice, RollFigures
    from fleet.alignment.zenith import ZenithAdvice
    from fleet.physics.arm_geometry import Alignment

_ELECTRICAL: Final = {
    "crosstalk_l_to_r_db": "crosstalk L to R [dB]",
    "crosstalk_r_to_l_db": "crosstalk R to L [dB]",
    "crosstalk_phase_l_to_r_deg": "its phase L to R [°]",
    "crosstalk_phase_r_to_l_deg": "its phase R to L [°]",
    "channel_balance_db": "channel balance, left over right [dB]",
}
_ROLL: Final = replace(
    COLUMNS["roll_applied_deg"], name="roll_deg", note="roll of the body; + clockwise facing the nose"
)
_ONE_SETTING: Final[dict[str, Column]] = {
    "roll_deg": _ROLL,
    **{name: COLUMNS[name] for name in _ELECTRICAL},
}
_SETTINGS: Final[dict[str, Column]] = {
    "setting": Column("setting", "code", note="any name"),
    **_ONE_SETTING,
    "roll_deg": replace(_ROLL, required=True),
}
_ZENITH_FACTS: Final = {
    name: COLUMNS[name] for name in ("zenith_deg", "vta_dynamic_deg", "roll_applied_deg", "stylus_profile")
}
_USUAL_VTA_DEG: Final = 20.0
"""Where the tracking angle wasn't read (IEC 60098:2020, 6.1); it matters only under a roll."""
_PLAY_CAUTION: Final = "Check the clearance and the channels again on a record that doesn't matter."


class Limits(StrEnum):
    """Recorded radii by standard."""

    IEC = "iec"
    DIN = "din"
    JIS = "jis"


class Aim(StrEnum):
    """What the null radii are chosen for."""

    EQUAL_PEAK = "equal_peak"
    LEAST_SQUARE = "least_square"


LimitsOption = Annotated[Limits, typer.Option("--limits", help="Recorded radii of which standard.")]
LengthOption = Annotated[
    float, typer.Option("--effective-length-mm", min=100, max=500, metavar="mm", help="Stylus tip to pivot.")
]


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    for command in (roll, zenith, reach):
        app.command(rich_help_panel=common.BENCH_PANEL)(command)


@with_columns(_ONE_SETTING)
def roll(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="One row a roll setting; - is CSV on standard input."),
    ] = None,
    now: Annotated[
        str | None,
        typer.Option("--now", metavar="SETTING", help="The setting it stands in; the first if left out."),
    ] = None,
    lateral: Annotated[
        bool, typer.Option("--lateral", help="The balance was read on a lateral signal.")
    ] = False,
    out: common.OutOption = None,
    **readings: str | None,
) -> None:
    """Propose the body roll that suits crosstalk, its phase and the balance best.

    The file has a row a setting: setting, roll_deg (+ = clockwise facing the nose), the four crosstalk
    columns and channel_balance_db. One setting with its phases may be typed instead. Needs no store.
    """
    from fleet.alignment.roll import judge_roll
    from fleet.output import check_out

    check_out(out)
    advice = judge_roll(_roll_settings(file, readings), now=now, lateral_balance=lateral)
    if not advice.separated:
        raise FleetError(advice.sentence)
    if common.write_out(_roll_table(advice), out) and out is None:
        _show_roll(advice)


def _roll_settings(file: Path | None, readings: dict[str, str | None]) -> pd.DataFrame:
    told = {name: text for name, text in readings.items() if text is not None}
    if file is None:
        if not told:
            raise FleetError(
                "name a file with one row a roll setting, or type one setting with its phases: "
                "fleet roll --crosstalk-l-to-r-db -31 --crosstalk-phase-l-to-r-deg 164 ..."
            )
        return typed_row({**dict.fromkeys(_ONE_SETTING), "roll_deg": "0", **told}, _ONE_SETTING)[0]
    if told:
        raise FleetError("the file says the readings itself; leave the typed ones out, or the file.")
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table

    read = read_table(file, _SETTINGS)
    checked = check_table(read, _SETTINGS, key=None)
    if checked.faults:
        raise FleetError(f"{'; '.join(str(fault) for fault in checked.faults)}.")
    good = checked.good.reset_index(drop=True)
    if good.empty:
        raise FleetError(f"{read.file} holds no roll setting, only a header.")
    names = good["setting"].astype("object")
    return good.assign(setting=names.where(names.notna(), [str(i + 1) for i in range(len(good))]))


def _roll_table(advice: RollAdvice) -> pd.DataFrame:
    """One row for where the unit stands and one for the proposal."""
    import pandas as pd

    both = pd.DataFrame([asdict(advice.before), asdict(advice.after)])
    both.insert(0, "at", ["now", "proposed"])
    return both.assign(
        turn_deg=[0.0, advice.turn_deg],
        roll_sd_deg=[float("nan"), advice.roll_sd_deg],
        flat_low_deg=advice.flat_low_deg,
        flat_high_deg=advice.flat_high_deg,
        phase_weight=advice.phase_weight,
    )


def _show_roll(advice: RollAdvice) -> None:
    say(advice.sentence)

    def figures(at: RollFigures) -> list[float]:
        return [at.roll_deg, *(getattr(at, name) for name in _ELECTRICAL), at.mean_crosstalk_db]

    columns: dict[str, list[Any]] = {
        "": ["roll, + = clockwise facing the nose [°]", *_ELECTRICAL.values(), "mean crosstalk [dB]"],
        "now": figures(advice.before),
        "proposed": figures(advice.after),
    }
    say(table(columns))
    say("Figures are those of the fitted channels; read both again after the turn.")
    for caution in (*advice.cautions, HANDLING):
        say(caution)


@with_columns(_ZENITH_FACTS)
def zenith(
    limits: LimitsOption = Limits.IEC,
    effective_length_mm: LengthOption = 230.0,
    out: common.OutOption = None,
    **readings: str | None,
) -> None:
    """Give both alignment figures for a zenith error, the sense of the correction and what it costs.

    Needs no store.
    """
    from fleet.alignment.zenith import judge_zenith, usual_alignment
    from fleet.output import check_out

    check_out(out)
    row = typed_row({**dict.fromkeys(_ZENITH_FACTS), **readings}, _ZENITH_FACTS)[0].iloc[0]
    if row["stylus_profile"] == "spherical":
        raise FleetError("a spherical stylus has no contact edge, so no zenith to align.")
    if unknown(float(row["zenith_deg"])):
        raise FleetError("--zenith-deg is needed: + = clockwise with the stylus pointing at the eye.")
    vta, rolled = float(row["vta_dynamic_deg"]), float(row["roll_applied_deg"])
    profile = None if unknown(row["stylus_profile"]) else str(row["stylus_profile"])
    advice = judge_zenith(
        float(row["zenith_deg"]),
        vta_deg=_USUAL_VTA_DEG if unknown(vta) else vta,
        roll_deg=0.0 if unknown(rolled) else rolled,
        stylus_profile=profile,
        alignment=usual_alignment(effective_length_mm, limits.value),
        limits=limits.value,
    )
    if not common.write_out(_zenith_table(advice), out) or out is not None:
        return
    _show_zenith(advice)
    if profile is None:
        say("The stylus profile wasn't told: the skew is that of a sharp edge, the worst case (--stylus).")
    if unknown(vta) and not unknown(rolled) and rolled != 0.0:
        say(f"The tracking angle wasn't told: {_USUAL_VTA_DEG:g}° was taken (--vta-dynamic-deg).")
    say("A corrected alignment is no repair of a twisted stylus.")
    say(HANDLING)


def _zenith_table(advice: ZenithAdvice) -> pd.DataFrame:
    """One row for the straight body and one for the turned one."""
    import pandas as pd

    costs = pd.DataFrame([asdict(advice.before), asdict(advice.after)])
    shares = advice.roll_share_deg, advice.cantilever_stands_deg
    costs.insert(0, "body", ["straight", "turned"])
    costs.insert(1, "body_turn_deg", [0.0, advice.body_turn_deg])
    costs.insert(2, "cantilever_stands_deg", list(shares))
    return costs


def _show_zenith(advice: ZenithAdvice) -> None:
    from fleet.alignment.zenith import sense_from_above

    say(advice.sentence)
    before, after = advice.before, advice.after
    columns: dict[str, list[Any]] = {
        "": [
            "body, seen from above",
            "cantilever seems to stand, from above",
            "skew between the channels, worst [µs]",
            "tracking distortion, worst [%]",
            "tracking distortion, rms [%]",
        ],
    }
    stands = advice.roll_share_deg, advice.cantilever_stands_deg
    for heading, turn, stand, cost in zip(
        ("straight", "turned"), (0.0, advice.body_turn_deg), stands, (before, after), strict=True
    ):
        columns[heading] = [
            sense_from_above(turn),
            sense_from_above(stand),
            f"{cost.skew_worst_us:.1f}",
            f"{100 * cost.tracking_worst:.2f}",
            f"{100 * cost.tracking_rms:.2f}",
        ]
    say(table(columns))


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
    from fleet.output import check_out

    check_out(out)
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
    say(_PLAY_CAUTION)
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

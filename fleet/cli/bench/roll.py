"""Propose a body roll from electrical readings: `fleet roll`."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.column_options import typed_row, with_columns
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError
from fleet.words import HANDLING, quantity

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.roll import RollAdvice, RollFigures

_ELECTRICAL: Final = (
    "crosstalk_l_to_r_db", "crosstalk_r_to_l_db", "crosstalk_phase_l_to_r_deg", "crosstalk_phase_r_to_l_deg",
    "channel_balance_db",
)  # fmt: skip
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
        import pandas as pd

        return pd.DataFrame(
            typed_row({**dict.fromkeys(_ONE_SETTING), "roll_deg": "0", **told}, _ONE_SETTING)[0]
        )
    if told:
        raise FleetError("the file says the readings itself; leave the typed ones out, or the file.")
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table

    read = read_table(file, _SETTINGS)
    checked = check_table(read, _SETTINGS, key=None)
    if checked.faults:
        raise FleetError("; ".join(str(fault) for fault in checked.faults))
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
        turn_decision=["", advice.turn.decision],
        turn_asked_deg=[0.0, advice.turn.asked.value],
        turn_deg=[0.0, advice.turn.set.value],
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
        "": [
            "roll, + = clockwise facing the nose [°]",
            *(quantity(name).head for name in _ELECTRICAL),
            "mean crosstalk [dB]",
        ],
        "now": figures(advice.before),
        "proposed": figures(advice.after),
    }
    say(table(columns))
    say("Figures are those of the fitted channels; read both again after the turn.")
    for caution in (*advice.cautions, HANDLING):
        say(caution)

"""Commands for the bench: suspects, judge, tilt."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.facts import typed_row, with_columns
from fleet.cli.quoting import split_kind
from fleet.cli.tables import percent, table, unknown
from fleet.cli.verdicts import PriorOption, prior_for, show_groups, show_record
from fleet.columns import COLUMNS
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.faults.suspects import Suspects
    from fleet.intake import SheetTable

_NOT_JUDGED: Final = {
    "sheet_no",
    "measured_on",
    "enquiry_id",
    "purpose",
    "remedy",
    "bench_minutes",
    "operator",
}
_READINGS: Final = {
    name: replace(column, required=False) for name, column in COLUMNS.items() if name not in _NOT_JUDGED
}
_ANY_SHEET: Final = {name: replace(column, required=False) for name, column in COLUMNS.items()}
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
NEVER_SURE: Final = 0.9999
NO_REPAIR: Final = "A corrected alignment is no repair of a faulty stylus."
HANDLING: Final = "Stylus and cantilever break at a touch: power off, volume down, guard on while handling."


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.BENCH_PANEL)(judge)
    app.command(rich_help_panel=common.BENCH_PANEL)(suspects)
    app.command(rich_help_panel=common.BENCH_PANEL)(tilt)


@with_columns(_READINGS)
def judge(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="One sheet: CSV, XLSX or Parquet; - is CSV on standard input."),
    ] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", metavar="STYLUS/CANTILEVER", help="Such as line_contact/boron.")
    ] = None,
    save: Annotated[bool, typer.Option("--save", help="Take the readings in as a sheet afterwards.")] = False,
    sheet_no: Annotated[
        str | None,
        typer.Option("--sheet-no", metavar="TEXT", help="With --save: its number.", show_default=False),
    ] = None,
    measured_on: Annotated[
        str | None,
        typer.Option(
            "--measured-on",
            metavar="DATE",
            help="With --save: its day; today if left out.",
            show_default=False,
        ),
    ] = None,
    prior: PriorOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
    **readings: str | None,
) -> None:
    """Say of one unit's readings, as they come, whether they are normal for its kind.

    Name a file with one sheet, or type the readings: --family, --sra-static-deg and so on; whatever hasn't
    been read yet may be left out. Nothing is stored without --save.
    """
    from fleet.output import check_out

    check_out(out)
    if not save and (sheet_no or measured_on):
        raise FleetError("--sheet-no and --measured-on go with --save.")
    chosen = common.policies_from(policy, policy_name)["default"]
    sheet, read = _one_sheet(file, kind, readings)
    house = common.the_house_or_cold(store)
    where = common.the_store(store)

    from fleet.faults.one_unit import judge as judge_one

    verdict = judge_one(house, sheet, chosen, prior=prior_for(where, prior))
    saved = ""
    if save:
        from fleet.intake import save_typed

        saved = save_typed(where, read, sheet_no, measured_on, saving="--save", number="--sheet-no")
    if out is not None:
        import pandas as pd

        common.write_out(pd.DataFrame([verdict.row]), out)
        if saved:
            common.warn(saved)
        return
    say(verdict.sentence)
    for line in verdict.lines:
        say(f"  {line}")
    if saved:
        say(saved)


def _one_sheet(
    file: Path | None, kind: str | None, readings: dict[str, str | None]
) -> tuple[pd.DataFrame, SheetTable]:
    """The one sheet, checked, and the same as text."""
    told = {name: text for name, text in readings.items() if text is not None}
    if file is None:
        if kind is not None:
            told |= split_kind(kind, told)
        if not told:
            raise FleetError("name a file with one sheet, or type its readings: fleet judge --family F01 ...")
        from fleet.intake import text_table

        typed = typed_row({**dict.fromkeys(_ANY_SHEET), **told}, _ANY_SHEET)[0]
        return typed, text_table(told, "typed-at-the-bench")
    if told or kind:
        raise FleetError("the file says the readings itself; leave the typed ones out, or the file.")
    from fleet.intake import load_key
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table

    read = read_table(file, _ANY_SHEET)
    checked = check_table(read, _ANY_SHEET, key=load_key(make=False) if "serial" in read.columns else None)
    if checked.faults:
        raise FleetError(f"{'; '.join(str(fault) for fault in checked.faults)}.")
    if len(checked.good) != 1:
        raise FleetError(
            f"{read.file} holds {len(checked.good)} sheets, but one at a time is judged; "
            "for many: fleet intake, then fleet suspects."
        )
    return checked.good, read


def suspects(
    fdr: Annotated[
        float,
        typer.Option("--fdr", min=0.0001, max=0.5, help="Share of false alarms that the list may hold."),
    ] = 0.05,
    most: Annotated[int, typer.Option("--most", min=1, help="Suspects shown on the terminal.")] = 20,
    of_groups: Annotated[
        bool, typer.Option("--groups", help="Sources and families that drift or spread, instead.")
    ] = False,
    verdicts: Annotated[
        bool, typer.Option("--verdicts", help="How often flags turned out right, instead.")
    ] = False,
    prior: PriorOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """List the units that are not normal for their kind, with what is probably wrong.

    --out writes a row for every sheet, flagged or not.
    """
    from fleet.output import check_out

    check_out(out)
    if of_groups and verdicts:
        raise FleetError("--groups and --verdicts are two questions; ask one at a time.")
    where = common.the_store(store).open()
    house = common.the_house(where)
    sheets = where.current()

    if of_groups:
        from fleet.faults.group_drift import groups

        show_groups(groups(house, sheets), out)
        return

    from fleet.faults.suspects import suspects as find

    chosen = common.policies_from(policy, policy_name, keep_in=where)["default"]
    units = sheets[sheets["purpose"] == "unit"]
    found = find(house, units, fdr=fdr, prior=prior_for(where, prior), policy=chosen)
    if verdicts:
        show_record(found, where, out)
    elif common.write_out(found.table, out) and out is None:
        show_suspects(found, most=most)


def show_suspects(found: Suspects, *, most: int, one_a_cause: bool = False) -> None:
    """Print the list for a reader: the sentence, the foremost suspects, why.

    Parameters
    ----------
    found : what was judged.
    most : units shown at most.
    one_a_cause : whether only the foremost of each probable cause is shown.
    """
    say(found.sentence)
    units = found.table[found.table["flagged"]].drop_duplicates("unit")
    if units.empty:
        return
    causes = units["leading_fault"].value_counts()
    said = ", ".join(f"{str(fault).replace('_', ' ')} {count}" for fault, count in causes.items())
    say(f"Probably: {said}.")
    flagged = (units.drop_duplicates("leading_fault") if one_a_cause else units).head(most)
    faults = [str(fault) for fault in flagged["leading_fault"]]
    chance = [row.get(f"p_{fault}") for row, fault in zip(flagged.to_dict("records"), faults, strict=True)]
    columns: dict[str, list[Any]] = {
        "sheet": list(flagged["sheet_no"]),
        "measured": list(flagged["measured_on"]),
        "q": ["<0.0001" if q < 1e-4 else f"{q:.4f}" for q in flagged["q_value"]],
        "probably": [fault.replace("_", " ") for fault in faults],
        "chance": [percent(float("nan") if c is None else min(float(c), NEVER_SURE)) for c in chance],
    }
    say(table(columns))
    say()
    for sheet, why in zip(flagged["sheet_no"], flagged["why"], strict=True):
        say(f"  {sheet}: {why}")
    if len(units) > len(flagged):
        say(f"  ... and {len(units) - len(flagged)} more; --most shows them, --out FILE writes them all.")
    say(NO_REPAIR)


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

"""Say of one unit whether it is normal for its kind: `fleet judge`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.bench.align import ArmLengthOption
from fleet.cli.column_options import KindOption, split_kind, typed_row, with_columns
from fleet.cli.common import PriorOption, say
from fleet.cli.enquiries import note_new_codes, with_visits
from fleet.columns import COLUMNS
from fleet.errors import FleetError
from fleet.policy.own_target import check_reason

if TYPE_CHECKING:
    from fleet.intake import SheetTable
    from fleet.rows import Columns

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


@with_columns(_READINGS)
def judge(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="One sheet: CSV, XLSX or Parquet; - is CSV on standard input."),
    ] = None,
    kind: KindOption = None,
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
    arm_length_mm: ArmLengthOption = None,
    prior: PriorOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
    **readings: str | None,
) -> None:
    """Say of one unit's readings, as they come, whether they are normal for its kind.

    Name a file with one sheet, or type the readings: --family, --sra-static-deg and so on; whatever hasn't
    been read yet may be left out; a --serial that the store knows tells its facts, and what changed since
    its last visit. Nothing is stored without --save.
    """
    if not save and (sheet_no or measured_on):
        raise FleetError("--sheet-no and --measured-on go with --save.")
    chosen = common.policies_from(policy, policy_name)["default"]
    sheet, table = _one_sheet(file, kind, readings)
    where = common.the_store(store)
    with where.held():
        house = common.the_house_or_cold(store)
        if file is None:
            note_new_codes(sheet, house)
        sheet, visits = with_visits(sheet, store, readings=False, typed=readings["serial"] is not None)
        shares = common.prior_for(where, prior)

    from fleet.faults.one_unit import judge as judge_one

    verdict = judge_one(house, sheet, chosen, prior=shares, arm_length_mm=arm_length_mm, visits=visits)
    saved = ""
    if save:
        from fleet.intake import save_typed

        saved = save_typed(where, table(), sheet_no, measured_on, saving="--save", number="--sheet-no")
    if out is not None:
        since = {} if verdict.change is None else verdict.change.record()
        common.write_out(verdict.to_frame().assign(**verdict.alignment.record(), **since), out)
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
) -> tuple[Columns, Callable[[], SheetTable]]:
    """The one sheet, checked, and what gives the same as text."""
    told = {name: text for name, text in readings.items() if text is not None}
    if file is None:
        if kind is not None:
            told |= split_kind(kind, told)
        if not told:
            raise FleetError("name a file with one sheet, or type its readings: fleet judge --family F01 ...")
        from fleet.intake import text_table

        typed, _ = typed_row({**dict.fromkeys(_ANY_SHEET), **told}, _ANY_SHEET)
        check_reason({name: value for name, (value,) in typed.items()})
        return typed, partial(text_table, told, "typed-at-the-bench")
    if told or kind:
        raise FleetError("the file says the readings itself; leave the typed ones out, or the file.")
    from fleet.intake import load_key
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table

    read = read_table(file, _ANY_SHEET)
    checked = check_table(read, _ANY_SHEET, key=load_key(make=False) if "serial" in read.columns else None)
    if checked.faults:
        raise FleetError("; ".join(str(fault) for fault in checked.faults))
    if len(checked.good) != 1:
        raise FleetError(
            f"{read.file} holds {len(checked.good)} sheets, but one at a time is judged; "
            "for many: fleet intake, then fleet suspects."
        )
    return checked.good, lambda: read

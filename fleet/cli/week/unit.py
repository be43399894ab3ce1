"""Tell the life of one unit: `fleet unit`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import PriorOption, say
from fleet.cli.enquiries import NO_KEY, known_key
from fleet.errors import FleetError, NoSuchUnitError

if TYPE_CHECKING:
    from fleet.store import Store, UnitRecord


def unit(
    sheet_no: Annotated[
        str | None, typer.Argument(metavar="[SHEET]", help="The number of any sheet of it.")
    ] = None,
    serial: Annotated[
        str | None,
        typer.Option(
            "--serial",
            metavar="TEXT",
            help="Its serial number instead; - reads it from standard input.",
            show_default=False,
        ),
    ] = None,
    bench: common.SheetBenchOption = None,
    prior: PriorOption = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Tell a unit's life: every visit, what changed between them, what corrections gave, verdicts, quotes.

    A change is told against reading noise and hours of play, with its chance; a retip starts anew. --out
    writes a row a visit.
    """
    where = common.the_store(store).open()
    with where.held():
        record = find_unit(where, sheet_no, serial, bench)
        chosen = common.policies_from(policy, policy_name)["default"]
        house = common.the_house_or_cold(store)
        shares = common.prior_for(where, prior)

    from fleet.faults.unit_life import unit_life

    life = unit_life(
        record.visits,
        chosen,
        house if house.units > 0.0 else None,
        verdicts=record.verdicts,
        quotes=record.quotes,
        prior=shares,
    )
    if not common.write_out(life.to_frame(), out) or out is not None:
        return
    say(life.sentence)
    for line in life.lines:
        say(f"  {line}")


def find_unit(store: Store, sheet_no: str | None, serial: str | None, bench: str | None) -> UnitRecord:
    """All that is kept of the unit that a sheet number or a serial names.

    Raises
    ------
    FleetError
        If it isn't named by just one of them, can't be known here, or isn't there.
    """
    if (sheet_no is None) == (serial is None):
        raise FleetError("say which unit: the number of one of its sheets, or --serial TEXT.")
    from fleet.intake import load_key
    from fleet.store import unit_of, unit_record

    if sheet_no is not None:
        return unit_record(store, unit=unit_of(store, sheet_no, bench=bench))
    text = sys.stdin.readline().strip() if serial == "-" else str(serial)
    key = load_key(make=False)
    if key is None or not known_key(store):
        raise FleetError(f"{NO_KEY}.")
    try:
        return unit_record(store, token=key.token(text))
    except NoSuchUnitError:
        raise NoSuchUnitError(
            "no sheet of this serial is in the store; `fleet suspects --out FILE` lists what there is."
        ) from None

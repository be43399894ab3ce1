"""Record what a unit turned out to be: `fleet verdict`."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.errors import FleetError


def verdict(
    unit: Annotated[str, typer.Argument(metavar="SHEET", help="Number of one of its sheets, or its token.")],
    outcome: Annotated[
        str, typer.Argument(help="confirmed, healthy or other_fault; undo takes the last back.")
    ],
    fault: Annotated[
        str | None, typer.Argument(metavar="[FAULT]", help="With confirmed: the fault that was found.")
    ] = None,
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="YYYY-MM-DD", help="Day; today if left out.", show_default=False),
    ] = None,
    bench: common.SheetBenchOption = None,
    store: common.StoreOption = None,
) -> None:
    """Record what a unit turned out to be: confirmed and the fault, healthy, or other_fault.

    A later verdict on the unit replaces it; undo takes it back. fleet suspects --verdicts shows how often the
    flags were right.
    """
    from fleet.faults.verdicts import check_verdict
    from fleet.store import record_verdict, unit_of, withdraw_verdict

    if outcome == "undo" and fault is None:
        where = common.the_store(store).open()
        found = unit_of(where, unit, bench=bench)
        say(f"Taken back of unit {found}: {_in_words(*withdraw_verdict(where, found)[:2])}.")
        return
    outcome, fault = check_verdict(outcome, fault)
    day = common.day_of(on)
    if day > dt.date.today():
        raise FleetError("--on: the day lies in the future.")
    where = common.the_store(store).open()
    found = unit_of(where, unit, bench=bench)
    record_verdict(where, found, outcome, fault=fault, recorded_on=day)
    say(f"Recorded of unit {found}: {_in_words(outcome, fault)}. fleet forget erases it along with the unit.")


def _in_words(outcome: str, fault: str | None) -> str:
    return " ".join(word.replace("_", " ") for word in (outcome, fault) if word)

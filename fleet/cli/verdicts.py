"""Commands around suspects: verdicts, the record of the flags, drifting groups, judged readings kept."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import percent, span, table
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.faults.group_drift import Groups
    from fleet.faults.likelihood_ratio import FaultPrior
    from fleet.faults.suspects import Suspects
    from fleet.store import Store

PriorOption = Annotated[
    Path | None,
    typer.Option(
        "--prior",
        metavar="FILE",
        help="TOML file of the workshop's own shares of faults (fleet explain verdicts).",
        show_default=False,
    ),
]
_CLOSEST_SHOWN: Final = 5


def add_to(app: typer.Typer) -> None:
    """Hang the command onto the application."""
    app.command(rich_help_panel=common.BENCH_PANEL)(verdict)


def verdict(
    unit: Annotated[str, typer.Argument(metavar="SHEET", help="Number of one of its sheets, or its token.")],
    outcome: Annotated[str, typer.Argument(help="confirmed, healthy or other_fault.")],
    fault: Annotated[
        str | None, typer.Argument(metavar="[FAULT]", help="With confirmed: the fault that was found.")
    ] = None,
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="YYYY-MM-DD", help="Day; today if left out.", show_default=False),
    ] = None,
    bench: Annotated[
        str | None, typer.Option("--bench", help="The sheet's bench, where several use the number.")
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Record what a unit turned out to be: confirmed and the fault, healthy, or other_fault.

    A later verdict on the unit replaces it. fleet suspects --verdicts shows how often the flags were right.
    """
    from fleet.faults.verdicts import check_verdict
    from fleet.store import record_verdict, unit_of

    outcome, fault = check_verdict(outcome, fault)
    day = _day(on)
    where = common.the_store(store).open()
    found = unit_of(where, unit, bench=bench)
    record_verdict(where, found, outcome, fault=fault, recorded_on=day)
    what = " ".join(word.replace("_", " ") for word in (outcome, fault) if word)
    say(f"Recorded of unit {found}: {what}. fleet forget erases it along with the unit.")


def _day(text: str | None) -> dt.date:
    today = dt.date.today()
    try:
        day = today if text is None else dt.date.fromisoformat(text)
    except ValueError as error:
        raise FleetError("--on: a day is written YYYY-MM-DD, such as 2024-05-31.") from error
    if day > today:
        raise FleetError("--on: the day lies in the future.")
    return day


def prior_for(store: Store, file: Path | None) -> FaultPrior:
    """Shares of faults to judge by: the file's or the documented ones, moved by the store's verdicts."""
    from fleet.faults.likelihood_ratio import FaultPrior
    from fleet.faults.verdicts import load_prior, prior_from_verdicts
    from fleet.store import list_verdicts

    base = FaultPrior() if file is None else load_prior(file)
    return prior_from_verdicts(base, list_verdicts(store)) if store.path.exists() else base


def show_record(found: Suspects, store: Store, out: str | None) -> None:
    """Print or write how often the flags were right."""
    from fleet.faults.verdicts import flag_record
    from fleet.store import list_verdicts

    record = flag_record(found.table, list_verdicts(store))
    if not common.write_out(record.table, out) or out is not None:
        return
    say(record.sentence)
    shown = record.table
    rates = shown[["faulty_low", "faulty_high", "right_low", "right_high"]].to_numpy(dtype=float)
    say(
        table(
            {
                "flagged as": [str(fault).replace("_", " ") for fault in shown["leading_fault"]],
                "flagged": list(shown["flagged"]),
                "verdicts": list(shown["with_verdict"]),
                "faulty": list(shown["faulty"]),
                "faulty, 95 %": [percent_span(*row[:2]) for row in rates],
                "as named": list(shown["right_fault"]),
                "as named, 95 %": [percent_span(*row[2:]) for row in rates],
            }
        )
    )
    say("Record a verdict: fleet verdict SHEET confirmed FAULT, or healthy, or other_fault.")


def percent_span(low: float, high: float) -> str:
    """An interval of shares as whole per cent."""
    return f"{span(100.0 * low, 100.0 * high, 0)} %" if low == low else "-"


def show_groups(found: Groups, out: str | None) -> None:
    """Print or write which sources and families drift or spread."""
    if not common.write_out(found.table, out) or out is not None:
        return
    say(found.sentence)
    alarms = found.table[found.table["alarm"]]
    for why in alarms["why"]:
        say(f"  {why}")
    rest = found.table[~found.table["alarm"]].head(_CLOSEST_SHOWN)
    if rest.empty:
        return
    say("Nearest to an alarm, which chance explains:" if alarms.empty else "Next, which chance explains:")
    say(
        table(
            {
                "group": [f"{kind} {name}" for kind, name in zip(rest["kind"], rest["group"], strict=True)],
                "reading": [str(link).replace("_", " ") for link in rest["link"]],
                "check": [str(check).replace("_", " ") for check in rest["check"]],
                "units": list(rest["units"]),
                "chance, all checks": [percent(float(p)) for p in rest["p_adjusted"]],
            }
        )
    )

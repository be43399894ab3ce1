"""Watch the bench by its check pickups: `fleet watch`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.cli.trust.bench_sheets import BenchOption, only_bench, sheets_of
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.bench_trust.watch import Watch


def watch(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A file of check pickups' sheets; the store's if left out."),
    ] = None,
    baseline: Annotated[
        str | None,
        typer.Option(
            "--baseline",
            metavar="FROM..TO",
            help="Days that the limits come from, YYYY-MM-DD..YYYY-MM-DD, either end may be left out; "
            "the first half of the checks if not given, at most 104.",
            show_default=False,
        ),
    ] = None,
    false_alarm_every: Annotated[
        float,
        typer.Option(
            "--false-alarm-every",
            min=20,
            max=100000,
            metavar="CHECKS",
            help="Checks to one false alarm of the whole watch, all readings and charts together.",
        ),
    ] = 260,
    bench: BenchOption = None,
    series: Annotated[
        str | None, common.table_file("--series", "Write every charted check to a file.")
    ] = None,
    offsets: Annotated[
        str | None,
        common.table_file(
            "--offsets",
            "Write what each sheet's readings may be off by since the bench moved; changes no sheet.",
        ),
    ] = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Watch the bench by its check pickups: has a reading moved, when, how, and what about past sheets?

    Check pickups are sheets with purpose=reference; at least 20 make a baseline. Shown are charts' states in
    words; --out writes limits, rates and the change of every reading.
    """
    from fleet.bench_trust.past_sheets import touched_sheets
    from fleet.bench_trust.watch import check_pickups
    from fleet.bench_trust.watch import watch as judge

    chosen = common.policies_from(policy, policy_name)["default"]
    span = _days(baseline)
    sheets = sheets_of(file, store)
    sheets = only_bench(sheets, bench)
    found = judge(
        check_pickups(sheets),
        baseline=span,
        overall_checks=false_alarm_every,
    )
    touched = touched_sheets(found, sheets, chosen)
    free = common.write_out(found.table, out)
    free = common.write_out(found.series, series) and free
    free = common.write_out(touched.table, offsets) and free
    if free and out is None:
        show_watch(found, touched.sentence)
    if offsets is not None:
        from fleet.bench_trust.past_sheets import NEVER_SILENT

        common.warn(NEVER_SILENT)


def show_watch(found: Watch, touched: str) -> None:
    """Print the bench watch for a reader: the answer, the sheets, a line a reading, what to mind."""
    say(found.sentence)
    if found.alarms:
        say(touched)
    for line in found.lines:
        say(f"  {line}")
    rows = found.table
    columns = {
        "bench": list(rows["bench"]),
        "reading": [name.removesuffix("_deg").removesuffix("_db") for name in rows["reading"]],
        "sd of a check": list(rows["sd"]),
        "checks since": list(rows["checks_since"]),
        "signals": list(rows["signals"]),
        "newest signal": list(rows["last_signal"]),
        "p of the change": list(rows["change_p_value"]),
    }
    say(table(columns, digits={"sd of a check": 3, "p of the change": 4}))
    for caution in found.cautions:
        say(caution)
    if found.alarms:
        say("fleet watch --offsets FILE writes what each sheet may be off by; no sheet is ever changed.")


def _days(text: str | None) -> tuple[dt.date | None, dt.date | None]:
    if text is None:
        return None, None
    parts = text.split("..")
    if len(parts) != 2:
        raise FleetError(
            f"--baseline {text} can't be read; write it as FROM..TO, say 2023-01-01..2023-12-31."
        )
    ends = []
    for part in parts:
        try:
            ends.append(dt.date.fromisoformat(part.strip()) if part.strip() else None)
        except ValueError:
            raise FleetError(f"--baseline {text}: {part.strip()} is no day written YYYY-MM-DD.") from None
    first, last = ends
    if first is not None and last is not None and last < first:
        raise FleetError(f"--baseline {text} ends before it begins.")
    return first, last

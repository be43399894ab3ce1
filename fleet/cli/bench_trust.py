"""Commands that ask whether the bench can be trusted: watch of its check pickups, reading noise."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.review import Period
from fleet.cli.tables import table
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

    from fleet.bench_trust.noise import Noise
    from fleet.bench_trust.watch import Watch

TRUST_PANEL: Final = "The bench itself"
LOOKED_AT: Final = (
    "sheet_no", "measured_on", "bench", "unit", "serial_token", "purpose", "operator", "body_family",
    "assembly_source", "temperature_c", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg",
    "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db",
)  # fmt: skip
"""Columns that watch and noise look at."""
BenchOption = Annotated[
    str | None, typer.Option("--bench", metavar="CODE", help="Only this bench.", show_default=False)
]


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    for command in (watch, noise):
        app.command(rich_help_panel=TRUST_PANEL)(command)


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
        str | None,
        typer.Option(
            "--series", metavar="FILE", help="Write every charted check to a file.", show_default=False
        ),
    ] = None,
    offsets: Annotated[
        str | None,
        typer.Option(
            "--offsets",
            metavar="FILE",
            help="Write what each sheet's readings may be off by since the bench moved; changes no sheet.",
            show_default=False,
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
    from fleet.output import check_out

    for option, target in (("--out", out), ("--series", series), ("--offsets", offsets)):
        check_out(target, option=option)
    chosen = common.policies_from(policy, policy_name)["default"]
    span = _days(baseline)
    sheets = _sheets(file, store)
    sheets = _of_bench(sheets, bench)
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


def noise(
    bench: BenchOption = None,
    with_operators: Annotated[
        bool,
        typer.Option("--with-operators", help="Let the written file name operators; it stays at the bench."),
    ] = False,
    per: Annotated[
        Period | None, typer.Option("--per", help="The same by time: does it grow?", show_default=False)
    ] = None,
    out: common.OutOption = None,
    store: common.StoreOption = None,
) -> None:
    """Say how much one reading scatters, by quantity, bench and operator, from repeats in daily work.

    What counts: units and check pickups read again within 92 days on the same bench.
    """
    from fleet.bench_trust.noise import noise_over_time, repeat_noise
    from fleet.output import check_out

    check_out(out)
    sheets = _of_bench(_sheets(None, store), bench)
    if per is not None:
        by_time = noise_over_time(sheets, per.value)
        if common.write_out(by_time, out) and out is None:
            show_noise_over_time(by_time, per.value)
        return
    found = repeat_noise(sheets)
    rows = found.table
    if not with_operators:
        rows = rows[rows["operator"] == ""].drop(columns="operator")
    if common.write_out(rows, out) and out is None:
        show_noise(found)


def show_noise(found: Noise) -> None:
    """Print the reading noise for a reader."""
    say(found.sentence)
    if found.table.empty:
        return
    rows = found.table
    columns = {
        "reading": [name.removesuffix("_deg").removesuffix("_db") for name in rows["reading"]],
        "bench": [name or "all" for name in rows["bench"]],
        "operator": [name or "all" for name in rows["operator"]],
        "readings": list(rows["readings"]),
        "sd": list(rows["sd"]),
        "from": list(rows["sd_low"]),
        "to": list(rows["sd_high"]),
        "slips": list(rows["slips"]),
    }
    say(table(columns, digits=3))
    if len(found.operators):
        say("Operators against their mean, on units that several read:")
        own = found.operators
        shown = {
            "reading": [name.removesuffix("_deg").removesuffix("_db") for name in own["reading"]],
            "bench": list(own["bench"]),
            "operator": list(own["operator"]),
            "offset": [f"{value:+.3f}" for value in own["offset"]],
            "from": [f"{value:+.3f}" for value in own["offset_low"]],
            "to": [f"{value:+.3f}" for value in own["offset_high"]],
            "off": ["yes" if off else "" for off in own["off"]],
        }
        say(table(shown, digits=3))
    say("Operators' codes stay at the bench: --out leaves them out unless --with-operators is given.")


def show_noise_over_time(found: pd.DataFrame, per: str) -> None:
    """Print the reading noise of each period for a reader."""
    rows = found[found["bench"] == ""]
    if rows.empty:
        say(f"No unit was read twice within a {per}, so nothing is known of the noise by {per}.")
        return
    columns = {
        "reading": [name.removesuffix("_deg").removesuffix("_db") for name in rows["reading"]],
        per: list(rows["period"]),
        "readings": list(rows["readings"]),
        "sd": list(rows["sd"]),
        "from": list(rows["sd_low"]),
        "to": list(rows["sd_high"]),
        "slips": list(rows["slips"]),
    }
    say(f"Standard deviation of one reading (95 %), all benches and operators, by {per}:")
    say(table(columns, digits=3))


def _sheets(file: Path | None, store: Path | None) -> pd.DataFrame:
    """Sheets of the store, or of a file through the same checks; its serials get tokens that aren't kept."""
    if file is None:
        return common.the_store(store).open().current(LOOKED_AT)
    import secrets

    from fleet.intake import TokenKey, read_sheets
    from fleet.intake.checks import check_sheets

    checked = check_sheets(read_sheets(file), key=TokenKey(secrets.token_bytes(32)))
    if checked.faults:
        common.show_faults(checked.faults)
        common.warn(f"{checked.put_aside} rows of {checked.file} were left out.")
    frame = checked.good.assign(unit=checked.good["serial_token"]).reset_index(drop=True)
    return frame[list(LOOKED_AT)]


def _of_bench(sheets: pd.DataFrame, bench: str | None) -> pd.DataFrame:
    if bench is None:
        return sheets
    own = sheets[sheets["bench"] == bench]
    if own.empty:
        known = ", ".join(sorted(sheets["bench"].dropna().unique())) or "none"
        raise FleetError(f"--bench {bench}: no such bench among the sheets; there are {known}.")
    return own


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

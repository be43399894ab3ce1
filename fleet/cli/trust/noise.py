"""Say how much one reading scatters: `fleet noise`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import Period, say
from fleet.cli.tables import table
from fleet.cli.trust.bench_sheets import BenchOption, only_bench, sheets_of

if TYPE_CHECKING:
    import pandas as pd

    from fleet.bench_trust.noise import Noise


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

    sheets = only_bench(sheets_of(None, store), bench)
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

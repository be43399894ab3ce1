"""Say how sure a reading is: `fleet budget`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.cli.trust.bench_sheets import LOOKED_AT
from fleet.errors import FleetError, TooFewError
from fleet.numerals import percent, percents

if TYPE_CHECKING:
    import pandas as pd

    from fleet.bench_trust.noise import Noise
    from fleet.bench_trust.pickup_budget import Typical
    from fleet.statistics.uncertainty_budget import Budget


def budget(
    quantity: Annotated[
        str | None,
        typer.Argument(metavar="[QUANTITY]", help="Which; all in one table if left out.", show_default=False),
    ] = None,
    readings: Annotated[
        int, typer.Option("--readings", min=1, max=100, help="Readings by one operator that are averaged.")
    ] = 1,
    assume: Annotated[
        list[str] | None,
        typer.Option(
            "--assume",
            metavar="NAME=HALF-WIDTH",
            help="Replace a documented figure by your own, e.g. rake_zero_deg=0.05; may be given again.",
            show_default=False,
        ),
    ] = None,
    out: common.OutOption = None,
    store: common.StoreOption = None,
) -> None:
    """Say how sure a reading, or what is worked out from it, is: an uncertainty budget in GUM terms.

    Noise comes from repeats in the store, else from common practice; what no repeat shows is assumed and
    listed as such (fleet explain gauge).
    """
    from fleet.bench_trust.pickup_budget import Assumed, all_budgets, pickup_budget

    assumed = Assumed().but(_figures(assume or []))
    found, typical = _noise_and_typical(store)
    if quantity is None:
        rows = all_budgets(found, assumed=assumed, typical=typical, readings=readings)
        if common.write_out(rows, out) and out is None:
            show_budgets(rows)
        return
    made = pickup_budget(quantity, found, assumed=assumed, typical=typical, readings=readings)
    if common.write_out(made.lines, out) and out is None:
        show_budget(made)


def _figures(texts: list[str]) -> dict[str, float]:
    out = {}
    for text in texts:
        name, _, value = text.partition("=")
        try:
            out[name.strip()] = float(value)
        except ValueError:
            raise FleetError(
                f"--assume {text} can't be read; write it as NAME=FIGURE, say rake_zero_deg=0.05."
            ) from None
    return out


def _noise_and_typical(given: Path | None) -> tuple[Noise | None, Typical | None]:
    """Reading noise and a typical unit of the store; None of both before there is one."""
    from fleet.bench_trust.noise import repeat_noise
    from fleet.bench_trust.pickup_budget import typical_unit
    from fleet.bench_trust.watch import check_pickups, watch

    where = common.the_store(given)
    if given is None and common.root_store.get() is None and not where.path.exists():
        common.warn("Note: there is no store yet, so the noise is common practice (no source).")
        return None, None
    sheets = where.open().current((*LOOKED_AT, "vtf_mn"))
    try:
        watched = watch(check_pickups(sheets))
    except TooFewError:  # too few check pickups: nothing is known of warmth then
        watched = None
    return repeat_noise(sheets), typical_unit(sheets, watched)


def show_budgets(rows: pd.DataFrame) -> None:
    """Print every quantity's uncertainty in one table."""
    say("How sure one figure of this bench is (95 %), for its middle unit:")
    columns = {
        "quantity": list(rows["quantity"]),
        "": list(rows["name"]),
        "unit": list(rows["unit"]),
        "±": list(rows["expanded"]),
        "u": list(rows["u"]),
        "k": list(rows["k"]),
        "dof": [_dof(float(v)) for v in rows["dof"]],
        "the most from": [
            f"{most} ({percent(float(share))})"
            for most, share in zip(rows["most"], rows["share"], strict=True)
        ],
    }
    say(table(columns, digits={"±": 2, "u": 3, "k": 2}))
    say("fleet budget QUANTITY shows the lines of one. What is assumed there, --assume replaces.")


def show_budget(made: Budget) -> None:
    """Print one budget line by line."""
    say(made.sentence)
    rows = made.lines
    columns = {
        "input": list(rows["input"]),
        "value": list(rows["value"]),
        "u": list(rows["u"]),
        "unit": list(rows["unit"]),
        "type": list(rows["evaluation"]),
        "dof": [_dof(float(v)) for v in rows["dof"]],
        "sensitivity": list(rows["sensitivity"]),
        "contribution": list(rows["contribution"]),
        "share": percents(rows["share"]),
    }
    say(table(columns, digits={"value": 2, "u": 3, "sensitivity": 3, "contribution": 4}))
    for row in rows.to_dict("records"):
        say(f"  {row['input']}: {row['note']}.")
    say(
        "Type A: from repeats. Type B: from anything else, here assumed. The bench decides what holds for it."
    )


def _dof(value: float) -> str:
    return "no end" if value == float("inf") else f"{int(value)}"

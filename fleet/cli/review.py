"""Commands over the year: attainment."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import percent, table

if TYPE_CHECKING:
    import pandas as pd

_STATES: Final = ("level", "reachable", "built")
_LEGEND: Final = (
    "How often both targets were met (95 % interval): on a level headshell, reachable by some tilt, "
    "as built. Where no tilt can: the built-in angle rules it out, or the tilt room does."
)


class Period(StrEnum):
    """How attainment may be cut by time."""

    YEAR = "year"
    QUARTER = "quarter"
    MONTH = "month"


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.REVIEW_PANEL)(attainment)


def attainment(
    by: Annotated[
        str,
        typer.Option(
            "--by", metavar="COLUMN[,COLUMN]", help="Grouping columns, or kind; 'all' for the whole fleet."
        ),
    ] = "kind",
    per: Annotated[
        Period | None, typer.Option("--per", help="Cut each group by time.", show_default=False)
    ] = None,
    publish: Annotated[
        bool, typer.Option("--publish", help="For others' eyes: groups under --min-units become (few).")
    ] = False,
    min_units: Annotated[int, typer.Option("--min-units", min=2, help="Smallest group to publish.")] = 5,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Review how often the targets were met: level, reachable by a tilt, as built.

    A unit counts once, by its newest sheet. Needs no house model.
    """
    from fleet.judgements.attainment import attainment as review
    from fleet.output import check_out

    check_out(out)
    chosen = common.policies_from(policy, policy_name)["default"]
    groups = [] if by.strip() == "all" else [name.strip() for name in by.split(",") if name.strip()]
    sheets = common.the_store(store).open().current()
    found = review(sheets, groups, chosen, per.value if per else None, publish, min_units)
    if common.write_out(found, out) and out is None:
        show_attainment(found)


def show_attainment(found: pd.DataFrame) -> None:
    """Print the review for a reader: both targets by group, with intervals, and why not."""
    labels = list(found.columns[: list(found.columns).index("units")])
    total = int(found["units"].sum())
    say(f"{total} units, each by its newest sheet; policy {found['policy'].iloc[0] if len(found) else '-'}.")
    if found.empty:
        return
    columns: dict[str, list[Any]] = {name.replace("_", " "): list(found[name]) for name in labels}
    columns["units"] = list(found["units"])
    for state in _STATES:
        columns[state] = _rates(found, f"both_{state}")
    columns["built-in"] = _rates(found, "conflict_built_in", interval=False)
    columns["room"] = _rates(found, "conflict_reach", interval=False)
    say(_LEGEND)
    say(table(columns, digits=0))


def _rates(found: pd.DataFrame, measure: str, *, interval: bool = True) -> list[str]:
    cells = []
    for row in found[[f"{measure}_rate", f"{measure}_low", f"{measure}_high"]].itertuples(index=False):
        rate, low, high = (float("nan") if value != value else float(value) for value in row)
        limits = f" ({100 * low:.0f}-{100 * high:.0f})" if interval and rate == rate else ""
        cells.append(f"{percent(rate)}{limits}")
    return cells

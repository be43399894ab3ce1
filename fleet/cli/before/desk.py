"""Rank the enquiries on the desk and add them up: `fleet desk`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.enquiries import correction, enquiries_from, with_visits
from fleet.cli.tables import table
from fleet.numerals import number, span
from fleet.words import BENCH_DECIDES

if TYPE_CHECKING:
    import pandas as pd

    from fleet.house_model.house import House
    from fleet.policy.policy import Policy
    from fleet.quotes.desk import Desk

MOST_ASKED: Final = 60
"""Questions are weighed for so many enquiries; of more it takes too long to wait for."""
ASKED_DRAWS: Final = 512


def desk(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Enquiries: CSV, XLSX or Parquet; - is standard input.")
    ],
    hours_per_week: Annotated[
        float | None,
        typer.Option(
            "--hours-per-week",
            metavar="h",
            help="The bench's pace; that of the store's last 13 weeks if left out.",
            show_default=False,
        ),
    ] = None,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Rank a file of enquiries by what must be decided, and say what they come to in hours and money.

    Ask this first, promise nothing, suspect kind, made wedge likely, or quote it; then all of them over the
    weeks at the bench's pace. Nothing is kept: fleet quote does that.
    """
    policies = common.policies_from(policy, policy_name)
    enquiries, faults = enquiries_from(file, None, {})
    where = common.the_store(store)

    from fleet.quotes.desk import desk as rank
    from fleet.quotes.desk import pace_of
    from fleet.quotes.quote import quote
    from fleet.rows import frame_of
    from fleet.store import pick_sheets

    pace = math.nan if hours_per_week is None else hours_per_week
    with where.held():
        house = common.the_house_or_cold(store)
        enquiries, _ = with_visits(enquiries, store, readings=True, typed=False)
        if hours_per_week is None and where.path.exists():
            pace = pace_of(pick_sheets(where, ("measured_on", "bench_minutes"), where={"purpose": ["unit"]}))
        use = correction(where)
    quotes = quote(enquiries, house, policies, recalibration=use)
    asked = _asked(frame_of(enquiries), house, policies)
    found = rank(quotes, units=house.units, asked=asked, hours_per_week=pace)
    if common.write_out(found.to_frame(), out) and out is None:
        _show(found)
    if faults:
        common.warn("Some enquiries were put aside:")
        common.show_faults(faults)
        raise typer.Exit(1)


def _asked(
    enquiries: pd.DataFrame, house: House, policies: dict[str, Policy]
) -> dict[str, tuple[str, float]]:
    """By enquiry the fact to ask for first and what it takes off the ranges."""
    if len(enquiries) > MOST_ASKED:
        common.warn(
            f"Note: of more than {MOST_ASKED} enquiries no question is weighed; fleet quote --what-next."
        )
        return {}
    from fleet.policy.files import pick_policy
    from fleet.quotes.value_of_information import READ_BEFORE, information, with_article

    found = {}
    for place in range(len(enquiries)):
        one = enquiries.iloc[[place]]
        named = one["policy"].iloc[0] if "policy" in one else None
        chosen = pick_policy(policies, named if isinstance(named, str) else None)
        facts = information(one, house, chosen, n_draws=ASKED_DRAWS).table
        facts = facts[~facts["fact"].isin(READ_BEFORE)]
        if len(facts):
            first = facts.iloc[0]
            found[str(one["enquiry_id"].iloc[0])] = (with_article(first["words"]), float(first["worth"]))
    return found


def _show(found: Desk) -> None:
    say(found.sentence)
    rows = found.table.to_dict("records")
    columns: dict[str, list[object]] = {
        "enquiry": [row["enquiry_id"] for row in rows],
        "decision": [row["decision"] for row in rows],
        "hours": [span(row["hours_q05"], row["hours_q95"], digits=1) for row in rows],
    }
    if not math.isnan(found.price[1]):
        columns["price"] = [span(row["price_q05"], row["price_q95"], digits=0) for row in rows]
    if not math.isnan(found.hours_per_week):
        columns["week"] = [number(row["week"], 0) for row in rows]
    columns["why"] = [row["why"] for row in rows]
    say(table(columns))
    say("Ranges hold nine of ten. " + BENCH_DECIDES)

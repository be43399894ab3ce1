"""Answer enquiries before bench time: `fleet quote`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.column_options import ENQUIRY_FACTS, KindOption, with_columns
from fleet.cli.common import say
from fleet.cli.enquiries import (
    AsModelledOption,
    EnquiriesArgument,
    NoKeepOption,
    correction,
    enquiries_from,
    keep,
    note_new_codes,
    with_visits,
)
from fleet.cli.tables import cell_text, table
from fleet.errors import FleetError
from fleet.numerals import number, percent, percents, span, unknown
from fleet.words import BENCH_DECIDES, forecast_digits, quantity

if TYPE_CHECKING:
    import pandas as pd

    from fleet.house_model.house import House
    from fleet.policy.policy import Policy
    from fleet.quotes.quote import Quotes
    from fleet.rows import Columns

MOST_IN_WORDS: Final = 3


@with_columns(ENQUIRY_FACTS)
def quote(
    file: EnquiriesArgument = None,
    kind: KindOption = None,
    out: common.OutOption = None,
    draws: Annotated[
        str | None,
        common.table_file("--draws", "Write the joint draws behind the quotes, by enquiry and draw."),
    ] = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    what_next: Annotated[
        bool, typer.Option("--what-next", help="Which fact that isn't told would narrow one quote most.")
    ] = False,
    as_modelled: AsModelledOption = False,
    no_keep: NoKeepOption = False,
    store: common.StoreOption = None,
    **facts: str | None,
) -> None:
    """Say what to expect of a pickup before it is on the bench: sag, angles, tilt, time, price.

    Name a file of enquiries, or say what is known of one pickup: --kind, --family, --vtf-mn and so on.
    Whatever isn't told widens the answer by itself; a --serial that the store knows tells what its earlier
    visits read. Quotes are kept in the store for the track record
    (fleet record), a serial only as its token.
    """
    where = common.the_store(store)
    policies = common.policies_from(policy, policy_name, keep_in=where)
    enquiries, faults = enquiries_from(file, kind, facts)
    with where.held():
        house = common.the_house_or_cold(store)
        if file is None:
            note_new_codes(enquiries, house)
        enquiries, _ = with_visits(enquiries, store, readings=True, typed=facts["serial"] is not None)
        use = None if as_modelled else correction(where)
    if what_next:
        _show_what_next(enquiries, house, policies["default"], out)
        return

    from fleet.quotes.quote import quote as quote_all

    quotes = quote_all(enquiries, house, policies, recalibration=use)
    if not no_keep:
        keep(where, quotes, enquiries, house)
    if out is not None:
        common.write_out(quotes.table, out)
    if draws is not None:
        common.write_out(quotes.draws(), draws)
    if out is None and draws is None:
        show_quotes(quotes, policies)
    if faults:
        rows = len({fault.line for fault in faults})
        common.warn(f"{rows} {'enquiry was' if rows == 1 else 'enquiries were'} put aside:")
        common.show_faults(faults)
        raise typer.Exit(1)


def _show_what_next(enquiries: Columns, house: House, policy: Policy, out: str | None) -> None:
    """Print or write what each fact that isn't told would take off the quote's ranges."""
    import pandas as pd

    from fleet.quotes.value_of_information import WIDTHS, information

    asked = pd.DataFrame(enquiries)
    if len(asked) != 1:
        raise FleetError(f"--what-next looks at one pickup, and here are {len(asked)}; name one at a time.")
    found = information(asked, house, policy)
    if not common.write_out(found.table, out) or out is not None:
        return
    say(found.sentence)
    if found.table.empty:
        return
    rows = found.table.to_dict("records")
    columns: dict[str, list[Any]] = {"fact": [row["words"] for row in rows]}
    for name in WIDTHS:
        columns[quantity(name).head] = [
            f"{cell_text(row[f'{name}_now'], 1)} -> {cell_text(row[f'{name}_then'], 1)}" for row in rows
        ]
    columns["narrower by"] = [percent(max(float(row["worth"]), 0.0)) for row in rows]
    say("Width of nine readings in ten, now -> expected once the fact is told:")
    say(table(columns))
    say(BENCH_DECIDES)


def show_quotes(quotes: Quotes, policies: dict[str, Policy], *, most: int | None = None) -> None:
    """Print quotes for a reader: sentences where there are few, one line each where there are many.

    Parameters
    ----------
    quotes : what was quoted.
    policies : under which policies, for the currency.
    most : lines at most, all if None.
    """
    from fleet.rows import records

    rows = records(quotes.columns)
    currencies = {policy.label: policy.currency for policy in policies.values()}
    if len(rows) <= MOST_IN_WORDS:
        for row, sentence in zip(rows, quotes.sentences, strict=True):
            say(sentence)
            say(_figures(row, currencies.get(str(row.get("policy")), "")))
            say()
    else:
        say(_lines(quotes.table if most is None else quotes.table.head(most)))
        for note in quotes.notes:
            say(f"{note}.")
        if most is not None and len(rows) > most:
            say(f"  ... and {len(rows) - most} more.")
    say(BENCH_DECIDES)


def _figures(row: dict[str, Any], currency: str) -> str:
    """Quantiles, chances, price and basis of one quote."""
    from fleet.quotes.outcomes import FORECAST

    told = [quantity(name) for name in FORECAST if not unknown(row[f"{name}_q50"])]
    columns: dict[str, list[str]] = {"": [own.title for own in told]}
    for heading, q in (("5 % below", "q05"), ("middle", "q50"), ("5 % above", "q95")):
        columns[heading] = [number(row[f"{own.name}_{q}"], forecast_digits(own.name)) for own in told]
    chances = (
        f"One tilt meets both: {percent(row['p_both_met'])}; "
        f"the built-in angle rules it out: {percent(row['p_conflict_built_in'])}; "
        "the tilt room or the lower limit does"
    )
    if unknown(row["p_rake_met"]):
        chances = (
            f"A tilt meets the tracking angle: {percent(row['p_tracking_met'])}; "
            "the tilt room or the lower limit rules it out"
        )
    lines = [
        table(columns),
        f"  {chances}: {percent(row['p_conflict_reach'])}.",
        f"  A wedge made to measure: {percent(row['p_made_wedge'])}. "
        f"Such units turn out faulty: {percent(row['p_faulty'])}.",
    ]
    if not unknown(row["price_quoted"]):
        low, high = cell_text(row["price_low"]), cell_text(row["price_high"])
        unit = f" {currency}" if currency else ""
        lines.append(f"  Price: {cell_text(row['price_quoted'])}{unit} ({low} to {high}).")
    lines.append(f"  Basis: {row['basis']}.")
    if "policy" in row:
        lines.append(f"  Policy: {row['policy']}.")
    return "\n".join(lines)


def _lines(quotes: pd.DataFrame) -> str:
    def interval(name: str) -> list[str]:
        ends = zip(quotes[f"{name}_q05"], quotes[f"{name}_q95"], strict=True)
        return [span(a, b, digits=forecast_digits(name)) for a, b in ends]

    columns: dict[str, list[object]] = {"enquiry": list(quotes["enquiry_id"])}
    for name in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg"):
        columns[quantity(name).head] = list(interval(name))
    columns |= {
        "both met": [*percents(quotes["p_both_met"])],
        quantity("tilt_deg").head: list(quotes["tilt_deg_q50"]),
        quantity("wedge_deg").head: list(quotes["wedge_deg"]),
        "made wedge": [*percents(quotes["p_made_wedge"])],
        quantity("bench_minutes").head: list(interval("bench_minutes")),
    }
    if quotes["price_quoted"].notna().any():
        columns["price"] = list(quotes["price_quoted"])
    heading = (
        "Ranges hold nine readings of ten; "
        "rake and tracking angle as read on a level headshell, record turning."
    )
    return f"{heading}\n{table(columns, digits={'tilt [°]': 1, 'wedge [°]': 1, 'price': 2})}"

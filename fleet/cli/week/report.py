"""Print papers: `fleet report quote`, `unit`, `owner`, `maker`, `year`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple

import typer

from fleet.cli import common, files_out
from fleet.cli.column_options import ENQUIRY_FACTS, KindOption, with_columns, with_shared
from fleet.cli.common import say
from fleet.cli.enquiries import (
    AsModelledOption,
    EnquiriesArgument,
    NoKeepOption,
    correction,
    enquiries_from,
    keep,
    with_visits,
)
from fleet.errors import FleetError, NoSuchUnitError
from fleet.extras import how_to_install

if TYPE_CHECKING:
    import pandas as pd

    from fleet.faults.one_unit import Verdict
    from fleet.house_model.house import House
    from fleet.policy.policy import Policy
    from fleet.quotes.value_of_information import Information
    from fleet.report.paper import Headed, Paper
    from fleet.store import Store
    from fleet.store.sharing import Published

KINDS: Final = (".html", ".pdf")
MOST_OF_KIND: Final = 4000
FEW_OF_KIND: Final = 12


class Size(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


class Wish(NamedTuple):
    """What every paper is asked for with."""

    out: Path | None
    size: Size
    tables: Path | None
    day: dt.date
    policies: dict[str, Policy]
    store: Path | None


def paper_wish(
    out: Annotated[
        Path | None,
        files_out.own_file(
            "--out",
            "Where the paper goes: .html (prints from any browser) or .pdf; named after the command, "
            ".html, if left out.",
            *KINDS,
        ),
    ] = None,
    paper: Annotated[Size, typer.Option("--paper", help="Size of a PDF's pages; HTML fits both.")] = Size.A4,
    tables: Annotated[
        Path | None,
        files_out.own_file("--tables", "Write the paper's tables to an .xlsx workbook too.", ".xlsx"),
    ] = None,
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="DATE", help="The paper's day; today if left out.", show_default=False),
    ] = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> Wish:
    """What every paper takes."""
    return Wish(out, paper, tables, common.day_of(on), common.policies_from(policy, policy_name), store)


@with_columns(ENQUIRY_FACTS)
@with_shared(paper_wish, "wish")
def quote(
    wish: Wish,
    file: EnquiriesArgument = None,
    enquiry: Annotated[
        str | None,
        typer.Option("--enquiry", metavar="ID", help="Only this enquiry of the file.", show_default=False),
    ] = None,
    kind: KindOption = None,
    as_modelled: AsModelledOption = False,
    no_keep: NoKeepOption = False,
    **facts: str | None,
) -> None:
    """Print a quote: what to expect of one pickup, what can be promised, what to mind.

    Name a file of enquiries (one paper each, a list in front), or say what is known as for fleet quote.
    Its figures are those of fleet quote, and it is kept for the track record just so.
    """
    from fleet.rows import frame_of

    enquiries, faults = enquiries_from(file, kind, facts)
    enquiries = _only(frame_of(enquiries), enquiry)
    where = common.the_store(wish.store)
    with where.held():
        house = common.the_house_or_cold(wish.store)
        enquiries, _ = with_visits(enquiries, wish.store, readings=True, typed=facts["serial"] is not None)
        use = None if as_modelled else correction(where)

    import pandas as pd

    from fleet.house_model.predict import Forecaster
    from fleet.policy.files import pick_policy
    from fleet.quotes.quote import quote as quote_all
    from fleet.quotes.value_of_information import information
    from fleet.report.quotes import quote_papers

    enquiries, forecaster = pd.DataFrame(enquiries), Forecaster(house)
    quotes = quote_all(enquiries, forecaster, wish.policies, recalibration=use)
    if not no_keep:
        keep(where, quotes, enquiries, house)
    asked: tuple[Information, ...] = ()
    if len(enquiries) == 1:
        named = enquiries["policy"].iloc[0] if "policy" in enquiries else None
        chosen = pick_policy(wish.policies, named if isinstance(named, str) else None)
        asked = (information(enquiries, house, chosen),)
    _write(
        quote_papers(enquiries, quotes, forecaster, wish.policies, on=wish.day, asked=asked), wish, "quote"
    )
    if faults:
        common.warn("Some enquiries were put aside:")
        common.show_faults(faults)
        raise typer.Exit(1)


@with_shared(paper_wish, "wish")
def unit(
    wish: Wish,
    sheet_no: Annotated[str, typer.Argument(metavar="SHEET", help="The sheet's number.")],
    bench: common.SheetBenchOption = None,
    statement: Annotated[
        bool,
        typer.Option(
            "--statement",
            help="For a maker or a dispute: repeats, method, uncertainty, what is normal; no one is named.",
        ),
    ] = False,
) -> None:
    """Print one unit's sheet: readings, how they stand against its kind, alignment, its life."""
    where = common.the_store(wish.store).open()
    if statement:
        _statement(wish, where, common.the_house_or_cold(wish.store), sheet_no, bench)
        return
    _, _, made = _judged(wish, where, sheet_no, bench)
    _write([made], wish, "unit")


def _judged(
    wish: Wish, where: Store, sheet_no: str, bench: str | None
) -> tuple[pd.DataFrame, Verdict, Paper]:
    """A unit's sheet, what it says beside the unit's other visits, and the paper of both."""
    chosen = wish.policies["default"]

    import pandas as pd

    from fleet.attainment.peers import peer_group
    from fleet.faults.one_unit import judge
    from fleet.faults.unit_life import unit_life
    from fleet.report.units import unit_paper
    from fleet.store import unit_of, unit_record

    with where.held():
        house = common.the_house(where)
        own, every, others = _unit(where, sheet_no, bench)
        kept = unit_record(where, unit=unit_of(where, sheet_no, bench=bench))
        shares = common.prior_for(where, None)
    taught = bool(own["newest"].iloc[0])
    verdict = judge(house, own, chosen, prior=shares, taught=taught, visits=kept.visits)
    life = unit_life(kept.visits, chosen, house, verdicts=kept.verdicts, quotes=kept.quotes, prior=shares)
    among = peer_group(pd.concat([others, own], ignore_index=True), sheet_no)
    made = unit_paper(own, verdict, among, house, chosen, on=wish.day, earlier=every, life=life)
    return own, verdict, made


def _statement(wish: Wish, where: Store, house: House, sheet_no: str, bench: str | None) -> None:
    """Print the statement on a unit."""
    from fleet.faults.statement import statement as state
    from fleet.faults.unit_life import unit_life
    from fleet.report.statements import statement_paper
    from fleet.store import unit_of, unit_record

    kept = unit_record(where, unit=unit_of(where, sheet_no, bench=bench))
    life = unit_life(kept.visits, wish.policies["default"], house if house.units > 0.0 else None)
    _write([statement_paper(state(life, house), life, house, on=wish.day)], wish, "statement")


@with_shared(paper_wish, "wish")
def owner(
    wish: Wish,
    sheet_no: Annotated[str, typer.Argument(metavar="SHEET", help="The sheet's number.")],
    bench: common.SheetBenchOption = None,
    workshop: Annotated[
        str, typer.Option("--workshop", metavar="NAME", help="As it shall stand on the card; kept nowhere.")
    ] = "",
    reference: Annotated[
        str,
        typer.Option(
            "--reference", metavar="TEXT", help="Your own reference; the sheet's number if left out."
        ),
    ] = "",
    valid_days: Annotated[
        int, typer.Option("--valid-days", min=1, max=3650, help="Days for which the price stands.")
    ] = 30,
    annex: Annotated[
        bool, typer.Option("--annex", help="Add the unit's sheet behind the card, for whoever wants figures.")
    ] = False,
) -> None:
    """Print an owner's card: what was found, how to set it, what to check, on one page in plain words."""
    chosen = wish.policies["default"]
    where = common.the_store(wish.store).open()
    own, verdict, sheet = _judged(wish, where, sheet_no, bench)

    from fleet.report.owners import owner_card

    card = owner_card(
        own, verdict, chosen, on=wish.day, workshop=workshop, reference=reference, valid_days=valid_days
    )
    papers = [card, sheet] if annex else [card]
    _write(papers, wish, "owner")


@with_shared(paper_wish, "wish")
def maker(
    wish: Wish,
    source: Annotated[str, typer.Argument(metavar="SOURCE", help="Code of the assembly source.")],
    min_units: common.MinUnitsOption = None,
) -> None:
    """Print a maker's summary of its own assemblies, for the maker's eyes: no unit, no other maker in it."""
    chosen = wish.policies["default"]
    where = common.the_store(wish.store).open()
    ready = common.published_groups(where, chosen, min_units)

    from fleet.report.makers import maker_paper
    from fleet.store.sharing import UNITS

    parts = [(g.labels, g.units, g.counts or {}, g.content) for g in ready.of(UNITS)]
    made = maker_paper(parts, source, chosen, ready.smallest, on=wish.day)
    _write([made], wish, "maker")


@with_shared(paper_wish, "wish")
def year(
    wish: Wish,
    number: Annotated[
        int | None,
        typer.Argument(
            metavar="[YEAR]", help="Year of measurement; the newest if left out.", show_default=False
        ),
    ] = None,
) -> None:
    """Print a year's review for the house: targets met, sources, suspects, beside the year before."""
    chosen = wish.policies["default"]
    where = common.the_store(wish.store).open()
    house = common.the_house(where)

    from fleet.store import overview

    held = overview(where).years
    if not held:
        raise FleetError("the store holds no sheet yet; take some in: fleet intake FILE")
    asked = held[0] if number is None else number
    if asked not in held:
        known = ", ".join(str(y) for y in sorted(held))
        raise FleetError(f"no sheet was measured in {asked}; years with sheets are {known}.")
    _write([_year(where, asked, house, chosen, wish.day)], wish, "year")


def _groups(store: Store, policy: Policy, min_units: int | None) -> Published:
    """Published groups with their counts; units that came in since are put into groups first."""
    from fleet.attainment.publishing import counting_rule, group_counts
    from fleet.sharing.groups import bring_up_to_date, publish_attainment

    ready = bring_up_to_date(store, smallest=min_units)
    return publish_attainment(
        store,
        ready,
        policy=counting_rule(policy),
        count=lambda sheets: group_counts(sheets, policy, ready.smallest),
    )


def _only(enquiries: pd.DataFrame, enquiry: str | None) -> pd.DataFrame:
    if enquiry is None:
        return enquiries
    found = enquiries[enquiries["enquiry_id"].astype(str) == enquiry].reset_index(drop=True)
    if found.empty:
        raise FleetError(f"--enquiry {enquiry}: the file has no such enquiry that can be answered.")
    return found


def _unit(where: Store, sheet_no: str, bench: str | None) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """The sheet itself, every sheet of its unit newest first, and the newest sheets of units like it."""
    from fleet.store import CURRENT_COLUMNS, like_number, pick_sheets

    wanted = {"sheet_no": [sheet_no]} | ({} if bench is None else {"bench": [bench]})
    own = pick_sheets(where, CURRENT_COLUMNS, where=wanted)
    if own.empty:
        raise NoSuchUnitError(
            f"there is no sheet {sheet_no} in the store; "
            + (like_number(where, sheet_no) or "fleet suspects names some.")
        )
    if len(own) > 1:
        raise FleetError(
            f"sheet {sheet_no} is there for benches {', '.join(own['bench'])}; name one: --bench"
        )
    if own["purpose"].iloc[0] == "reference":
        raise FleetError(f"sheet {sheet_no} is a check pickup's; fleet watch follows those.")
    every = pick_sheets(where, CURRENT_COLUMNS, where={"unit": own["unit"].astype(str).tolist()})
    told = own.iloc[0]
    kind = "/".join(str(told[c]) for c in ("stylus_profile", "cantilever_material"))
    others = pick_sheets(
        where, CURRENT_COLUMNS, where={"kind": [kind]}, counting=True, each=("kind", MOST_OF_KIND)
    )
    if len(others) < FEW_OF_KIND:
        others = pick_sheets(where, CURRENT_COLUMNS, counting=True, each=("stylus_profile", MOST_OF_KIND))
    key = ["bench", "sheet_no"]
    others = others[~others.set_index(key).index.isin(own.set_index(key).index)]
    return own, every.sort_values("measured_on", ascending=False), others


def _year(where: Store, number: int, house: House, policy: Policy, day: dt.date) -> Paper:

    from fleet.faults.suspects import suspects
    from fleet.report.years import COLUMNS, year_paper
    from fleet.store import CURRENT_COLUMNS, pick_sheets

    first, last = dt.date(number, 1, 1), dt.date(number + 1, 1, 1)
    sheets = pick_sheets(where, COLUMNS, since=dt.date(number - 1, 1, 1), before=last, counting=True)
    judged = pick_sheets(where, CURRENT_COLUMNS, since=first, before=last)
    found = suspects(house, judged, prior=common.prior_for(where, None))
    return year_paper(sheets, number, found, house, policy, on=day)


def _write(papers: Sequence[Paper], wish: Wish, name: str) -> None:
    """Write papers, and their tables where asked; say what is missing and where everything went."""
    from fleet.output import write_bytes
    from fleet.report import pictures
    from fleet.report.page import html
    from fleet.report.pdf import pdf_bytes

    if not pictures.can_draw() and any(s.pictures for p in papers for s in p.sections):
        missing = how_to_install("report")
        common.warn(f"Note: pictures are left out, their words stand in; they need {missing}")
    out = wish.out or Path(f"{name}.html")
    files_out.make_way(out)
    if out.suffix.lower() == ".pdf":
        write_bytes(pdf_bytes(html(papers, size=wish.size.value)), out)
    else:
        write_bytes(html(papers).encode(), out)
    say(papers[0].answer)
    say(f"Wrote {out}.")
    if wish.tables is not None:
        from fleet.output import workbook_bytes

        files_out.make_way(wish.tables)
        every = {f"{i + 1} {t.heading}": t.frame for i, t in enumerate(_tables(papers))}
        write_bytes(workbook_bytes(every), wish.tables)
        say(f"Wrote {wish.tables} ({len(every)} tables).")


def _tables(papers: Sequence[Paper]) -> list[Headed]:
    return [table for paper in papers for table in paper.tables]


def show_help(context: typer.Context) -> None:
    """Print a paper: a quote, a unit's sheet, a maker's summary, a year's review."""
    if context.invoked_subcommand is None:
        say(context.get_help())


report = typer.Typer(context_settings={"help_option_names": ["-h", "--help"]})
report.callback(invoke_without_command=True)(show_help)
for _paper in (quote, unit, owner, maker, year):
    report.command()(files_out.with_force(_paper))

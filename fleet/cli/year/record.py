"""Did the quotes come true? `fleet record`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import PerOption, say
from fleet.cli.year.scores import ByOption, QuickOption, QuotesOption, answers_of, tell_record

if TYPE_CHECKING:
    from fleet.quotes.outcomes import ForecastPairs
    from fleet.store import Store


def record(
    by: ByOption = None,
    per: PerOption = None,
    backtest: Annotated[
        bool, typer.Option("--backtest", help="Show the last back-test's figures instead.")
    ] = False,
    quick: QuickOption = False,
    recalibrate: Annotated[
        bool | None,
        typer.Option(
            "--recalibrate/--no-recalibrate",
            help="Correct intervals that the record shows wrong from now on, or stop doing so.",
            show_default=False,
        ),
    ] = None,
    out: common.OutOption = None,
    quotes: QuotesOption = None,
    store: common.StoreOption = None,
) -> None:
    """Did the quotes come true? Kept quotes against the sheets that came in after them.

    A sheet answers the last quote before it with its enquiry number or serial. Intervals, chances, time and
    price are set against what was read, and against simpler forecasts from the same sheets.
    """
    where = common.the_store(store).open()
    if recalibrate is not None:
        _switch(where, on=recalibrate, backtest=backtest)
        return
    answers, waiting = answers_of(where, backtest=backtest)
    if not len(answers):
        say(_nothing(waiting, backtest=backtest))
        return
    if not backtest:
        answers = _with_rivals(where, answers, boosting=not quick)
    tell_record(where, answers, by, per, out, quotes, backtest=backtest, waiting=waiting)


def _with_rivals(store: Store, answers: ForecastPairs, *, boosting: bool) -> ForecastPairs:
    from fleet.quotes.hindcasts import add_references
    from fleet.quotes.kept_quotes import SHEET_FACTS
    from fleet.store.quotes import sheets_by_intake

    read = ("unit", "measured_on", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes")
    columns = tuple(dict.fromkeys((*read, *SHEET_FACTS)))
    return add_references(answers, sheets_by_intake(store, columns), boosting=boosting)


def _nothing(waiting: int, *, backtest: bool) -> str:
    if backtest:
        return "No back-test has been made yet. Next: fleet backtest"
    kept = f"{waiting} kept quotes wait for their sheets" if waiting else "No quote is kept yet"
    return (
        f"{kept}; none has been answered by a sheet. How good quotes would have been on the sheets that are "
        "there: fleet backtest"
    )


def _switch(store: Store, *, on: bool, backtest: bool) -> None:
    from fleet.quotes.recalibration import learn
    from fleet.store.quotes import save_recalibration

    if not on:
        save_recalibration(store, None)
        say("Quotes are told as the house model says them, without a correction.")
        return
    answers, _ = answers_of(store, backtest=backtest)
    source = f"{'the back-test' if backtest else 'the track record'} of {len(answers)} quotes"
    learnt = learn(answers, source)
    save_recalibration(store, learnt.to_text() if learnt.changes else None)
    say(learnt.sentence)
    if learnt.refused:
        say(learnt.refused)
    if learnt.changes:
        say("Every quote says so. To stop it: fleet record --no-recalibrate")

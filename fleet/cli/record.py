"""Did the quotes come true? The track record, the back-test, and the correction learnt from either."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from fleet.policy.policy import Policy
    from fleet.quotes.outcomes import Answered
    from fleet.quotes.track_record import Record
    from fleet.store import Store

USUAL, ALL = "usual", "all"
CALLED: Final = {False: "quotes answered by a sheet", True: "quotes of the back-test"}


class Period(StrEnum):
    """How a record may be cut by time."""

    YEAR = "year"
    QUARTER = "quarter"
    MONTH = "month"


ByOption = Annotated[
    str | None,
    typer.Option(
        "--by",
        metavar="COLUMN[,COLUMN]",
        help="Grouping columns, or kind; if left out, whether the family was known.",
        show_default=False,
    ),
]
PerOption = Annotated[
    Period | None, typer.Option("--per", help="Cut each group by time.", show_default=False)
]
QuickOption = Annotated[
    bool, typer.Option("--quick", help="Leave gradient boosting out of the comparison: faster.")
]
QuotesOption = Annotated[
    str | None,
    typer.Option(
        "--quotes", metavar="FILE", help="Write every scored quote to a file, one a row.", show_default=False
    ),
]


def add_to(app: typer.Typer) -> None:
    """Hang the commands onto the application."""
    app.command(rich_help_panel=common.REVIEW_PANEL)(record)
    app.command(rich_help_panel=common.REVIEW_PANEL)(backtest)


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
    from fleet.output import check_out

    check_out(out)
    check_out(quotes, option="--quotes")
    where = common.the_store(store).open()
    if recalibrate is not None:
        _switch(where, on=recalibrate, backtest=backtest)
        return
    answers, waiting = _answers(where, backtest=backtest)
    if not len(answers):
        say(_nothing(waiting, backtest=backtest))
        return
    if not backtest:
        answers = _with_rivals(where, answers, boosting=not quick)
    _tell(where, answers, by, per, out, quotes, backtest=backtest, waiting=waiting)


def backtest(
    told: Annotated[
        str,
        typer.Option(
            "--told",
            metavar="usual|all|FILE",
            help="What the enquiries would have told: as enquiries do, everything, or as those of a file.",
        ),
    ] = USUAL,
    start: Annotated[
        datetime | None,
        typer.Option("--from", formats=["%Y-%m-%d"], help="Leave out quarters that begin before this day."),
    ] = None,
    by: ByOption = None,
    per: PerOption = None,
    quick: QuickOption = False,
    out: common.OutOption = None,
    quotes: QuotesOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """How good would quotes have been? Fit on the past, quote the next quarter, and so on to today.

    Takes a few seconds a quarter of the history. The result is kept for fleet record --backtest and the
    dashboard; the house model in use stays as it is.
    """
    from fleet.output import check_out

    check_out(out)
    check_out(quotes, option="--quotes")
    where = common.the_store(store).open()
    chosen = common.policies_from(policy, policy_name)["default"]
    _run(where, _own_enquiries(where, told), told, chosen, None if start is None else start.date(), quick)
    answers, _ = _answers(where, backtest=True)
    _tell(where, answers, by, per, out, quotes, backtest=True, waiting=0)


def _own_enquiries(store: Store, told: str) -> pd.DataFrame | None:
    """Facts of enquiries to take after; None where the assumed shares or everything will do."""
    from fleet.quotes.kept_quotes import facts_frame
    from fleet.store.quotes import told_facts

    if told == ALL:
        return None
    if told == USUAL:
        return facts_frame(told_facts(store)["facts"])
    from fleet.intake import read_enquiries

    found, _ = read_enquiries(Path(told))
    if found.empty:
        raise FleetError(f"{told} holds no enquiry to take after.")
    return found


def _run(
    store: Store, own: pd.DataFrame | None, told: str, policy: Policy, start: date | None, quick: bool
) -> None:
    import pandas as pd

    from fleet.fitting.backtest import folds
    from fleet.quotes.hindcasts import foretold
    from fleet.store.quotes import keep_backtest

    parts = []
    try:
        for fold in folds(store, start=start, progress=common.progress()):
            pattern = _pattern(len(fold.asked), own, told, fold.origin)
            parts.append(
                foretold(
                    fold.house,
                    fold.taught,
                    fold.asked,
                    pattern,
                    policy,
                    origin=fold.origin,
                    boosting=not quick,
                )
            )
    finally:
        common.end_progress()
    keep_backtest(store, pd.concat(parts, ignore_index=True))


def _pattern(n: int, own: pd.DataFrame | None, told: str, origin: date) -> NDArray[np.bool_]:
    from fleet.quotes.hindcasts import everything, usual

    if told == ALL:
        return everything(n)
    return usual(n, own, seed=origin.toordinal(), few=1 if told != USUAL else None)


def _answers(store: Store, *, backtest: bool) -> tuple[Answered, int]:
    from fleet.quotes.outcomes import answered
    from fleet.store.quotes import matched_quotes

    found = matched_quotes(store, backtest=backtest)
    return answered(found.forecasts, found.sheets), found.waiting


def _with_rivals(store: Store, answers: Answered, *, boosting: bool) -> Answered:
    from fleet.quotes.hindcasts import with_rivals
    from fleet.quotes.kept_quotes import FACTS
    from fleet.store.quotes import taught_sheets

    read = ("unit", "measured_on", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes")
    columns = tuple(dict.fromkeys((*read, *FACTS)))
    return with_rivals(answers, taught_sheets(store, columns), boosting=boosting)


def _nothing(waiting: int, *, backtest: bool) -> str:
    if backtest:
        return "No back-test has been made yet. Next: fleet backtest"
    kept = f"{waiting} kept quotes wait for their sheets" if waiting else "No quote is kept yet"
    return (
        f"{kept}; none has been answered by a sheet. How good quotes would have been on the sheets that are "
        "there: fleet backtest"
    )


def _tell(
    store: Store,
    answers: Answered,
    by: str | None,
    per: Period | None,
    out: str | None,
    quotes: str | None,
    *,
    backtest: bool,
    waiting: int,
) -> None:
    from fleet.quotes.track_record import record as judge
    from fleet.quotes.track_record import scored_quotes

    groups = None if by is None else [name.strip() for name in by.split(",") if name.strip()]
    found = judge(answers, by=groups, per=per.value if per else None, called=CALLED[backtest])
    free = common.write_out(found.table(), out)
    if quotes is not None:
        free = common.write_out(scored_quotes(answers), quotes) and free
    if not free or out is not None:
        return
    show(found)
    if waiting:
        say(f"{waiting} more kept quotes wait for their sheets.")
    say(_next(store, answers, backtest=backtest))


def _next(store: Store, answers: Answered, *, backtest: bool) -> str:
    from fleet.cli.keeping import correction
    from fleet.quotes.recalibration import learn

    option = " --backtest" if backtest else ""
    use = correction(store)
    if use is not None and use.changes:
        return f"{use.sentence} To stop that: fleet record --no-recalibrate"
    if learn(answers, "").changes:
        return (
            f"Intervals of some groups are wrong: fleet record{option} --recalibrate corrects them, visibly."
        )
    return "Nothing to correct. What the figures mean: fleet explain record"


def _switch(store: Store, *, on: bool, backtest: bool) -> None:
    from fleet.quotes.recalibration import learn
    from fleet.store.quotes import save_recalibration

    if not on:
        save_recalibration(store, None)
        say("Quotes are told as the house model says them, without a correction.")
        return
    answers, _ = _answers(store, backtest=backtest)
    source = f"{'the back-test' if backtest else 'the track record'} of {len(answers)} quotes"
    learnt = learn(answers, source)
    save_recalibration(store, learnt.to_text() if learnt.changes else None)
    say(learnt.sentence)
    if learnt.refused:
        say(learnt.refused)
    if learnt.changes:
        say("Every quote says so. To stop it: fleet record --no-recalibrate")


def show(found: Record) -> None:
    """Print a record for a reader."""
    from fleet.quotes.track_record import CHANCES

    say(found.sentence)
    _show_coverage(found)
    if found.fell:
        say(found.fell)
    groups = found.groups
    if len(groups) > 1:
        say(
            "90 % intervals of sag, rake and tracking angle together, by group; CRPS in degrees, less is "
            "better:"
        )
        say(
            table(
                {
                    "group": groups["group"].tolist(),
                    "quotes": groups["n"].tolist(),
                    "held": [_share(x) for x in groups["held"]],
                    "95 % sure": [_span(a, b) for a, b in zip(groups["low"], groups["high"], strict=True)],
                    "": groups["verdict"].tolist(),
                    "sag": groups["sag_crps"].tolist(),
                    "rake": groups["rake_crps"].tolist(),
                    "tracking": groups["tracking_crps"].tolist(),
                }
            )
        )
    _show_scores(found)
    for key, chances in found.chances.items():
        if chances.n:
            curve = "; ".join(
                f"told {100 * r['chance']:.0f} %, came {100 * r['rate']:.0f} % of {r['n']}"
                for r in chances.table.to_dict("records")
            )
            say(
                f"Chance of {CHANCES[key][0]}: Brier score {chances.brier:.3f} (always telling the rate: "
                f"{chances.base:.3f}), {chances.verdict}. {curve}."
            )
    for line in (*found.money, *found.cautions):
        say(line)


def _show_coverage(found: Record) -> None:
    """One line a quantity: how often each interval held, and its own 95 % interval."""
    held = found.coverage
    first = held.drop_duplicates("quantity")
    columns: dict[str, list[object]] = {"": first["quantity"].tolist(), "quotes": first["n"].tolist()}
    for share in sorted(held["promised"].unique()):
        rows = held[held["promised"] == share].set_index("quantity").loc[first["quantity"]]
        columns[f"{100 * share:.0f} % held"] = [
            f"{_share(r['held'])} ({_span(r['low'], r['high'])})" for r in rows.to_dict("records")
        ]
    verdicts = held.groupby("quantity", sort=False)["verdict"].agg(_together)
    say(table({**columns, "in all": verdicts.loc[first["quantity"]].tolist()}))
    say("  In brackets: where the share may lie, 95 % sure, families allowed for.")


def _together(verdicts: pd.Series) -> str:
    """What the intervals of one quantity show together: the one that stands out, if any does."""
    off = [v for v in verdicts if v not in {"as told", "too few to tell"}]
    return off[-1] if off else str(verdicts.iloc[-1])


def _show_scores(found: Record) -> None:
    from fleet.quotes.baselines import BOOSTED, have_boosting

    scores = found.scores
    if not len(scores) or scores["forecaster"].nunique() < 2:
        return
    say("Against simpler forecasts from the same sheets (CRPS; for chances the Brier score; less is better):")
    gaps = [
        "" if d != d else f"{d:+.4f} ± {2 * e:.4f}"
        for d, e in zip(scores["difference"], scores["standard_error"], strict=True)
    ]
    say(
        table(
            {
                "of": scores["quantity"].tolist(),
                "forecast": scores["forecaster"].tolist(),
                "score": scores["score"].tolist(),
                "ratio": scores["ratio"].tolist(),
                "house model less it": gaps,
                "better": scores["better"].tolist(),
            },
            digits={"score": 4, "ratio": 2},
        )
    )
    if BOOSTED not in set(scores["forecaster"]) and not have_boosting():
        say("Gradient boosting joins in with: pip install 'fleet[rivals]'")


def _share(x: float) -> str:
    return f"{100 * x:.0f} %"


def _span(a: float, b: float) -> str:
    return f"{100 * a:.0f} to {100 * b:.0f} %"

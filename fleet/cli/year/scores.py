"""What `fleet record` and `fleet backtest` share: options, forecast-observation pairs, the print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import Period, say
from fleet.cli.tables import table
from fleet.extras import how_to_install
from fleet.numerals import percent, percent_span, percent_spans, percents

if TYPE_CHECKING:
    import pandas as pd

    from fleet.quotes.outcomes import ForecastPairs
    from fleet.quotes.track_record import Record
    from fleet.store import Store

CALLED: Final = {False: "quotes answered by a sheet", True: "quotes of the back-test"}
ByOption = Annotated[
    str | None,
    typer.Option(
        "--by",
        metavar="COLUMN[,COLUMN]",
        help="Grouping columns, or kind; if left out, whether the family was known.",
        show_default=False,
    ),
]
QuickOption = Annotated[
    bool, typer.Option("--quick", help="Leave gradient boosting out of the comparison: faster.")
]
QuotesOption = Annotated[
    str | None, common.table_file("--quotes", "Write every scored quote to a file, one a row.")
]


def answers_of(store: Store, *, backtest: bool) -> tuple[ForecastPairs, int]:
    """Quotes with the sheet that answers each, and how many still wait for one."""
    from fleet.quotes.outcomes import pair_forecasts
    from fleet.store.quotes import matched_quotes

    found = matched_quotes(store, backtest=backtest)
    return pair_forecasts(found.forecasts, found.sheets), found.waiting


def tell_record(
    store: Store,
    answers: ForecastPairs,
    by: str | None,
    per: Period | None,
    out: str | None,
    quotes: str | None,
    *,
    backtest: bool,
    waiting: int,
) -> None:
    """Print or write a record, and what to do next."""
    from fleet.quotes.track_record import record as judge
    from fleet.quotes.track_record import scored_quotes

    groups = None if by is None else [name.strip() for name in by.split(",") if name.strip()]
    found = judge(answers, by=groups, per=per.value if per else None, called=CALLED[backtest])
    free = common.write_out(found.table(), out)
    if quotes is not None:
        free = common.write_out(scored_quotes(answers), quotes) and free
    if not free or out is not None:
        return
    show_record(found)
    if waiting:
        say(f"{waiting} more kept quotes wait for their sheets.")
    say(_next(store, answers, backtest=backtest))


def _next(store: Store, answers: ForecastPairs, *, backtest: bool) -> str:
    from fleet.cli.enquiries import correction
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


def show_record(found: Record) -> None:
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
                    "held": percents(groups["held"]),
                    "95 % sure": percent_spans(groups["low"], groups["high"]),
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
                f"told {percent(r['chance'])}, came {percent(r['rate'])} of {r['n']}"
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
        columns[f"{percent(share)} held"] = [
            f"{percent(r['held'])} ({percent_span(r['low'], r['high'])})" for r in rows.to_dict("records")
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
        say(f"Gradient boosting joins in with: {how_to_install('reference')}")

"""How good would quotes have been? `fleet backtest`."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common
from fleet.cli.common import PerOption
from fleet.cli.year.scores import ByOption, QuickOption, QuotesOption, answers_of, tell_record
from fleet.errors import FleetError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from fleet.policy.policy import Policy
    from fleet.store import Store

USUAL, ALL = "usual", "all"
USUAL, ALL = "usual", "all"


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
    where = common.the_store(store).open()
    chosen = common.policies_from(policy, policy_name)["default"]
    _run(where, _own_enquiries(where, told), told, chosen, None if start is None else start.date(), quick)
    answers, _ = answers_of(where, backtest=True)
    tell_record(where, answers, by, per, out, quotes, backtest=True, waiting=0)


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
    from fleet.quotes.hindcasts import make_hindcasts
    from fleet.store.quotes import keep_backtest

    parts = []
    with common.progress() as tell:
        for fold in folds(store, start=start, progress=tell):
            pattern = _pattern(len(fold.asked), own, told, fold.origin)
            parts.append(
                make_hindcasts(
                    fold.house,
                    fold.taught,
                    fold.asked,
                    pattern,
                    policy,
                    origin=fold.origin,
                    boosting=not quick,
                )
            )
    keep_backtest(store, pd.concat(parts, ignore_index=True))


def _pattern(n: int, own: pd.DataFrame | None, told: str, origin: date) -> NDArray[np.bool_]:
    from fleet.quotes.hindcasts import all_facts, usual_facts

    if told == ALL:
        return all_facts(n)
    return usual_facts(n, own, seed=origin.toordinal(), few=1 if told != USUAL else None)

"""A year's review for the house: what was measured, how often the targets were met, who stood out."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.attainment.attainment import attainment, coarser, needed_columns
from fleet.attainment.comparisons import source_funnel, trends
from fleet.charts import funnels
from fleet.charts import rates as charts
from fleet.errors import FleetError
from fleet.numerals import NOT_KNOWN, day, percent, percents
from fleet.report.paper import Headline, Paper, Section, Table, basis_line
from fleet.statistics.proportions import rate_difference
from fleet.words import BENCH_DECIDES, NO_REPAIR, PRIVACY, STATES, TARGETS, fault_words
from fleet.words import measure as measure_words

if TYPE_CHECKING:
    from fleet.faults.suspects import Suspects
    from fleet.house_model.house import House
    from fleet.policy.policy import Policy

MEASURE: Final = "both_reachable"
TITLE: Final = measure_words(MEASURE)
BY: Final = ("stylus_profile", "cantilever_material", "assembly_source")
COLUMNS: Final = tuple(
    c
    for c in dict.fromkeys([*needed_columns([*BY], "year"), "bench_minutes"])
    if c not in ("newest", "purpose")
)
"""Columns of the sheets that the review is made from."""
MOST_SUSPECTS: Final = 12
FEW_QUARTERS: Final = 2
SURE_P: Final = 0.05
_CAUTIONS: Final = (
    "Figures of one year are few: where intervals overlap, a difference may be chance alone.",
    "Units named here are for the house's own eyes.",
    NO_REPAIR,
    BENCH_DECIDES,
    PRIVACY,
)


def year_paper(
    sheets: pd.DataFrame, year: int, found: Suspects, house: House, policy: Policy, *, on: date
) -> Paper:
    """Lay a year out beside the one before.

    Parameters
    ----------
    sheets : the newest sheets of the units of both years, `COLUMNS`.
    year : of measurement.
    found : the year's sheets judged.
    house, policy : what they were judged by.
    on : the paper's day.

    Raises
    ------
    FleetError
        If no unit counts for the year.
    """
    whose = pd.to_datetime(sheets["measured_on"]).dt.year
    own, before = sheets[whose == year], sheets[whose == year - 1]
    if own.empty:
        raise FleetError(f"no unit of {year} counts: its sheets are check pickups' or have newer ones since")
    table = attainment(own, ["assembly_source"], policy, "quarter")
    whole = coarser(table, [])
    last = attainment(before, [], policy) if len(before) else None
    return Paper(
        kind="year's review",
        subject=str(year),
        question=f"How did {year} go?",
        answer=charts.attainment_answer(whole, MEASURE),
        on=on,
        headlines=_headlines(own, whole, last, found, year),
        sections=(
            _over_time(coarser(table, ["period"]), year),
            _by_kind(attainment(own, ["stylus_profile"], policy)),
            _what_was_met(whole, last, year),
            _sources(coarser(table, ["assembly_source"])),
            _suspects(found),
        ),
        cautions=_CAUTIONS,
        basis=basis_line(policy, house) | {"counted": "every unit once, in the year of its newest sheet"},
    )


def _headlines(
    own: pd.DataFrame, whole: pd.DataFrame, last: pd.DataFrame | None, found: Suspects, year: int
) -> tuple[Headline, ...]:
    row = whole.iloc[0]
    units = found.table.groupby("unit")["flagged"].any() if len(found.table) else pd.Series(dtype=bool)
    minutes = own["bench_minutes"].to_numpy(dtype=float, na_value=np.nan)
    told = minutes[~np.isnan(minutes)]
    before = "" if last is None else f"{int(last.iloc[0]['units'])} in {year - 1}"
    headlines = [
        Headline("Units", str(int(row["units"])), before),
        Headline(
            "One tilt serves both",
            percent(row[f"{MEASURE}_rate"]),
            f"95 %: {charts.rate_span(row, MEASURE)}.",
        ),
        Headline("Suspects", str(int(units.sum())), f"of {len(units)} units judged."),
    ]
    if len(told):
        headlines.append(
            Headline(
                "Bench time",
                f"{np.median(told):.0f} min",
                f"Median of {len(told)} units; {told.sum() / 60.0:.0f} hours in all.",
            )
        )
    return tuple(headlines)


def _over_time(table: pd.DataFrame, year: int) -> Section:
    named = charts.name_groups(table, [])
    told = named[named[f"{MEASURE}_n"] > 0]
    pictures = (charts.rates_over_time(named, MEASURE, TITLE),) if len(told) > 1 else ()
    lines: tuple[str, ...] = ()
    if len(told) > FEW_QUARTERS:
        trend = trends(table, MEASURE).iloc[0]
        p = float(trend["p_value"])
        lines = (str(trend["sentence"]) if p < SURE_P else f"No rise or fall beyond chance (p = {p:.2f}).",)
    return Section(f"Quarter by quarter: {TITLE}", lines, pictures=pictures)


def _by_kind(table: pd.DataFrame) -> Section:
    named = charts.name_groups(table, ["stylus_profile"])
    pictures = (charts.conflict_causes(named),) if named[f"{MEASURE}_n"].sum() else ()
    return Section(
        "By stylus: can one tilt serve both, and if not, why",
        pictures=pictures,
        tables=(Table("", charts.figures(named, MEASURE)),),
    )


def _what_was_met(whole: pd.DataFrame, last: pd.DataFrame | None, year: int) -> Section:
    """Every target in every state, this year and, where there is one, the year before."""
    now = whole.iloc[0]
    rows = []
    for target in TARGETS:
        for state in STATES:
            measure = f"{target}_{state}"
            row = {
                "target": measure_words(measure),
                f"{year}": f"{percent(now[f'{measure}_rate'])} of {int(now[f'{measure}_n'])}",
                "95 % interval": charts.rate_span(now, measure),
            }
            if last is not None:
                row |= _beside(now, last.iloc[0], measure, year - 1)
            rows.append(row)
    notes = () if last is None else (
        "Change: rate of this year less that of the year before, in points, with its 95 % interval; an "
        "interval that holds 0 is no change that chance alone couldn't make.",
    )  # fmt: skip
    return Section("Every target, and the year before", tables=(Table("", pd.DataFrame(rows)),), notes=notes)


def _beside(now: pd.Series, then: pd.Series, measure: str, year: int) -> dict[str, str]:
    met, n = (f"{measure}{end}" for end in ("_met", "_n"))
    found = [100.0 * float(v) for v in rate_difference(now[met], now[n], then[met], then[n])]
    change, low, high = (NOT_KNOWN if v != v else f"{round(v):+d}" for v in found)
    said = change if change == NOT_KNOWN else f"{change} ({low} to {high})"
    return {f"{year}": f"{percent(then[f'{measure}_rate'])} of {int(then[n])}", "change": said}


def _sources(table: pd.DataFrame) -> Section:
    if not table[f"{MEASURE}_n"].sum():
        return Section("Sources against chance", ("No unit was read that could tell.",))
    against, limits = source_funnel(table, MEASURE)
    named = charts.name_groups(against, ["assembly_source"])
    return Section(
        "Sources against chance",
        (funnels.funnel_sentence(named, limits),),
        pictures=(funnels.funnel_plot(named, limits, TITLE),),
        notes=(
            "Dashed: 95 % limits; full: 99.8 %. A source outside deserves a question, not yet a verdict.",
        ),
    )


def _suspects(found: Suspects) -> Section:
    flagged = found.table[found.table["flagged"].astype(bool)] if len(found.table) else found.table
    flagged = flagged.drop_duplicates("unit")
    if flagged.empty:
        return Section("Suspects", (found.sentence,))
    counts = flagged["leading_fault"].value_counts()
    causes = pd.DataFrame(
        {"probably": [fault_words(str(f)) for f in counts.index], "units": counts.to_numpy()}
    )
    some = flagged.head(MOST_SUSPECTS)
    named = pd.DataFrame(
        {
            "sheet": some["sheet_no"],
            "measured": pd.to_datetime(some["measured_on"]).map(day),
            "probably": [fault_words(str(f)) for f in some["leading_fault"]],
            "sound": percents(some["p_healthy"]),
        }
    )
    more = len(flagged) - len(some)
    return Section(
        "Suspects",
        (found.sentence,),
        tables=(
            Table("What is probably wrong with those flagged", causes),
            Table("The clearest" + (f"; {more} more in fleet suspects" if more else ""), named),
        ),
    )

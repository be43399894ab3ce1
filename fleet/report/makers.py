"""A maker's summary of its own assemblies: sums of published groups, no unit, no other maker by name."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from fleet.attainment.published_readings import READINGS, published_readings
from fleet.attainment.publishing import YEAR, published_attainment
from fleet.charts import published
from fleet.charts import rates as charts
from fleet.errors import FleetError, TooFewError
from fleet.numerals import NOT_KNOWN, number, percent, plus_minus
from fleet.report.paper import Headline, Paper, Section, Table, policy_words
from fleet.words import NO_REPAIR, SIGNS, measure, quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fleet.policy.policy import Policy

    Part = tuple[Mapping[str, str], int, Mapping[str, Any], Mapping[str, Any]]

MEASURE: Final = "both_reachable"
TITLE: Final = measure(MEASURE)
SOURCE: Final = "by assembly_source"
FEWEST_OTHERS: Final = 3
MOST_OF_ONE: Final = 0.75
"""Others stand in the paper only together: at least so many, none with more of the units than this share, or
one maker would read another's figures (our choice)."""
_CAUTIONS: Final = (
    "Readings of one bench, each with its noise: a lot of assemblies judged elsewhere may read differently.",
    "An interval says how well the mean is known, the spread how far single assemblies lie apart.",
    NO_REPAIR,
)


def maker_paper(parts: Sequence[Part], source: str, policy: Policy, smallest: int, *, on: date) -> Paper:
    """Lay a maker's assemblies out for the maker's eyes.

    Parameters
    ----------
    parts : published groups: labels, units, counts and content of each.
    source : the maker's code.
    policy : the target policy that the counts were made under.
    smallest : smallest group that is told.
    on : the paper's day.

    Raises
    ------
    FleetError
        If no published group is of this source alone.
    """
    own = [part for part in parts if part[0].get(SOURCE) == source]
    if not own:
        known = ", ".join(sorted({str(p[0][SOURCE]) for p in parts if SOURCE in p[0]})) or "none yet"
        raise FleetError(
            f"no group of at least {smallest} units is {source}'s alone; sources to be told are {known}."
        )
    counts = [(labels, units, told) for labels, units, told, _ in own]
    whole = published_attainment(counts, [], policy)
    by_kind = charts.name_groups(published_attainment(counts, ["kind"], policy), ["kind"])
    return Paper(
        kind="maker's summary",
        subject=source,
        question=f"How do the assemblies of {source} stand on the bench?",
        answer=charts.attainment_answer(whole, MEASURE),
        on=on,
        headlines=_headlines(own, whole, policy),
        sections=(
            _readings(own, _others(parts, source)),
            *_by_kind(by_kind, own),
            *_over_time(charts.name_groups(published_attainment(counts, [], policy, YEAR), [])),
        ),
        cautions=_CAUTIONS,
        basis={
            "target policy": policy_words(policy),
            "who can be seen in it": f"nobody: every figure adds up groups of at least {smallest} units, "
            "formed once; groups of several sources are left out",
            "made with": _version(),
        },
    )


def _version() -> str:
    from fleet import __version__

    return f"fleet {__version__}"


def _others(parts: Sequence[Part], source: str) -> list[Part]:
    """Groups of the other sources, where enough of them hide each other."""
    others = [p for p in parts if p[0].get(SOURCE) not in (None, source)]
    size = pd.Series([p[1] for p in others], dtype=float).groupby([str(p[0][SOURCE]) for p in others]).sum()
    hidden = len(size) >= FEWEST_OTHERS and float(size.max()) <= MOST_OF_ONE * float(size.sum())
    return others if hidden else []


def _headlines(own: Sequence[Part], whole: pd.DataFrame, policy: Policy) -> tuple[Headline, ...]:
    row = whole.iloc[0]
    edge = policy.rake_accepted_deg[0] - policy.tracking_limit_deg
    told = [
        Headline("Units told", str(int(row["units"])), "Each once, by its newest sheet."),
        Headline(
            "One tilt serves both",
            percent(row[f"{MEASURE}_rate"]),
            f"95 %: {charts.rate_span(row, MEASURE)}.",
        ),
    ]
    notes = {
        "built_in": f"Mean. One tilt can serve both targets from {edge:g}° on.",
        "sag": "Mean: how much the rake falls once the record turns.",
    }
    for name, note in notes.items():
        found = _mean(own, name)
        if found is not None:
            said = _with_interval(found, name)
            told.append(Headline(quantity(name).long.capitalize(), said, f"{note} ± is its 95 % interval."))
    return tuple(told)


def _mean(parts: Sequence[Part], name: str) -> pd.Series | None:
    try:
        return published_readings([(p[0], p[1], p[3]) for p in parts], name).iloc[0]
    except TooFewError:
        return None


def _with_interval(row: pd.Series, name: str) -> str:
    return f"{number(row['mean'])} {plus_minus(0.5 * (row['high'] - row['low']), quantity(name).unit)}"


def _readings(own: Sequence[Part], others: Sequence[Part]) -> Section:
    rows = []
    for name in READINGS:
        found = _mean(own, name)
        if found is None:
            continue
        what = quantity(name)
        row = {
            "reading": what.long,
            "units": int(found["n"]),
            "mean, ± 95 % interval": _with_interval(found, name),
            "spread (1 sd)": what.figure(found["sd"]),
        }
        beside = _mean(others, name) if others else None
        if others:
            row["all other makers together"] = NOT_KNOWN if beside is None else what.figure(beside["mean"])
        rows.append(row)
    notes = [
        SIGNS,
        "Zenith and azimuth: + is clockwise; zenith seen from the record's side, looking at the tip.",
    ]
    notes.append("Counts are to the nearest multiple of the smallest group.")
    if not others:
        notes.append("Other makers are left out: too few, or one of them would show.")
    return Section("What was read", tables=(Table("", pd.DataFrame(rows)),), notes=tuple(notes))


def _by_kind(table: pd.DataFrame, own: Sequence[Part]) -> tuple[Section, ...]:
    told = table[table[f"{MEASURE}_n"] > 0]
    if told.empty:
        return ()
    readings = published_readings([(p[0], p[1], p[3]) for p in own], "built_in", "kind")
    return (
        Section(
            "Kind by kind: can one tilt serve both, and if not, why",
            pictures=(charts.conflict_causes(told),),
            tables=(
                Table("", charts.figures(told, MEASURE)),
                Table("Built-in angle, which no tilt changes", published.figures(readings, "built_in")),
            ),
            notes=("(few): groups that join several kinds.", published.BLURRED),
        ),
    )


def _over_time(periods: pd.DataFrame) -> tuple[Section, ...]:
    told = periods[periods["period"].str[:1].str.isdigit() & (periods[f"{MEASURE}_n"] > 0)]
    if len(told) < 2:
        return ()
    return (Section(f"Year by year: {TITLE}", pictures=(charts.rates_over_time(told, MEASURE, TITLE),)),)

"""The paper of a quote: what to expect of a pickup, what can be promised, what to mind; or of a file."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd

from fleet.alignment.tradeoff import trade_off
from fleet.charts import enquiry as charts
from fleet.charts import tables
from fleet.columns import ENQUIRY_COLUMNS, READ_BY
from fleet.errors import FleetError
from fleet.numerals import NOT_KNOWN, figure, percent, percents, span
from fleet.policy.files import pick_policy
from fleet.quotes.quote import FACTS
from fleet.report.paper import (
    Headline,
    Paper,
    Section,
    Table,
    basis_line,
    tilt_words,
)
from fleet.report.plain_quote import SURE_FROM, plain_words
from fleet.words import (
    BENCH_DECIDES,
    CLEARANCE,
    HANDLING,
    NO_REPAIR,
    OUTCOMES,
    PRIVACY,
    SIGNS,
    forecast_digits,
    known_fact,
    plain_word,
    quantity,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import altair as alt

    from fleet.house_model.predict import Forecaster
    from fleet.policy.policy import Policy
    from fleet.quotes.quote import Quotes
    from fleet.quotes.value_of_information import Information

MOST_PAPERS: Final = 50
"""A file of more enquiries makes a heap that nobody reads."""
SURE, OPEN, OUT = "As good as sure", "Open: not to be promised either way", "Hardly to be expected"
_CAUTIONS: Final = (BENCH_DECIDES, NO_REPAIR, CLEARANCE, HANDLING, PRIVACY)


def quote_papers(
    enquiries: pd.DataFrame,
    quotes: Quotes,
    forecaster: Forecaster,
    policies: Mapping[str, Policy],
    *,
    on: date,
    asked: Sequence[Information] = (),
) -> list[Paper]:
    """Lay quotes out: a list first where there are several, then one paper each.

    Parameters
    ----------
    enquiries : typed enquiries, as the intake hands them on.
    quotes : their quotes, in the same order.
    forecaster : the one that drew them.
    policies : by name.
    on : the papers' day.
    asked : what to ask for next, one an enquiry; none if left out.

    Raises
    ------
    FleetError
        If there are more than `MOST_PAPERS`.
    """
    if len(enquiries) > MOST_PAPERS:
        raise FleetError(
            f"{len(enquiries)} enquiries are more than the {MOST_PAPERS} that fit one paper; name one with "
            "--enquiry ID, or write a table with fleet quote --out."
        )
    named = enquiries["policy"] if "policy" in enquiries else pd.Series([None] * len(enquiries))
    chosen = [pick_policy(dict(policies), None if pd.isna(name) else str(name)) for name in named]
    draws = forecaster.draw(enquiries, chosen)
    papers = []
    for i, row in quotes.table.iterrows():
        n = int(str(i))
        policy = chosen[n]
        trade = trade_off(draws.sra_true[n], draws.vta_true[n], draws.tilt_room[n], policy)
        own = pd.DataFrame({q: quotes.arrays[q][n] for q in quotes.arrays})
        told = _told(enquiries.iloc[n])
        papers.append(
            Paper(
                kind="quote",
                subject=_subject(enquiries.iloc[n]),
                question="What will this pickup need?",
                answer=quotes.sentences[n],
                on=on,
                headlines=_headlines(row, policy),
                sections=(
                    plain_words(row, policy.currency, asked[n] if asked else None),
                    _what_was_told(told, asked[n].sentence if asked else ""),
                    _readings(own, row, policy),
                    *_promises(row),
                    _tilt(own, row, policy, trade.sentence, charts.trade_off_line(trade)),
                ),
                cautions=_CAUTIONS,
                basis={"the quote stands on": str(row["basis"]), **basis_line(policy, forecaster.house)},
            )
        )
    return papers if len(papers) == 1 else [_list(papers, quotes.table, forecaster, on), *papers]


def _told(row: pd.Series) -> dict[str, str]:
    """Facts that the enquiry tells, in words with their units; never the serial."""
    told = {}
    for name in FACTS:
        value = row.get(name)
        if value is None or pd.isna(value):
            continue
        column = ENQUIRY_COLUMNS[name]
        number = column.kind == "number"
        reader = row.get(READ_BY.get(name, ""))
        told[known_fact(name, reader if isinstance(reader, str) else None)] = (
            figure(float(value), column.unit, 1) if number else plain_word(str(value))
        )
    return told


def _subject(row: pd.Series) -> str:
    number = str(row["enquiry_id"])
    parts = [row.get(name) for name in ("body_family", "stylus_profile", "cantilever_material")]
    about = ", ".join(plain_word(str(p)) for p in parts if p is not None and not pd.isna(p))
    return " · ".join(filter(None, ["" if number == "asked" else number, about])) or "one pickup"


def _headlines(row: pd.Series, policy: Policy) -> tuple[Headline, ...]:
    told = [Headline(*cell) for cell in tables.headline(row, policy)]
    low, high = tilt_words(row["tilt_deg_q05"]), tilt_words(row["tilt_deg_q95"])
    told[1] = Headline(
        "Tilt to expect", tilt_words(row["tilt_deg_q50"]), f"Nine in ten: from {low} to {high}."
    )
    return tuple(told)


def _what_was_told(told: dict[str, str], asked: str) -> Section:
    facts = "; ".join(f"{name} {value}" for name, value in told.items())
    lines = [f"{facts[:1].upper()}{facts[1:]}." if facts else "Nothing: the quote speaks of the whole fleet."]
    return Section("What was told", (*lines, *([asked] if asked else [])))


def _readings(draws: pd.DataFrame, row: pd.Series, policy: Policy) -> Section:
    shown = [q for q in charts.SHOWN if draws[q].notna().any()]
    pictures = tuple(charts.predictive(draws[q], q, policy) for q in shown)
    spherical = "" if len(shown) == len(charts.SHOWN) else " A spherical stylus has no rake."
    return Section(
        "What the bench will probably read, level headshell",
        pictures=pictures,
        abreast=3 if len(pictures) == 3 else 2,
        tables=(Table("", tables.quantiles(row)),),
        notes=(
            "Diamond: median. Thick line: half of such pickups; thin line: nine in ten. Green: the target "
            f"policy. Tilt: + is tail up.{spherical}",
            SIGNS,
        ),
    )


def _promises(row: pd.Series) -> tuple[Section, ...]:
    """Each outcome once: as good as sure, open, or hardly to be expected."""
    rows = []
    for name, words in OUTCOMES.items():
        chance = float(row[name])
        if chance == chance:
            said = SURE if chance >= SURE_FROM else OPEN if chance > 1.0 - SURE_FROM else OUT
            rows.append({"outcome": words, "chance": percent(chance), "what it means": said})
    table = pd.DataFrame(rows)
    order = table["what it means"].map({SURE: 0, OPEN: 1, OUT: 2})
    table = table.iloc[order.argsort(kind="stable")].reset_index(drop=True)
    return (Section("What can be promised, and what can't", tables=(Table("", table),)),)


def _tilt(
    draws: pd.DataFrame, row: pd.Series, policy: Policy, sentence: str, line: alt.LayerChart
) -> Section:
    pictures = [line]
    if draws["sra_dynamic_deg"].notna().any():
        pictures.append(charts.tilt_path(draws, row, policy))
    return Section(
        "What a tilt would buy",
        (sentence,),
        pictures=tuple(pictures),
        abreast=2,
        notes=("Tilt: + is tail up, the headshell level at 0.",),
    )


def _list(papers: list[Paper], table: pd.DataFrame, forecaster: Forecaster, on: date) -> Paper:
    """One line a quote, in the order of the papers that follow."""

    def ranges(name: str) -> list[str]:
        ends = zip(table[f"{name}_q05"], table[f"{name}_q95"], strict=True)
        return [span(a, b, digits=forecast_digits(name)) for a, b in ends]

    heads = {name: quantity(name).head for name in ("sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes")}
    lines = pd.DataFrame(
        {
            "enquiry": [p.subject for p in papers],
            heads["sra_dynamic_deg"]: ranges("sra_dynamic_deg"),
            heads["vta_dynamic_deg"]: ranges("vta_dynamic_deg"),
            "one tilt serves both": percents(table["p_both_met"]),
            "tilt": [tilt_words(t) for t in table["tilt_deg_q50"]],
            heads["bench_minutes"]: ranges("bench_minutes"),
        }
    )
    if table["price_quoted"].notna().any():
        lines["price"] = [NOT_KNOWN if pd.isna(p) else f"{p:g}" for p in table["price_quoted"]]
    return Paper(
        kind="quotes",
        subject=f"{len(papers)} enquiries",
        question="What will these pickups need?",
        answer=_answer(table),
        on=on,
        sections=(
            Section(
                "One line each; a paper of each follows",
                tables=(Table("", lines),),
                notes=("Ranges hold nine readings of ten, level headshell, record turning.",),
            ),
        ),
        cautions=(BENCH_DECIDES,),
        basis=basis_line(None, forecaster.house),
    )


def _answer(table: pd.DataFrame) -> str:
    n, both = len(table), float(table["p_both_met"].sum())
    minutes = float(table["bench_minutes_q50"].sum())
    return (
        f"{n} pickups: one tilt is expected to serve both targets in about {both:.0f} of them; the "
        f"medians of bench time add up to about {minutes / 60.0:.1f} hours."
    )

"""The statement on one unit, for a maker or a dispute: repeats, method, uncertainty, what is normal."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd

from fleet.faults.sentences import OFF_SIGMAS, digits_of
from fleet.numerals import count, number, plus_minus, unknown
from fleet.report.paper import Headline, Paper, Section, Table, basis_line
from fleet.words import HANDLING, NO_REPAIR, PRIVACY, SIGNS, plain_word, quantity

if TYPE_CHECKING:
    from fleet.faults.statement import Statement
    from fleet.faults.unit_life import Life
    from fleet.house_model.house import House

METHOD: Final = (
    "Readings are those of the bench's sheets: body on a level headshell, tracking force as told below, rake "
    "and tracking angle with the record still and turning. Instruments and procedure are the bench's own.",
    SIGNS,
)
NO_BLAME: Final = (
    "This statement says where stylus and generator were read to stand, and how sure that is. It names no "
    "cause and no one who caused it: making, transport and use can leave the same marks.",
    "Another bench may read otherwise: how far benches differ is not in these uncertainties.",
)


def statement_paper(stated: Statement, life: Life, house: House, *, on: date) -> Paper:
    """Lay a statement out; no serial, owner, family or maker is on it.

    Parameters
    ----------
    stated : of `fleet.faults.statement`.
    life : the unit's.
    house : what was judged by.
    on : the paper's day.
    """
    newest = life.visits.iloc[-1]
    kind = [newest.get(n) for n in ("stylus_profile", "cantilever_material")]
    about = ", ".join(plain_word(str(k)) for k in kind if not unknown(k))
    numbers = ", ".join(stated.visits) or "without a number"
    return Paper(
        kind="statement",
        subject=f"sheet{'s' * (len(stated.visits) > 1)} {numbers}{f' · {about}' if about else ''}",
        question="What was read of this unit, how, and how sure is it?",
        answer=stated.sentence,
        on=on,
        headlines=_headlines(stated),
        sections=(
            _readings(stated),
            _kind(stated),
            Section("What changed between visits", _changes(life)),
            Section("How it was read", (*METHOD, _conditions(newest))),
            Section("What this statement doesn't say", NO_BLAME),
        ),
        cautions=(NO_REPAIR, HANDLING, PRIVACY),
        basis=basis_line(None, house),
    )


def _headlines(stated: Statement) -> tuple[Headline, ...]:
    off = int(stated.kind["outside"].sum()) if len(stated.kind) else 0
    repeats = int(stated.readings["repeats"].max()) if len(stated.readings) else 0
    told = [Headline("Repeats", str(repeats), "Visits since the last change of the unit, at most so many.")]
    if len(stated.kind):
        note = f"Of {len(stated.kind)} quantities; {OFF_SIGMAS:g} sigmas or more from sound units."
        told.append(Headline("Outside its kind", str(off), note))
    return tuple(told)


def _readings(stated: Statement) -> Section:
    rows = []
    for row in stated.readings.to_dict("records"):
        own = quantity(str(row["reading"]))
        rows.append(
            {
                "reading": own.long,
                "repeats": str(row["repeats"]),
                "mean": own.figure(row["mean"]),
                "expanded uncertainty": plus_minus(row["uncertainty"], own.unit, own.digits),
            }
        )
    return Section(
        "What was read",
        lines=() if rows else ("Nothing was read.",),
        tables=(Table("", pd.DataFrame(rows)),) if rows else (),
        notes=(
            "Expanded uncertainty of the mean: two standard uncertainties (JCGM 100:2008), from what repeats "
            "of units show at this bench, operators and days among them.",
        ),
    )


def _kind(stated: Statement) -> Section:
    rows = []
    for row in stated.kind.to_dict("records"):
        own, digits = quantity(str(row["quantity"])), digits_of(str(row["quantity"]))
        normal = f"{number(row['normal'], digits)} {plus_minus(row['normal_half_width'], own.unit, digits)}"
        rows.append(
            {
                "quantity": own.long,
                "read": own.figure(row["read"], digits),
                "normal for its kind": normal,
                "off by": f"{number(row['sigmas'], 1)} sigmas",
                "judged": "outside" if row["outside"] else "normal",
            }
        )
    taught = count(round(stated.units), "unit")
    return Section(
        "What is normal for its kind",
        lines=() if rows else ("Not known here yet: no model has been taught.",),
        tables=(Table("", pd.DataFrame(rows)),) if rows else (),
        notes=(
            f"Expected of sound units of its make-up by a model that {taught} taught, this one's own sheet "
            "left out; ± two standard deviations of such units read once: nineteen of twenty lie within.",
        ),
    )


def _changes(life: Life) -> tuple[str, ...]:
    told = tuple(change.sentence for change in life.changes.values())
    return told or ("The unit was read once, or its assembly is another since: nothing is compared.",)


def _conditions(visit: pd.Series) -> str:
    told = [
        f"{quantity(n).short} {quantity(n).figure(visit[n])}"
        for n in ("vtf_mn", "temperature_c", "hours_used")
        if n in visit and not unknown(visit[n])
    ]
    return (
        f"At the last visit: {', '.join(told)}." if told else "Force and temperature were not written down."
    )

"""The sheet of one unit: what was read, how it stands against its kind, how to align it, before and after."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.alignment import WITHHELD
from fleet.alignment.readings import READ as WAS_READ
from fleet.alignment.targets import states
from fleet.attainment.peers import PAIRS
from fleet.charts import suspects as charts
from fleet.columns import COLUMNS
from fleet.numerals import figure, percent, percents, plus_minus
from fleet.report.paper import (
    Headline,
    Paper,
    Section,
    Table,
    basis_line,
    tilt_words,
    turn_words,
)
from fleet.words import (
    HANDLING,
    NO_REPAIR,
    PRIVACY,
    REMEDIES,
    SIGNS,
    fault_words,
    plain_word,
    quantity,
)

if TYPE_CHECKING:
    from fleet.alignment.alignment import Alignment
    from fleet.attainment.peers import PeerGroup
    from fleet.faults.one_unit import Verdict
    from fleet.faults.unit_life import Life
    from fleet.house_model.house import House
    from fleet.policy.policy import Policy

SPREAD_SIGMAS: Final = 2.0
READ: Final = (
    "sra_static_deg",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "zenith_deg",
    "azimuth_optical_deg",
    "azimuth_electrical_deg",
    "crosstalk_l_to_r_db",
    "crosstalk_r_to_l_db",
    "channel_balance_db",
    "tilt_room_deg",
    "vtf_mn",
    "compliance_um_per_mn",
    "cantilever_length_mm",
    "temperature_c",
    "hours_used",
)
_TURNS: Final = ("zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg")
_MET: Final = {1: "met", 0: "not met", -1: "not read"}


def unit_paper(
    sheet: pd.DataFrame,
    verdict: Verdict,
    cloud: PeerGroup,
    house: House,
    policy: Policy,
    *,
    on: date,
    earlier: pd.DataFrame | None = None,
    life: Life | None = None,
) -> Paper:
    """Lay one sheet out.

    Parameters
    ----------
    sheet : its one row, canonical columns.
    verdict : of `fleet.faults.one_unit`.
    cloud : its readings among its kind.
    house, policy : what it was judged by.
    on : the paper's day.
    earlier : all sheets of the unit, newest first; left out if it has no other.
    life : of the unit: what changed between its visits, and what its corrections gave.
    """
    row = sheet.iloc[0]
    sections = [
        _readings(row, house),
        _against_its_kind(cloud, verdict),
        _alignment(verdict),
        _before_and_after(sheet, policy),
    ]
    if earlier is not None and len(earlier) > 1:
        sections.append(Section("Every sheet of this unit", tables=(Table("", charts.unit_sheets(earlier)),)))
    if life is not None:
        sections.append(Section("Its life", (life.sentence, *life.found)))
    return Paper(
        kind="unit sheet",
        subject=_subject(row),
        question="Is this unit normal for its kind, and how is it to be aligned?",
        answer=verdict.sentence,
        on=on,
        headlines=_headlines(verdict, policy),
        sections=tuple(s for s in sections if s is not None),
        cautions=tuple(dict.fromkeys((*verdict.alignment.cautions, NO_REPAIR, HANDLING, PRIVACY))),
        basis=basis_line(policy, house),
    )


def _subject(row: pd.Series) -> str:
    kind = [row.get(n) for n in ("body_family", "stylus_profile", "cantilever_material", "assembly_source")]
    about = ", ".join(plain_word(str(k)) for k in kind if k is not None and not pd.isna(k))
    day = "" if pd.isna(row["measured_on"]) else f" · measured {pd.Timestamp(row['measured_on']):%Y-%m-%d}"
    return f"sheet {row['sheet_no']} · {about}{day}"


def _headlines(verdict: Verdict, policy: Policy) -> tuple[Headline, ...]:
    chance, leading = float(verdict.row["p_healthy"]), str(verdict.row["leading_fault"])
    sides = [verdict.alignment.known[name] for name in ("sra_dynamic_deg", "vta_dynamic_deg")]
    built_in = sides[0].value - sides[1].value if all(g.how == WAS_READ for g in sides) else np.nan
    edge = policy.rake_accepted_deg[0] - policy.tracking_limit_deg
    fault = float(verdict.row[f"p_{leading}"])
    told = [
        Headline(
            "Sound",
            percent(chance),
            f"Chance that nothing is wrong; likeliest fault: {fault_words(leading)} ({percent(fault)}).",
        ),
        Headline(
            "Built-in angle",
            figure(built_in, "°", 1),
            f"Rake less tracking angle, as read. One tilt can serve both from {edge:g}° on.",
        ),
    ]
    told += _to_set(verdict.alignment)
    return tuple(told)


def _to_set(alignment: Alignment) -> list[Headline]:
    """The tilt with what it gives, and how it is made; nothing where it is withheld."""
    if alignment.tilt.decision == WITHHELD:
        return []
    sides = (
        ("rake", "sra_dynamic_deg", alignment.rake),
        ("tracking angle", "vta_dynamic_deg", alignment.tracking),
    )
    how = {name: "" if alignment.known[name].how == WAS_READ else " (predicted)" for _, name, _ in sides}
    now = ", ".join(
        f"{words} {figure(angle.value, '°', 1)}{how[name]}"
        for words, name, angle in sides
        if angle.value == angle.value
    )
    return [
        Headline("Tilt to set", tilt_words(alignment.tilt.degrees), f"Gives {now}."),
        Headline("Made by", REMEDIES.get(alignment.remedy, alignment.remedy), "The arm or a wedge."),
    ]


def _readings(row: pd.Series, house: House) -> Section:
    rows = []
    for name in READ:
        value = _number(row.get(name))
        if value != value or name not in COLUMNS:
            continue
        own = quantity(name)
        said = turn_words(value, own.digits) if name in _TURNS else own.figure(value)
        noise = plus_minus(SPREAD_SIGMAS * house.noise.get(name, np.nan), own.unit, own.digits)
        rows.append({"reading": own.long, "read": said, "reading noise, two sigmas": noise})
    return Section(
        "What was read, level headshell",
        tables=(Table("", pd.DataFrame(rows)),) if rows else (),
        lines=() if rows else ("Nothing was read.",),
        notes=(
            SIGNS,
            "Zenith: the edge's line against the perpendicular to the cantilever. Noise: what the house "
            "model takes one reading to be worth.",
        ),
    )


def _against_its_kind(cloud: PeerGroup, verdict: Verdict) -> Section:
    pictures = [charts.pair_of_links(cloud, pair) for pair in PAIRS]
    return Section(
        "How it stands against its kind",
        (cloud.sentence,),
        pictures=tuple(p for p in pictures if p is not None),
        abreast=2,
        tables=(
            Table("Raw readings beside those of the others", charts.comparison_table(cloud)),
            Table("What is wrong, if anything", _faults(verdict)),
        ),
        notes=("Diamond: this unit. Dots: the others, as read; those far outside are left out.",),
    )


def _faults(verdict: Verdict, most: int = 5) -> pd.DataFrame:
    table = charts.chances(verdict.row).head(most)
    return pd.DataFrame({"what": table["name"], "chance": percents(table["chance"])})


def _alignment(verdict: Verdict) -> Section:
    lines = []
    if verdict.again:
        lines.append(f"Read {verdict.again}.")
    lines += verdict.alignment.lines
    return Section("How to align it", tuple(lines))


def _before_and_after(sheet: pd.DataFrame, policy: Policy) -> Section | None:
    """Both angles before and after the correction, where one was made or read again."""
    row = sheet.iloc[0]
    tilt = _number(row.get("tilt_applied_deg"))
    after = [_number(row.get(name)) for name in ("sra_after_deg", "vta_after_deg")]
    if tilt != tilt and all(a != a for a in after):
        return None
    before = [_number(row.get(name)) for name in ("sra_dynamic_deg", "vta_dynamic_deg")]
    met = {name: _MET[int(code[0])] for name, code in states(sheet, policy).items()}
    table = pd.DataFrame(
        [
            {
                "angle, record turning": words,
                "before": figure(b, "°", 2),
                "target before": met[f"{key}_level"],
                "after": figure(a, "°", 2),
                "target after": met[f"{key}_built"],
            }
            for words, key, b, a in zip(
                ("rake", "tracking angle"), ("rake", "tracking"), before, after, strict=True
            )
        ]
    )
    remedy = row.get("remedy")
    how = "" if remedy is None or pd.isna(remedy) else f", {REMEDIES.get(str(remedy), str(remedy))}"
    set_to = "No tilt is told" if tilt != tilt else f"Tilt applied: {tilt_words(tilt)}{how}"
    return Section(
        "Before and after",
        (f"{set_to}.",),
        tables=(Table("", table),),
        notes=(
            "Where an angle wasn't read again afterwards, the target after is judged by the level reading "
            "plus the applied tilt.",
        ),
    )


def _number(value: object) -> float:
    return float("nan") if value is None or pd.isna(value) else float(str(value))  # type: ignore[call-overload]

"""The owner's card: what was found, what to set and what to check, on one page, in an owner's words."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.alignment.alignment import DO, LEAVE, WITHHELD
from fleet.charts import alignment as drawings
from fleet.charts import planes
from fleet.numerals import NOT_KNOWN, figure, span
from fleet.policy.remedies import price
from fleet.report.paper import Field, Paper, Section, Table, tilt_words, turn_words
from fleet.words import CLEARANCE, FAULT_WORDS, HANDLING, NO_REPAIR, REMEDIES, plain_word

if TYPE_CHECKING:
    import altair as alt

    from fleet.alignment.alignment import Alignment
    from fleet.faults.one_unit import Verdict
    from fleet.policy.policy import Policy

MN_PER_GRAM: Final = 9.80665
VALID_DAYS: Final = 30
"""How long a card's price stands where nothing else is said (common practice, no source)."""
SURE: Final = ((0.9, "Very probably:"), (0.7, "Probably:"), (0.4, "Perhaps:"))
"""A chance from so much on, as a word; below the last it is only one of several causes (our choice)."""


def owner_card(
    sheet: pd.DataFrame,
    verdict: Verdict,
    policy: Policy,
    *,
    on: date,
    workshop: str = "",
    reference: str = "",
    valid_days: int = VALID_DAYS,
) -> Paper:
    """Lay the card out.

    Parameters
    ----------
    sheet : the unit's sheet, one row, canonical columns.
    verdict : of `fleet.faults.one_unit`, with the alignment.
    policy : its targets, and its rates for the price.
    on : the card's day.
    workshop, reference : as they shall stand on it; a ruled line where empty.
    valid_days : how long the price stands.
    """
    row, found = sheet.iloc[0], verdict.alignment
    return Paper(
        kind="owner's card",
        subject=_subject(row),
        question="Your pickup: what we found, and how to set it",
        answer=f"{found_words(verdict)} {outcome_words(found, policy)}",
        on=on,
        sections=(_before_and_after(sheet, found, policy), *_drawings(found, policy), _steps(row, found)),
        cautions=(CLEARANCE, HANDLING, NO_REPAIR),
        fields=_fields(row, found, policy, workshop, reference or str(row["sheet_no"]), on, valid_days),
    )


def _subject(row: pd.Series) -> str:
    told = [row.get(n) for n in ("stylus_profile", "cantilever_material", "body_family")]
    return " · ".join(plain_word(str(v)) for v in told if isinstance(v, str)) or "pickup"


def found_words(verdict: Verdict) -> str:
    """What was found, as sure as it is."""
    healthy, leading = float(verdict.row["p_healthy"]), str(verdict.row["leading_fault"])
    if healthy >= 0.5:
        return "It measures as pickups of its kind do." if healthy >= SURE[0][0] else (
            "It measures nearly as pickups of its kind do; we shall look at it once more."
        )  # fmt: skip
    chance = float(verdict.row[f"p_{leading}"])
    word = next((w for least, w in SURE if chance >= least), None)
    if word is None:
        return "It doesn't measure as its kind does, and several causes are possible; we measure again."
    cause = FAULT_WORDS[leading].cause.replace("probably ", "")
    if leading in ("misread", "other"):
        return f"It doesn't measure as its kind does. {word} {cause}; we measure again."
    return f"It doesn't measure as its kind does. {word} {cause}; that is for its maker to mend."


def outcome_words(found: Alignment, policy: Policy) -> str:
    """What the setting gives, in a sentence."""
    wide, limit = policy.rake_accepted_deg, policy.tracking_limit_deg
    if found.tilt.decision == WITHHELD:
        return "How far to tilt it we can say only once everything is read."
    aim = f"{wide[0]:g} to {wide[1]:g}° of rake"
    both = "The setting below serves the whole of what we aim for."
    one = "One setting can't serve everything here: it serves the {}, and comes as near as it may to {}."
    said = {
        "both": both,
        "rake_only": one.format(f"stylus ({aim})", f"{limit:g}° of tracking angle"),
        "tracking_only": one.format(f"tracking angle (up to {limit:g}°)", aim),
        "neither": "No setting reaches what we aim for; the one below comes nearest.",
    }
    return said.get(found.outcome, "The setting below stands on what could be read.")


def _before_and_after(sheet: pd.DataFrame, found: Alignment, policy: Policy) -> Section:
    row = sheet.iloc[0]
    wide = policy.rake_accepted_deg
    angles = (
        ("Rake: how upright the stylus stands", "sra", found.rake.value, span(*wide, "°", 1)),
        ("Tracking angle of the cantilever", "vta", found.tracking.value,
         f"up to {figure(policy.tracking_limit_deg, '°', 1)}"),
    )  # fmt: skip
    rows = []
    for words, name, worked_out, aim in angles:
        before, after = _number(row.get(f"{name}_dynamic_deg")), _number(row.get(f"{name}_after_deg"))
        if before != before and after != after:
            continue
        reached = after if after == after else worked_out
        how = "measured" if after == after else "worked out"
        said = NOT_KNOWN if reached != reached else f"{figure(reached, '°', 1)} ({how})"
        rows.append(
            {"angle, record turning": words, "before": figure(before, "°", 1), "after": said, "aim": aim}
        )
    for words, name, correction in (
        ("Lean to the side, by its channels", "azimuth_electrical_deg", found.roll),
        ("Twist of the stylus, from below", "zenith_deg", found.turn),
    ):
        value = _number(row.get(name))
        if value == value:
            after_words = "set straight" if correction.decision == DO else "left as it is"
            cells = {"before": turn_words(value), "after": after_words, "aim": "none"}
            rows.append({"angle, record turning": words, **cells})
    return Section(
        "Before and after",
        lines=() if rows else ("Its angles were not read.",),
        tables=(Table("", pd.DataFrame(rows)),) if rows else (),
    )


def _drawings(found: Alignment, policy: Policy) -> tuple[Section, ...]:
    """The two angles before and after, the wedge from the side, roll and turn."""
    drawn = [
        _plane(found, policy),
        drawings.wedge_side(found, policy),
        drawings.turned_body(found.roll.degrees, "Roll, facing the nose"),
        drawings.turned_body(found.turn.degrees, "Turn, seen from above"),
    ]
    there = tuple(chart for chart in drawn if chart is not None)
    if not there:
        return ()
    named = ["rake against tracking angle: diamond before, ring after, box our aim"] if drawn[0] else []
    named += ["the wedge from the side, nose on the left"] if drawn[1] else []
    named += ["roll, facing the nose"] if drawn[2] else []
    named += ["turn, seen from above"] if drawn[3] else []
    note = f"From the left: {'; '.join(named)}."
    return (Section("What it looks like", pictures=there, abreast=len(there), notes=(note,)),)


def _plane(found: Alignment, policy: Policy) -> alt.LayerChart | None:
    rake, tracking = found.known["sra_dynamic_deg"], found.known["vta_dynamic_deg"]
    if not (rake.usable and tracking.usable) or found.tilt.decision == WITHHELD:
        return None
    own = (tracking.value, rake.value)
    after = (own[0] + found.tilt.degrees, own[1] + found.tilt.degrees)
    return planes.one_unit(own, after, policy)


def _steps(row: pd.Series, found: Alignment) -> Section:
    lines = [*_mounting(row, found), *_turns(found)]
    if found.tilt.decision == WITHHELD:
        lines = ["Leave it level until the rest is read.", *lines]
    lines.append(
        "Play a record that doesn't matter: nothing may touch it, both channels sound, nothing distorts."
    )
    way = found.mounting
    heights = []
    if way.kind != "none" and found.tilt.decision == DO:
        sides = (("nose", way.nose_mm), ("tail", way.tail_mm), ("outer edge", way.outer_mm),
                 ("inner edge", way.inner_mm), ("at the screws", way.holes_mm))  # fmt: skip
        heights = [{name: figure(mm, "mm", 2) for name, mm in sides}]
    table = (Table("Thickness of the wedge", pd.DataFrame(heights)),) if heights else ()
    return Section("How to set it, in this order", tuple(lines), tables=table)


def _mounting(row: pd.Series, found: Alignment) -> list[str]:
    """Wedge or arm, then height, force and overhang."""
    if found.tilt.decision == LEAVE:
        return ["Leave the headshell level: a tilt would bring it no nearer to where it belongs."]
    if found.tilt.decision != DO:
        return [] if found.tilt.decision == WITHHELD else ["No tilt is needed: headshell level."]
    way, lines = found.mounting, []
    if way.kind == "none":
        lines.append(
            f"Set the arm so that the body stands {tilt_words(found.tilt.degrees)}; no wedge is needed."
        )
    else:
        thick = "tail" if way.tail_mm > way.nose_mm else "nose"
        lines.append(
            f"Put {REMEDIES.get(way.kind, way.kind)} of {tilt_words(way.tilt_deg)} between pickup and "
            f"headshell, its thick end ({figure(max(way.tail_mm, way.nose_mm), 'mm', 1)}) at the {thick}."
        )
    if abs(_number(way.arm_rise_mm)) >= 0.05:
        up = "Raise" if way.arm_rise_mm > 0 else "Lower"
        lines.append(
            f"{up} the arm by {figure(abs(way.arm_rise_mm), 'mm', 1)}, so that the headshell is level."
        )
    force = _number(row.get("vtf_mn"))
    if force == force:
        grams = figure(force / MN_PER_GRAM, "g", 2)
        lines.append(
            f"Balance the arm anew, then set the tracking force to {grams} ({figure(force, 'mN', 1)})."
        )
    if abs(_number(way.mount_shift_mm)) >= 0.05:
        side = "further back" if way.mount_shift_mm > 0 else "further forward"
        lines.append(
            f"The tip now sits {figure(abs(way.mount_shift_mm), 'mm', 1)} off its old place: set the "
            f"overhang again, the body {side} by as much."
        )
    return lines


def _turns(found: Alignment) -> list[str]:
    lines = []
    if found.roll.decision == DO:
        by = "the wedge does it" if found.mounting.roll_deg else "at the headshell"
        lines.append(f"Facing the nose, the body is to be rolled {turn_words(found.roll.degrees)}: {by}.")
    if found.turn.decision == DO:
        lines.append(f"Seen from above, turn the body {turn_words(found.turn.degrees)}.")
    return lines


def _fields(
    row: pd.Series, found: Alignment, policy: Policy, workshop: str, reference: str, on: date, valid_days: int
) -> tuple[Field, ...]:
    minutes = _number(row.get("bench_minutes"))
    cost = float(price(minutes, found.remedy == "made_wedge", policy)) if minutes == minutes else np.nan
    money = "" if cost != cost else f"{cost:g} {policy.currency}".rstrip()
    until = f", valid until {(on + timedelta(days=valid_days)).isoformat()}"
    return (
        Field("Workshop", workshop),
        Field("Reference", reference),
        Field("Price", f"{money}{until}" if money else ""),
        Field("Date", on.isoformat()),
        Field("Signature", ""),
    )


def _number(value: object) -> float:
    return float("nan") if value is None or pd.isna(value) else float(str(value))  # type: ignore[call-overload]

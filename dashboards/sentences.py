"""Words the pages add to a judgement: the answer of an attainment table, and what to do next. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from fleet.alignment.alignment import WITHHELD
from fleet.numerals import count, day, percent, unknown
from fleet.report.paper import policy_words
from fleet.words import CLEARANCE, HANDLING, NO_REPAIR, PRIVACY, fault_words, plain_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from fleet.attainment.distributions import Distribution
    from fleet.faults.one_unit import Verdict
    from fleet.intake import IntakeReport
    from fleet.policy.policy import Policy

BEFORE_READING: Final = (
    "Say what is known of the unit: family, stylus, cantilever and source decide what is normal.",
    "Read rake and tracking angle with the record turning, then rake with the record still.",
    HANDLING,
)


def alignment(verdict: Verdict) -> list[tuple[str, str]]:
    """The steps of one unit's alignment, each as a heading and a sentence; what isn't read says so."""
    return [(f"{heading}:", text) for heading, text in verdict.alignment.steps]


def alignment_cautions(verdict: Verdict) -> list[str]:
    """What to mind while aligning, each once."""
    return [c for c in verdict.alignment.cautions if c not in (NO_REPAIR, HANDLING)]


AFTER_NORMAL: Final = (
    "Click a mark or a row: the unit's page says what it reads, what is likely wrong and how to align it.",
    "Choose one kind to see what is foretold for it beside what was read.",
    NO_REPAIR,
)


def units_shown(units: pd.DataFrame, judged: int, sentence: str) -> str:
    """The judgement's own sentence, and where filters hide some how many units are shown and flagged."""
    if len(units) == judged:
        return sentence
    flagged = int(units["flagged"].sum()) if len(units) else 0
    return f"{sentence} Shown here: {count(len(units), 'unit')}, {flagged} of them flagged."


def plane_read(policy: Policy, *, kind: bool) -> str:
    """How to read the plane of rake and tracking angle."""
    lines = (
        f"Boxes: {policy_words(policy)}. A tilt moves a unit along 45°; below the dashed line no tilt serves "
        "both targets."
    )
    rings = " Blue lines hold half and nine in ten of what is foretold for this kind."
    return lines + (rings if kind else " Choose one kind to see what is foretold for it.")


FAULT_WAYS: Final = (
    "Dashed: the ways that a canted stylus, a rolled generator and a rolled assembly move a unit."
)
AFTER_SUSPECTS: Final = (
    "Click a row: the unit's page says why, shows its readings as typed, and takes what it turned out to be.",
    NO_REPAIR,
    HANDLING,
)
AFTER_NO_UNIT: Final = (
    "The page Normal marks every flagged unit; Suspects lists them; Sheets finds any sheet by its number.",
    HANDLING,
)


def unit_heading(sheet: pd.Series) -> str:
    """A sheet with its unit's make-up, as a heading."""
    names = ("stylus_profile", "cantilever_material", "body_family", "assembly_source")
    told = [plain_word(str(sheet[n])) for n in names if isinstance(sheet.get(n), str)]
    return " · ".join([f"Sheet {sheet['sheet_no']}", *told, f"measured {day(sheet['measured_on'])}"])


def known_outcome(outcome: str) -> str:
    """What a unit turned out to be, and what that record is for."""
    return (
        f"Recorded: {fault_words(outcome)}. It counts in how often such flags were right and in the shares "
        "of faults that later units are judged by; a later verdict replaces it."
    )


def place(sheet: pd.DataFrame, x: str, y: str) -> tuple[float, float] | None:
    """Two readings of a sheet as a point; None where one wasn't taken."""
    told = sheet[[x, y]].astype(float).iloc[0]
    return None if told.isna().any() else (float(told[x]), float(told[y]))


AFTER_SHEETS: Final = (
    "New sheets teach the model only once it is fitted again: here after an intake, or by `fleet refit`.",
    "An intake that went wrong is taken back whole: `fleet undo NUMBER`.",
    "Names, addresses and free remarks have no place on a sheet.",
    PRIVACY,
)


def looked_at(report: IntakeReport) -> str:
    """What an intake of a file would do, in a sentence."""
    corrected = f" ({report.superseded} of them corrections)" if report.superseded else ""
    return (
        f"{report.file}: {count(report.rows_read, 'row')} read, {report.accepted} would go in{corrected}, "
        f"{report.already_there} are there already, {report.put_aside} would be put aside. "
        "Nothing is stored yet."
    )


def store_sentence(sheets: int, of_units: int, intakes: int) -> str:
    """What the store holds, in a sentence."""
    return (
        f"{count(sheets, 'sheet')} from {count(intakes, 'intake')}: {of_units} of units, "
        f"{sheets - of_units} of check pickups."
    )


def sheets_found(hits: int, searched: int, held: int, most: int) -> str:
    """How many sheets a search found, among how many, and how many of them are listed."""
    listed = f", the newest {most} listed" if hits > most else ""
    among = f"the newest {searched} of {held}" if searched < held else str(searched)
    return f"{count(hits, 'sheet')} of {among} found{listed}. Click a row: the unit's page."


def versions(number: str, history: pd.DataFrame) -> str:
    """How often a sheet came in, in a sentence."""
    undone = int(history["undone_at"].notna().sum())
    more = f", {undone} of them undone" if undone else ""
    return f"Sheet {number}: {count(len(history), 'version')}{more}; the last that isn't undone counts."


def after_judging(verdict: Verdict) -> list[str]:
    """What to do with one unit's verdict."""
    lines, row = [], verdict.row
    if row["flagged"]:
        lines.append("Don't align it yet: two readings that agree first, then tell whoever it belongs to.")
    elif not verdict.again and verdict.alignment.tilt.decision != WITHHELD:
        lines.append("Go on with the alignment, read rake and tracking angle again afterwards, and save.")
    return [*lines, NO_REPAIR, HANDLING]


def what_if_answer(whole: pd.DataFrame, title: str) -> str:
    """What another policy would change for all units, in a sentence."""
    row = whole.iloc[0]
    if not row["n"]:
        return "No unit was read that could tell."
    return (
        f"{title[:1].upper()}{title[1:]}: {percent(row['rate'])} of {count(int(row['n']), 'unit')} become "
        f"{percent(row['rate_other'])}; {count(int(row['gained']), 'unit')} would be gained, "
        f"{count(int(row['lost']), 'unit')} lost."
    )


def trend_lines(trends: pd.DataFrame, by: list[str], *, most: int = 3) -> list[str]:
    """Sentences of the clearest trends, the surest first; those that chance explains are left out."""
    clear = trends[trends["q_value"] < 0.05].sort_values("q_value").head(most)
    if clear.empty:
        return ["No group's rate rises or falls by more than chance explains (5 % false-discovery rate)."]
    lines = []
    for row in clear.to_dict("records"):
        group = " · ".join(plain_word(str(row[name])) for name in by)
        lines.append(f"{group}: {row['sentence']}" if group else str(row["sentence"]))
    return lines


def after_quote(row: Mapping[str, Any]) -> list[str]:
    """What to do with a quote, by its chances."""
    lines = []
    if row["p_conflict_built_in"] >= 0.5:
        lines.append("Tell the owner before bench time that one tilt will probably not serve both targets.")
    elif row["p_conflict_reach"] >= 0.3:
        served = "the tracking angle" if unknown(row["p_rake_met"]) else "both targets"
        lines.append(f"Ask how much room the body has: the tilt room decides whether {served} can be met.")
    if row["p_made_wedge"] >= 0.5:
        lines.append("Plan for a wedge made to measure, but make it only after the unit was read.")
    if row["p_faulty"] >= 0.1:
        lines.append(f"{percent(row['p_faulty'])} of such units turn out faulty: don't promise a result.")
    return [*lines, CLEARANCE]


BEFORE_FIRST_FIT: Final = (
    "Take bench sheets in and fit the model: quotes then follow your own bench, "
    "and can be kept for the record."
)


def what_it_changed(before: pd.DataFrame, after: pd.DataFrame, unit: str) -> str:
    """What a verdict, given or taken back, changed in the list of suspects.

    Parameters
    ----------
    before, after : `Listed.table`
    unit : whose verdict it was.
    """
    flags = [int(t.loc[t["flagged"].astype(bool), "unit"].nunique()) for t in (before, after)]
    sound = [t.loc[t["unit"].astype(str) == unit, "p_healthy"] for t in (before, after)]
    said = f"{count(flags[1], 'unit')} flagged ({flags[0]} before)"
    if all(len(s) for s in sound):
        now, then = (percent(float(s.iloc[0])) for s in reversed(sound))
        said += f"; this unit sound: {now} ({then} before)"
    return f"{said}. The shares of faults that later units are judged by moved with it."


def passing_sentence(table: pd.DataFrame, shown: pd.DataFrame) -> str:
    """How many of the units judged, and of those flagged, pass the filters."""
    flagged = table[table["flagged"].astype(bool)]
    own = shown[shown["flagged"].astype(bool)]
    judged, marked = count(shown["unit"].nunique(), "unit"), own["unit"].nunique()
    every = flagged["unit"].nunique()
    return f"With these filters: {judged} listed, {marked} of them among the {every} flagged."


def after_suspect(row: Mapping[str, Any]) -> list[str]:
    """What to do with one sheet's unit, beyond the advice in its own sentence."""
    if not row["flagged"] and row["p_healthy"] >= 0.5:
        return ["Nothing stands out: go on with the alignment.", NO_REPAIR, HANDLING]
    lines = ["Read again before judging: two readings that agree are worth more than one that surprises."]
    if row["leading_fault"] == "misread":
        lines.append("Was it a slip? A corrected sheet goes in with `fleet intake FILE --supersede`.")
    return [*lines, NO_REPAIR, HANDLING]


def asked_like(row: Mapping[Any, Any]) -> dict[str, str]:
    """Address of an enquiry about a pickup of the same make-up."""
    names = ("stylus_profile", "cantilever_material", "assembly_source", "body_family")
    told = {name: row.get(name) for name in names}
    return {name: value for name, value in told.items() if isinstance(value, str)}


def after_attainment(whole: pd.DataFrame) -> list[str]:
    """What an owner of a bench may do about the rates."""
    lines = []
    row = whole.iloc[0] if len(whole) else None
    if row is not None and row["conflict_built_in_n"]:
        built_in, reach = row["conflict_built_in_rate"], row["conflict_reach_rate"]
        if built_in >= reach:
            lines.append(
                "The built-in angle stands in the way most: that is the maker's, so show it to the maker."
            )
        else:
            lines.append(
                "Room or lower limit stand in the way most: lower bodies or thinner wedges would help."
            )
    lines.append("Compare sources only where their intervals are apart; a handful of units proves little.")
    lines.append(
        "`fleet attainment --by kind --publish --out attainment.csv` writes figures fit for other eyes."
    )
    return lines


def after_distribution(found: Distribution) -> list[str]:
    """What to make of a comparison of groups."""
    few = found.table.loc[found.table["median_low"].isna(), "group"]
    lines = []
    if len(few):
        names = ", ".join(plain_word(str(g)) for g in few.head(4)) + (" and others" if len(few) > 4 else "")
        lines.append(f"Too few units to lean on: {names}. Go by the house model there, and measure more.")
    lines.append("Two groups differ for sure only where their intervals are apart.")
    lines.append("A pickup of one of these kinds to be quoted? The enquiry page takes it from here.")
    return lines

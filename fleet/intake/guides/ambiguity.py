"""Columns whose names leave open what they are, or that the figures contradict: what is asked of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import mean

from fleet.intake.guides.evidence import evidence, figures
from fleet.intake.guides.guide import Guide, Rule
from fleet.intake.guides.headers import Meaning
from fleet.intake.guides.questions import Choice, Question
from fleet.intake.guides.sample import Sample

Chosen = dict[int, tuple[float, Rule, str]]
"""How sure, as what, and why, by the place of the column."""
_MAY_HOLD = 0.8
_MOST_OFFERED = 6
_LEAST_SAG = -0.1
"""A still rake below the turning one by more, on average, contradicts its name (sags begin at 0.25°)."""


def which(
    ours: list[tuple[float, int, Rule, Meaning]], open_: str, chosen: Chosen, targets: set[str]
) -> Question | None:
    """Ask how columns were read whose names don't say it."""
    as_first: dict[str, Mapping[str, str] | None] = {}
    as_second: dict[str, Mapping[str, str] | None] = {}
    for sure, place, rule, meaning in ours:
        options = [to for to in (meaning.to, *meaning.others) if to not in targets]
        if not options:
            continue
        targets |= set(options)
        turning = next((to for to in options if "static" not in to and "optical" not in to), None)
        still = next((to for to in options if "static" in to or "optical" in to), None)
        as_first[rule.header] = {"to": turning} if turning else None
        as_second[rule.header] = {"to": still} if still else None
        chosen[place] = (sure, replace(rule, to=turning or options[0]), meaning.why)
    if not as_first:
        return None
    names = " and ".join(as_first)
    first, second = (
        ("record turning", "record still") if open_ == "still or turning" else ("electrical", "as seen")
    )
    out = dict.fromkeys(as_first)
    choices = [
        Choice(f"{words}{_places(rules)}", rules) for words, rules in ((first, as_first), (second, as_second))
    ]
    if len(as_first) > 1:
        mixed = {header: {**as_first, header: as_second[header]} for header in as_first}
        choices += [
            Choice(f"{header} {second}, the rest {first}{_places(rules)}", rules)
            for header, rules in mixed.items()
        ]
    verb = (
        "read with the record still or turning" if first == "record turning" else "seen or found electrically"
    )
    return Question(
        tuple(as_first), f"Was {names} {verb}?", (*choices, Choice("neither, or not known: leave out", out))
    )


def _places(rules: Mapping[str, Mapping[str, str] | None]) -> str:
    out = [header for header, rule in rules.items() if rule is None]
    return f" ({', '.join(out)} is left out then)" if out else ""


def pair(
    ours: list[tuple[float, int, Rule, Meaning]],
    chosen: Chosen,
    targets: set[str],
    table: Sample,
    base: Guide,
) -> Question:
    """Ask which of two columns is which; of two rakes the numbers say which lies higher."""
    (sure, place, rule, meaning), (_, other_place, other, _) = ours
    first, second = meaning.to, meaning.others[0]
    hint = ""
    if rule.to == "sra_static_deg":
        above = _mean_difference(rule, other, place, other_place, table, base)
        if above is not None:
            high, low = (rule, other) if above > 0 else (other, rule)
            hint = (
                f" {high.header} lies {abs(above):.2f}° above {low.header} on average, and still lies higher."
            )
            if above < 0:
                first, second = second, first
    targets |= {first, second}
    chosen[place] = (sure, replace(rule, to=first), meaning.why)
    chosen[other_place] = (sure, replace(other, to=second), meaning.why)
    ways = ((first, second), (second, first))
    return Question(
        (rule.header, other.header),
        f"Which of {rule.header} and {other.header} is which?{hint}",
        (
            *(
                Choice(
                    f"{rule.header} is {a}, {other.header} is {b}",
                    {rule.header: {"to": a}, other.header: {"to": b}},
                )
                for a, b in ways
            ),
            Choice("not known: leave both out", {rule.header: None, other.header: None}),
        ),
    )


def _mean_difference(
    one: Rule, other: Rule, place: int, other_place: int, table: Sample, base: Guide
) -> float | None:
    pairs = zip(
        figures(one, base, table.cells[place]), figures(other, base, table.cells[other_place]), strict=True
    )
    both = [a - b for a, b in pairs if a is not None and b is not None]
    return mean(both) if both else None


def ask_if_swapped(chosen: Chosen, table: Sample, base: Guide) -> list[Question]:
    """Ask where the rake said to be still lies below the one said to turn."""
    at = {rule.to: (place, rule) for place, (_, rule, _) in chosen.items()}
    if not {"sra_static_deg", "sra_dynamic_deg"} <= set(at):
        return []
    (place, still), (other_place, turning) = at["sra_static_deg"], at["sra_dynamic_deg"]
    sag = _mean_difference(still, turning, place, other_place, table, base)
    if sag is None or sag >= _LEAST_SAG or still.header == still.to:
        return []
    other_way = {
        still.header: {"to": turning.to},
        turning.header: {"to": still.to},
    }
    return [
        Question(
            (still.header, turning.header),
            f"{still.header} lies {-sag:.2f}° below {turning.header} on average; a turning record draws the "
            "rake down. Which is right?",
            (
                Choice("the names are swapped", other_way),
                Choice("the names are right"),
                Choice("not known: leave both out", dict.fromkeys(other_way)),
            ),
        )
    ]


def which_holds(
    to: str, headers: Mapping[int, str], table: Sample, base: Guide
) -> tuple[int, Rule, Question] | None:
    """The likeliest of the columns that are left for one that every sheet needs, and which of them it is.

    Parameters
    ----------
    to : the canonical column that no name tells.
    headers : names of the columns that may hold it, by place.
    table, base : the file's first rows, and how it is written.

    Returns
    -------
    (place, rule, question), None where the cells of no column could be it.
    """
    found = [(evidence(Rule(h, to), "", table.cells[place], base), place) for place, h in headers.items()]
    may = [
        (rule, place)
        for (rule, share), place in found
        if share >= _MAY_HOLD and _could_be(to, table.cells[place])
    ]
    if not may:
        return None
    first, place = may[0]
    choices = [Choice(first.header)]
    for other, _ in may[1:_MOST_OFFERED]:
        settings = {name: getattr(other, name) for name in ("header", "words", "empty", "blanks", "ditto")}
        choices.append(Choice(other.header, {first.header: settings}))
    choices.append(Choice("none of these", {first.header: None}))
    column = first.column
    text = f"Which column holds {to}, {column.note or column.accepts}?"
    return place, first, Question((first.header,), text, tuple(choices))


def _could_be(to: str, cells: Sequence[str]) -> bool:
    """Whether cells recur as a kind's name does, or don't, as a sheet's number."""
    told = [cell for cell in cells if cell]
    different = len(set(told))
    if to == "body_family":
        lettered = sum(any(c.isalpha() for c in cell) for cell in told)
        return 1 < different <= 0.6 * len(told) and lettered > 0.5 * len(told)
    return bool(told) and (to != "sheet_no" or different > 0.95 * len(told))

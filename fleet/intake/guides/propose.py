"""Drafting a reading guide from a file: headers in many spellings, values as evidence, questions in doubt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from pathlib import Path

from fleet.columns import COLUMNS
from fleet.errors import UnreadableFileError
from fleet.intake.columnar import TypedNumber
from fleet.intake.faults import printable_header
from fleet.intake.guides import sample
from fleet.intake.guides.ambiguity import Chosen, ask_if_swapped, pair, which, which_holds
from fleet.intake.guides.draft import as_toml
from fleet.intake.guides.evidence import (
    date_is_certain,
    date_order,
    decimal_of,
    evidence,
    figures,
    other_units,
)
from fleet.intake.guides.guide import ANY_OTHER, CHECK, Guide, Rule, is_personal, names_serials
from fleet.intake.guides.headers import FREQUENCY, SURE, Meaning, meanings, says_when, split_header
from fleet.intake.guides.questions import SIGNS, Choice, Question, date_question, sign_question, with_asks
from fleet.intake.guides.rows import ask_of_rows, said_of_rows, splits
from fleet.intake.guides.sample import Sample
from fleet.numerals import percent

_LEAST = 0.3
_DOUBTFUL = 0.5


@dataclass(frozen=True)
class Read:
    """What one column of a file is taken for.

    Attributes
    ----------
    header, place : its header and place, from 0.
    rule : what it is read as, None if it is left alone.
    sure : how sure that is, 0 to 1.
    why : what speaks for it, or why it is left alone.
    """

    header: str
    place: int
    rule: Rule | None
    sure: float
    why: str


@dataclass(frozen=True)
class Proposal:
    """A drafted guide.

    Attributes
    ----------
    guide : the draft, with its questions standing in the rules that they are about.
    columns : every column of the file that has a header, in its order.
    open : the questions, to be answered one by one (`fleet.intake.guides.questions.with_answer`).
    table : the file's first rows.
    """

    guide: Guide
    columns: tuple[Read, ...]
    open: tuple[Question, ...]
    table: Sample

    @property
    def confidence(self) -> Mapping[str, float]:
        """How sure each mapped header is, 0 to 1."""
        return {read.header: read.sure for read in self.columns if read.rule}

    @property
    def left_out(self) -> tuple[str, ...]:
        """Headers that were given no meaning, by name if it looks like a code, else by place."""
        return tuple(printable_header(read.header, read.place + 1) for read in self.columns if not read.rule)

    @property
    def lacks(self) -> tuple[str, ...]:
        """Columns that every sheet needs and the file seems not to have."""
        found = {rule.to for rule in self.guide.rules}
        return tuple(name for name, column in COLUMNS.items() if column.required and name not in found)

    @property
    def toml(self) -> str:
        """The draft as the text of a guide file."""
        return self.text_of(self.guide)

    def text_of(self, guide: Guide) -> str:
        """A guide made of the draft by answers, as the text of its file."""
        remarks = {read.header: f"sure to {percent(read.sure)}: {read.why}" for read in self.columns}
        return as_toml(guide, remarks)

    @property
    def sentence(self) -> str:
        """What was found, in one sentence."""
        n_asked = len(self.open)
        return (
            f"{len(self.guide.rules)} columns recognised, {n_asked} question{'' if n_asked == 1 else 's'} "
            f"to answer, {len(self.left_out)} columns left out."
        )


def propose_guide(path: Path | str) -> Proposal:
    """Read a file's headers and first rows and draft a guide for it.

    Parameters
    ----------
    path : a CSV, workbook or Parquet file of one bench.

    Raises
    ------
    UnreadableFileError
        If the file can't be read as a table, or none of its columns is recognised.
    """
    table = sample.take(path)
    base = Guide(
        rules=(),
        delimiter=table.delimiter,
        encoding=table.encoding,
        decimal=decimal_of(table.cells),
        dates=date_order(table.cells),
        header_rows=table.header_rows,
        skip=table.skip,
    )
    found: list[tuple[float, int, Rule, Meaning]] = []
    alone: dict[int, str] = {}
    for place, header in enumerate(table.headers):
        if not header.strip():
            continue
        if is_personal(header):
            alone[place] = "is about a person or free text, and never read"
            continue
        said, unit = _said(table, place)
        alone[place] = next((m.why for m in said if not m.to), "has no name that is known")
        for meaning in said:
            if meaning.to:
                rule, borne_out = evidence(Rule(header, meaning.to), unit, table.cells[place], base)
                sure = 1.0 if header in COLUMNS else meaning.named
                sure = (
                    sure * borne_out if header not in COLUMNS else (1.0 if borne_out > _LEAST else _DOUBTFUL)
                )
                found.append((sure, place, rule, meaning))
                alone[place] = (
                    "its figures or words don't fit its name" if borne_out <= _LEAST else alone[place]
                )
    chosen, asking = _choose(found, table, base)
    if not chosen:
        raise UnreadableFileError(
            f"no column of {Path(path).name} is recognised; write the guide by hand (fleet explain guide)."
        )
    asking += _ask_what_is_needed(chosen, alone, table, base)
    in_order = [chosen[place][1] for place in sorted(chosen)]
    rules = [replace(rule, optional=rule.header in table.partial) for rule in in_order]
    of_rows = said_of_rows(table, {place: rule for place, (_, rule, _) in chosen.items()})
    guide = replace(base, rules=tuple(rules), constant=_frequency(rules), rows=of_rows)
    asked = {header for question in asking for header in question.about}
    split = splits(table, {*of_rows, *(rule.header for rule in rules)})
    parted = ask_of_rows(split, rules[0].header)
    questions = [*asking, *_doubts(chosen, guide, table, asked), *([parted] if parted else [])]
    reads = tuple(
        Read(header, place, chosen[place][1], *chosen[place][::2])
        if place in chosen
        else Read(header, place, None, 0.0, alone[place])
        for place, header in enumerate(table.headers)
        if header.strip()
    )
    return Proposal(with_asks(guide, questions), reads, tuple(questions), table)


def _frequency(rules: Sequence[Rule]) -> dict[str, str]:
    """At which frequency the name of the compliance's column says that it is told, if it does."""
    found = [FREQUENCY.search(rule.header) for rule in rules if rule.to == "compliance_um_per_mn"]
    told = [match.group(1) for match in found if match]
    one_each = "compliance_frequency_hz" in {rule.to for rule in rules}
    possible = COLUMNS["compliance_frequency_hz"].choices
    return (
        {"compliance_frequency_hz": told[0]} if told and not one_each and float(told[0]) in possible else {}
    )


def _said(table: Sample, place: int) -> tuple[list[Meaning], str]:
    """What a header means; where its upper rows say nothing more, its last row alone."""
    said, unit = meanings(table.headers[place])
    if table.header_rows > 1 and not any(meaning.to for meaning in said):
        alone, unit_alone = meanings(table.last[place])
        if alone and alone[0].to and not says_when(table.headers[place]):
            return alone, unit_alone or split_header(table.headers[place])[1]
    return said, unit


def _choose(
    found: list[tuple[float, int, Rule, Meaning]], table: Sample, base: Guide
) -> tuple[Chosen, list[Question]]:
    """The best meaning of each header and the best header of each column, then those that must be asked."""
    chosen: Chosen = {}
    targets: set[str] = set()
    closed = [entry for entry in found if not entry[3].open]
    for sure, place, rule, meaning in sorted(closed, key=lambda entry: (-entry[0], entry[1])):
        if sure >= _LEAST and place not in chosen and rule.to not in targets:
            targets.add(rule.to)
            chosen[place] = (sure, rule, meaning.why)
    questions = [*ask_if_swapped(chosen, table, base)]
    waiting = [entry for entry in found if entry[3].open and entry[0] >= _LEAST * 0.5]
    for group in (("sra_static_deg",), ("azimuth_optical_deg",)):
        ours = [entry for entry in waiting if entry[2].to in group]
        if len(ours) == 2:
            questions.append(pair(ours, chosen, targets, table, base))
            waiting = [entry for entry in waiting if entry not in ours]
    for open_ in ("still or turning", "seen or electrical"):
        ours = [entry for entry in waiting if entry[3].open == open_]
        if asked_about := which(ours, open_, chosen, targets):
            questions.append(asked_about)
    return chosen, questions


def _ask_what_is_needed(
    chosen: Chosen, alone: Mapping[int, str], table: Sample, base: Guide
) -> list[Question]:
    """Ask which column holds what every sheet needs and no name tells, where some column's cells could."""
    out = []
    known = {rule.to for _, rule, _ in chosen.values()}
    for to in (name for name, column in COLUMNS.items() if column.required and name not in known):
        free = {p: h for p, h in enumerate(table.headers) if p in alone and p not in chosen}
        free = {p: h for p, h in free.items() if not (is_personal(h) or names_serials(h))}
        if (holds := which_holds(to, free, table, base)) is not None:
            place, rule, question = holds
            chosen[place] = (_LEAST, rule, f"its cells could be {to}, which no name tells")
            out.append(question)
    return out


def _doubts(chosen: Chosen, guide: Guide, table: Sample, asked: Set[str]) -> list[Question]:
    """Signs, days, and everything that is probably right but not surely."""
    out: list[Question] = []
    at = {rule.header: place for place, (_, rule, _) in chosen.items()}
    wrong: list[Choice] = []
    told: list[str] = []
    for rule in guide.rules:
        sure, _, _ = chosen[at[rule.header]]
        cells = table.cells[at[rule.header]]
        if rule.column.kind == "date" and not date_is_certain(cells):
            out.append(date_question(rule, guide.dates))
        doubt = _doubt(rule, sure)
        if doubt and rule.header not in asked | {h for q in out for h in q.about}:
            told.append(f"{rule.header}: {doubt}")
            others = other_units(rule, guide, cells) if rule.unit and "figures" in doubt else []
            wrong += [Choice(f"{rule.header}: in {unit}", {rule.header: {"unit": unit}}) for unit in others]
            wrong.append(Choice(f"{rule.header}: leave it out", {rule.header: None}))
        if ANY_OTHER in rule.words:
            told.append(f"{rule.header}: a word that isn't known is read as not told")
            known = {word: meaning for word, meaning in rule.words.items() if word != ANY_OTHER}
            words = f"{rule.header}: put rows with such a word aside"
            wrong.append(Choice(words, {rule.header: {"words": known}}))
        if rule.ditto == "blanks":
            told.append(f"{rule.header}: an empty cell stands for the one above")
            wrong.append(Choice(f"{rule.header}: empty is empty", {rule.header: {"ditto": ""}}))
    for header, said in guide.rows.items():
        for word, kind in said.items():
            told.append(f"{header}: rows with {word} are {'of the ' if kind == CHECK else ''}{kind}")
            wrong.append(Choice(f"{header}: {word} says nothing of its row", rows={header: {word: ""}}))
    unsigned = frozenset(
        rule.header
        for rule in guide.rules
        if rule.to in SIGNS
        and not rule.sense
        and all((value or 0.0) >= 0.0 for value in figures(rule, guide, table.cells[at[rule.header]]))
    )
    signs = sign_question(guide.rules, unsigned)
    if signs is not None:
        out.append(signs)
    if wrong:
        about = tuple(dict.fromkeys(header for choice in wrong for header in choice.rules))
        about = about or (guide.rules[0].header,)
        out.append(Question(about, "Is this right?", tuple(wrong), several=True, told=tuple(told)))
    return out


def _doubt(rule: Rule, sure: float) -> str:
    """What is probably so but not surely; "" for nothing."""
    if rule.to in {
        "sra_static_deg",
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "sra_after_deg",
        "vta_after_deg",
    } or (rule.to.startswith("azimuth")):
        return ""
    if sure < SURE:
        return f"{rule.to}, {rule.column.note or rule.column.accepts}"
    if rule.blanks and rule.column.kind == "code":
        return "these are codes, not names of people or firms"
    header_unit = "" if rule.header in COLUMNS else split_header(rule.header)[1]
    return f"its figures are in {rule.unit}" if rule.unit and not header_unit else ""


def samples(table: Sample, read: Read, show: Sequence[str] = ()) -> list[str]:
    """Three cells of a column, for the screen: figures and days, and words or codes that a sheet keeps."""
    told = list(dict.fromkeys(cell for cell in table.cells[read.place] if cell))
    plain = read.rule is not None and read.rule.to not in {"serial", "operator"}
    typed = [cell for cell in told if plain or isinstance(cell, TypedNumber) or cell in show]
    return typed[:3]

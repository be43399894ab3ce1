"""What one cell says of its whole row: the bench's check pickup, a body read as mounted, no sheet at all."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from fleet.intake.columnar import TypedNumber
from fleet.intake.guides.guide import ANY_OTHER, AS_MOUNTED, CHECK, NO_SHEET, Rule, is_personal, names_serials
from fleet.intake.guides.layout import parts_of
from fleet.intake.guides.questions import Choice, Question
from fleet.intake.guides.sample import Sample
from fleet.intake.guides.spellings import EMPTIES

_PHRASES: Final = {
    AS_MOUNTED: "as mounted|not level|wie montiert|nicht waagerecht|nicht waagrecht|comme monté|"
    "tel que monté",
    CHECK: "check pickup|check cart|check cartridge|check cart.|own|own check|reference|ref|ref.|"
    "house reference|prüfsystem|prüftonabnehmer|referenz|referenzsystem|témoin|étalon|"
    "cellule témoin|cellule étalon",
    NO_SHEET: "test|test record|ignore|testeintrag|essai|void|cancelled|storniert|annulé",
}
_FIRST: Final = {CHECK: ("check ", "own check"), NO_SHEET: ("test -", "test:", "ignore ")}
"""Beginnings of longer cells that say the same."""
KNOWN: Final = {phrase: kind for kind, phrases in _PHRASES.items() for phrase in phrases.split("|")}
"""What benches write of a whole row (small letters). Common practice, no source."""
_MAY_TELL: Final = {"sheet_no", "serial", "operator", "body_family", "peculiarities"}
"""Columns in which such a word stands for something else than the column's own meaning."""
_USUAL: Final = 0.6
_MOST_WORDS: Final = 3
_MOST_ASKED: Final = 6
_FEWEST_ROWS: Final = 6
_EFFECTS: Final = {
    AS_MOUNTED: "read as mounted, not level: leave their angles out",
    CHECK: "the bench's own check pickup",
    NO_SHEET: "no sheets: pass them over",
}


class Split(NamedTuple):
    """Rarer cells of a column that nothing is known of.

    Attributes
    ----------
    header : of the column.
    usual : its usual cell, "" if it is usually empty.
    word : the rarer one, `ANY_OTHER` for every other figure.
    rows : how many rows have it.
    first : the first of them, from 1 below the column names.
    every : all words of the column, in small letters.
    """

    header: str
    usual: str
    word: str
    rows: int
    first: int
    every: tuple[str, ...]


def said_of_rows(table: Sample, rules: Mapping[int, Rule]) -> dict[str, dict[str, str]]:
    """By header, the words that are known to say something of their row, and what."""
    out: dict[str, dict[str, str]] = {}
    for place, header in enumerate(table.headers):
        rule = rules.get(place)
        if not header or is_personal(header) or (rule is not None and rule.to not in _MAY_TELL):
            continue
        for cell in dict.fromkeys(table.cells[place]):
            for part in {cell.strip().lower(), *parts_of(cell)}:
                if kind := _kind(part):
                    out.setdefault(header, {})[part] = kind
    return out


def _kind(part: str) -> str:
    longer = (kind for kind, starts in _FIRST.items() if part.startswith(starts))
    return KNOWN.get(part) or next(longer, "")


def splits(table: Sample, known: Iterable[str]) -> list[Split]:
    """Where a column that nothing is known of parts a few rows from the rest, the rarest first."""
    out = []
    for place, header in enumerate(table.headers):
        if not header or header in known or is_personal(header) or names_serials(header):
            continue
        out += _split(header, table.cells[place])
    return sorted(out, key=lambda split: split.rows)


def _split(header: str, cells: Sequence[str]) -> list[Split]:
    counts = Counter(cells)
    if len(cells) < _FEWEST_ROWS or len(counts) < 2:
        return []
    usual, times = counts.most_common(1)[0]
    others = [word for word in counts if word != usual and word and word.lower() not in EMPTIES]
    if times < _USUAL * len(cells) or not others:
        return []
    figures = all(
        isinstance(word, TypedNumber) or re.fullmatch(r"[+\-−]?[\d.,]+\D{0,3}", word) for word in others
    )
    if figures and usual and usual.lower() not in EMPTIES:
        rows = [n for n, cell in enumerate(cells, start=1) if cell in others]
        return [Split(header, usual, ANY_OTHER, len(rows), rows[0], (usual.lower(),))]
    if figures or len(others) > _MOST_WORDS:
        return []
    every = tuple(word.lower() for word in counts if word)
    return [Split(header, usual, word, counts[word], cells.index(word) + 1, every) for word in others]


def ask_of_rows(found: Sequence[Split], about: str) -> Question | None:
    """Whether rows that a column of unknown meaning parts from the rest are sheets like them.

    Parameters
    ----------
    found : of `splits`.
    about : header of the column in whose rule the question stands.
    """
    choices = []
    for split in found[:_MOST_ASKED]:
        for kind, effect in _EFFECTS.items():
            told = {**dict.fromkeys(split.every), split.word.lower(): kind}
            choices.append(Choice(f"{_shown(split)}: {effect}", rows={split.header: told}))
    if not choices:
        return None
    text = "Columns that aren't known part some rows from the rest. Is one of these so?"
    return Question((about,), text, tuple(choices), several=True)


def _shown(split: Split) -> str:
    """The rows, by the word that parts them where it can't be a name."""
    n = f"{split.rows} row{'' if split.rows == 1 else 's'}"
    if split.word == ANY_OTHER:
        return f'{n} with other than {split.usual} under "{split.header}"'
    if split.word.islower() or isinstance(split.word, TypedNumber):
        return f'{n} with "{split.word}" under "{split.header}"'
    hidden = f"a word of {len(split.word)} characters (the first is row {split.first})"
    return f'{n} with {hidden} under "{split.header}"'

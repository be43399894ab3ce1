"""What a header can mean: its words, its unit, and which words are missing from it.

A name that leaves open whether the record stood still or turned, or how the azimuth was found, is never taken
for one of the two: it comes with both meanings, and whoever drafts a guide asks.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import Final, NamedTuple

from fleet.columns import COLUMNS
from fleet.intake.guides.guide import names_serials
from fleet.intake.guides.spellings import HEADERS, NO_ANGLE, QUALIFIERS, STEMS, VARIANTS
from fleet.intake.guides.units import SCALES

SURE: Final = 0.75
"""Confidence from which a column needs no question about its meaning."""
_NAMED: Final = 0.95
_SHORTENED: Final = 0.7
"""Times as sure where a word is shortened, such as "cantil": it is always asked about."""
_SHORTEST: Final = 3
_BY_THE_WAY: Final = frozenset(
    ["angle", "winkel", "mean", "mittel", "mittelwert", "deg", "by", "de", "taille"]
)
_MARKS_OF_A_UNIT: Final = re.compile(r"[^\w\s+\-±/.]+")
"""Marks in brackets such as % and ': a unit, known or not."""
_VOCABULARY: Final = frozenset(
    word for phrases in HEADERS.values() for phrase in phrases for word in phrase.split()
)
FREQUENCY: Final = re.compile(r"@?\s*\b(\d+)\s*(?:hz|c/s|cps)\b", re.IGNORECASE)
"""At which frequency a compliance is told; it is no unit of the column's."""
_STEM_WORDS: Final = frozenset(word for known in STEMS.values() for name in known for word in name.split())
_NO_PLACE: Final = {
    "still": "a bench sheet has no place for it read with the record still",
    "after": "a bench sheet has no place for it read after the correction",
    "told": "its header says more than a bench sheet has a place for",
}


class Meaning(NamedTuple):
    """One thing that a header can mean.

    Attributes
    ----------
    to : the canonical column, "" for something that a bench sheet has no place for.
    named : how well the words say so, 0 to 1.
    why : what speaks for it, or why it has no place.
    others : other canonical columns that the same words may mean.
    open : what the words leave open, one of `still or turning`, `seen or electrical`, or "".
    """

    to: str
    named: float
    why: str
    others: tuple[str, ...] = ()
    open: str = ""


def split_header(header: str) -> tuple[list[str], str]:
    """(words in small letters, umlauts written out; the unit, if one stands there)."""
    text = unicodedata.normalize("NFKC", header).lower()
    text = text.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue").replace("ß", "ss")
    text = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    text = text.replace("\u03bc", "µ")
    unit = ""

    def inside(match: re.Match[str]) -> str:
        nonlocal unit
        content = match.group(1).strip()
        known = _is_unit(content) or bool(_MARKS_OF_A_UNIT.fullmatch(content))
        if known and not unit:
            unit = content
        return " " if known or not content else f" {content} "

    text = re.sub(r"[\[(<{]([^\])>}]*)[\])>}]", inside, text)
    text = re.sub(r"\b([a-z])\.([a-z])\.([a-z])\b\.?", r"\1\2\3", text)  # S.R.A.
    text = re.sub(r"\bt\.f\.?(?=\W|$)", "tf", text)
    text = re.sub(r"\bn°", "no ", text)
    text = re.sub(r"(?<=[a-z])°", " °", text)
    text = re.sub(r"(?<![a-z0-9])([a-z]+)(\d\d?)(?![a-z0-9])", _apart, text)
    words = re.sub(r"[^a-z0-9µ°]+|(?<=[lr])2(?=[lr])", " ", text).split()
    words = [re.sub(r"(?<=isch)e[rnms]?$", "", word) for word in words]  # statische, statischer
    words = [letter for word in words for letter in (word if word in {"lr", "rl"} else [word])]
    if not unit and len(words) > 1 and words[-1] not in {"l", "r"} and _is_unit(words[-1]):
        unit = words.pop()
    for left, right in (("left", "right"), ("links", "rechts"), ("gauche", "droite")):
        if left in words and right in words:
            words = [{left: "l", right: "r"}.get(word, word) for word in words]
    if "l" in words or "r" in words:
        words = [word for word in words if word not in {"to", "the", "of", "in", "auf", "nach", "vers"}]
    return words, unit


def _apart(match: re.Match[str]) -> str:
    """An angle's name and the turns a minute right behind it, as two words: sra33."""
    return f"{match[1]} {match[2]}" if match[1] in _STEM_WORDS else match[0]


def names_a_unit(cell: str) -> bool:
    """Whether a cell under a column name holds nothing but a unit."""
    words, unit = split_header(f"x {cell}")
    return bool(unit) and words == ["x"]


def _is_unit(text: str) -> bool:
    return any(text.rstrip(".") in spellings for spellings in SCALES.values())


def meanings(header: str) -> tuple[list[Meaning], str]:
    """Everything that a header's words can mean, best first, and the unit that stands in it."""
    if (name := header.strip()) in COLUMNS:
        return [Meaning(name, 1.0, "is the contract's own name")], ""
    words, unit = split_header(FREQUENCY.sub(" ", header))
    found = _angle(words) if unit in {"", *SCALES["°"]} else None
    if found is not None:
        return [found], unit
    whole = [_whole(word) for word in words]
    if not _VOCABULARY & set(whole):
        return [], unit
    phrase, sure = " ".join(whole), _NAMED * (1.0 if whole == words else _SHORTENED)
    out = [
        Meaning(to, sure * likeness, f'the header says "{phrase}"')
        for to, column in COLUMNS.items()
        if (likeness := _likeness(phrase, HEADERS[to]))
        and not (unit and column.kind != "number")
        and not (to != "serial" and names_serials(header))
        and not (to == "bench" and likeness < 1.0)
    ]
    return sorted(out, key=lambda meaning: -meaning.named), unit


def says_when(header: str) -> bool:
    """Whether a header speaks of before or after a correction, which no part of it may lose."""
    return any(set(split_header(header)[0]) & QUALIFIERS[name] for name in ("after", "before"))


def _angle(words: list[str]) -> Meaning | None:
    """Rake, tracking angle or azimuth, with what the other words say of it; None if it is none of them."""
    left = [word for word in words if word not in _BY_THE_WAY]
    if _STEM_WORDS.isdisjoint(left):
        return None
    for stem, spellings in STEMS.items():
        spelling = next((s for s in spellings if _contains(left, s.split())), None)
        if spelling is None or set(left) & NO_ANGLE:
            continue
        rest = [word for word in left if word not in spelling.split()]
        told = {qualifier for qualifier, known in QUALIFIERS.items() if set(rest) & known}
        unknown = [word for word in rest if not any(word in known for known in QUALIFIERS.values())]
        if any(word.isalpha() and len(word) > 1 for word in unknown):
            return Meaning("", 0.0, _NO_PLACE["told"])
        return _variant(stem, frozenset(told), " ".join(words), sure=not unknown)
    return None


@cache
def _whole(word: str) -> str:
    """The known word that a shortened one stands for, itself if it is known or could be several."""
    if len(word) < _SHORTEST or word in _VOCABULARY:
        return word
    longer = sorted((known for known in _VOCABULARY if known.startswith(word)), key=len)
    meant = {to for known in longer for to, phrases in HEADERS.items() if known in " ".join(phrases).split()}
    one = longer and (len(meant) == 1 or all(known.startswith(longer[0]) for known in longer))
    return longer[0] if one else word


def _contains(words: list[str], phrase: list[str]) -> bool:
    return any(words[i : i + len(phrase)] == phrase for i in range(len(words) - len(phrase) + 1))


def _variant(stem: str, told: frozenset[str], phrase: str, *, sure: bool) -> Meaning:
    variants = VARIANTS[stem]
    named = _NAMED if sure else 0.8 * _NAMED
    to = variants.get(told)
    if to is not None:
        return Meaning(to, named, f'the header says "{phrase}"')
    if told == {"after"} and (to := variants.get(frozenset({"turning", "after"}))):
        return Meaning(
            to, 0.5 * named, f'"{phrase}" does not say whether the record turned', (), "still or turning"
        )
    if told - {"before"}:
        return Meaning("", 0.0, _NO_PLACE["after" if "after" in told else "still"])
    open_ = "seen or electrical" if stem == "azimuth" else "still or turning"
    first, *others = dict.fromkeys(to for qualifiers, to in variants.items() if "after" not in qualifiers)
    return Meaning(first, 0.5 * named, f'"{phrase}" alone does not say which', tuple(others), open_)


def _likeness(phrase: str, known: tuple[str, ...]) -> float:
    """1 for a known phrase, less for one that contains it or lies within it, 0 for none."""
    if phrase in known:
        return 1.0
    order = phrase.split()
    words = set(order)
    best = 0.0
    for other in known:
        theirs = set(other.split())
        if {"l", "r"} <= words & theirs and (order.index("l") < order.index("r")) != ("l r" in other):
            continue
        if (shared := words & theirs) and (theirs <= words or words <= theirs):
            best = max(best, 0.85 * len(shared) / max(len(words), len(theirs)) + 0.05)
    return best

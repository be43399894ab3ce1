"""A bench's own texts turned into the contract's, one distinct text at a time.

What can't be turned keeps its row out, with the reason; nothing is guessed.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Sequence
from typing import NamedTuple

from fleet.intake.guides import hints
from fleet.intake.guides.guide import ANY_OTHER, Guide, Rule
from fleet.intake.guides.layout import parts_of
from fleet.intake.guides.spellings import MONTHS
from fleet.intake.guides.units import Scale, scale_of


class Converted(NamedTuple):
    """Canonical texts in the order of the originals; why some have none; what others were read as."""

    texts: list[str | None]
    reasons: dict[int, str]
    read_as: dict[int, str]


Convert = Callable[[Sequence[str | None]], Converted]

_CLOCK = re.compile(r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?$")
_NAMED_MONTH = re.compile(r"[^\W\d_]{3,}")
_ABOUT = re.compile(r"(?:ca\.?|~|≈|about|env\.?)\s*(?=\d)", re.IGNORECASE)
"""An estimate, which hours and minutes may be; an angle may not."""
_FIRST_WORD = re.compile(r"([^\W\d_]+)\.?\s*(?=[+\-−]?[\d.,])")
_ARC = re.compile(r"([+\-−]?)(\d+)\s*°\s*([0-5]?\d)\s*['’′](.*)")
_HOURS = re.compile(r"(\d{1,2})\s*h\s*([0-5]\d)?\s*(?:mi?n)?\.?", re.IGNORECASE)
_AT_TEN_HZ = re.compile(r"\s*@\s*10\s*hz$", re.IGNORECASE)
"""The frequency of most catalogues (common practice, no source); one at another isn't understood."""
_DATE = re.compile(r"(\d{1,4})[./\-](\d{1,2})[./\-](\d{1,4})")


class _UnreadableError(Exception):
    """A text that the guide gives no meaning; the message is the reason."""


def converter(rule: Rule, guide: Guide) -> Convert:
    """What turns the texts of one column into canonical ones."""
    kind = rule.column.kind
    if kind == "number":
        turn = _number_turner(rule, guide)
    elif kind == "date":
        turn = _date_turner(guide.dates)
    elif kind == "codes":
        turn = _list_turner(rule)
    else:
        turn = _word_turner(rule)

    def convert(texts: Sequence[str | None]) -> Converted:
        out = Converted([], {}, {})
        for place, text in enumerate(texts):
            if text is None or text in rule.empty:
                out.texts.append(None)
                continue
            try:
                canonical = turn(text)
            except _UnreadableError as reason:
                out.texts.append(None)
                out.reasons[place] = str(reason)
                continue
            out.texts.append(canonical or None)
            if kind == "number" and not _says(text, float(canonical)):
                out.read_as[place] = f"{float(canonical):.6g} {rule.column.unit}"
        return out

    return convert


def _says(text: str, value: float) -> bool:
    """Whether a text plainly shows the value, apart from a decimal comma."""
    try:
        return float(text.replace(",", ".")) == value
    except ValueError:
        return False


def _number_turner(rule: Rule, guide: Guide) -> Callable[[str], str]:
    decimal, between = (",", ".") if guide.decimal == "," else (".", ",")
    figure = re.compile(
        rf"([+\-−]?\d{{1,3}}(?:[{between}'’ ]\d{{3}})+(?:{re.escape(decimal)}\d+)?|{_figure(decimal)})"
        r"\s*((?![\d.,]).*)"
    )
    own = Scale(1.0) if not rule.unit else scale_of(rule.column.unit, rule.unit)
    assert own is not None

    # two marks tell what each is; one that isn't followed by three digits stands between no thousands
    mark = re.escape(between)
    other = re.compile(rf"([+\-−]?(?:0{mark}\d+|\d+{mark}(?:\d{{1,2}}|\d{{4,}})))\s*((?![\d.,]).*)")

    def turn(text: str) -> str:
        if text.lower() in rule.words:
            return rule.words[text.lower()]
        text = _one_figure(text, rule.column.unit)
        first = _FIRST_WORD.match(text)
        if first is not None and first.group(1).lower() in rule.sense:
            text = f"{text[first.end() :]} {first.group(1)}"
        text = re.sub(r"°(?=[^\W\d_]{2})", "° ", text)
        match = other.fullmatch(text)
        if match is not None:
            digits = match.group(1).replace(between, decimal)
        else:
            match = figure.fullmatch(text)
            if match is None:
                raise _UnreadableError(hints.no_number(text))
            digits = re.sub(rf"[{between}'’ ]", "", match.group(1))
        value = float(digits.replace(decimal, ".").replace("−", "-"))
        scale, sign = _suffix(match.group(2), rule, own, value)
        value = (scale.factor * value + scale.offset) * sign * (-1 if rule.flip else 1)
        if rule.magnitude:
            value = -abs(value)
        return repr(round(value, 9) + 0.0)

    return turn


def _one_figure(text: str, unit: str) -> str:
    """Degrees and minutes of arc, or hours and minutes, as one figure; a compliance at 10 Hz without that."""
    if unit == "°" and (arc := _ARC.fullmatch(text)):
        sign, whole, part, rest = arc.groups()
        return f"{sign}{int(whole) + int(part) / 60.0:.4f} °{rest}"
    if unit in {"h", "min"}:
        text = _ABOUT.sub("", text)
    if unit == "min" and (time := _HOURS.fullmatch(text)):
        return f"{60 * int(time.group(1)) + int(time.group(2) or 0)} min"
    if unit == "µm/mN":
        return _AT_TEN_HZ.sub("", text)
    return text


def _figure(decimal: str) -> str:
    point = re.escape(decimal)
    return rf"[+\-−]?(?:\d+{point}?\d*|{point}\d+)(?:[eE][+-]?\d+)?"


def _suffix(suffix: str, rule: Rule, own: Scale, value: float) -> tuple[Scale, int]:
    """Unit and sense that stand after a figure: the cell's own unit goes before the column's."""
    scale, sign = own, 0
    for word in suffix.lower().split():
        if word in rule.sense and not sign:
            sign = rule.sense[word]
        elif (told := scale_of(rule.column.unit, word)) is not None:
            scale = told
        else:
            raise _UnreadableError("has a word after the number that the guide doesn't know")
    if rule.sense and not sign:
        if value:
            words = " or ".join(rule.sense)
            raise _UnreadableError(f"has no sense after the number; say {words}")
        sign = 1
    return scale, sign or 1


def _date_turner(order: str) -> Callable[[str], str]:
    def turn(text: str) -> str:
        match = _DATE.fullmatch(_in_figures(_CLOCK.sub("", text), order))
        if match is None:
            raise _UnreadableError(hints.no_day(text))
        parts = match.groups()
        names = "ymd" if len(parts[0]) == 4 else order
        found = dict(zip(names, parts, strict=True))
        year = found["y"]
        if len(year) == 2:
            year = f"20{year}"
        try:
            day = dt.date(int(year), int(found["m"]), int(found["d"]))
        except ValueError as error:
            told = {"y": "year", "m": "month", "d": "day"}
            raise _UnreadableError(
                f"is not a day of the calendar, read as {', '.join(told[part] for part in names)}"
            ) from error
        return day.isoformat()

    return turn


def _in_figures(text: str, order: str) -> str:
    """A day whose month is a word, written in figures; any other text as it is."""
    found = _NAMED_MONTH.search(text.lower().replace("ä", "ae"))
    plain = unicodedata.normalize("NFKD", found.group() if found else "").encode("ascii", "ignore").decode()
    figures = re.findall(r"\d+", text)
    if plain not in MONTHS or len(figures) != 2:
        return text
    day, year = figures if len(figures[0]) <= 2 else figures[::-1]
    parts = {"d": day, "m": str(MONTHS[plain]), "y": year}
    return "-".join(parts[part] for part in ("ymd" if len(year) == 4 else order))


def _word_turner(rule: Rule) -> Callable[[str], str]:
    known = {word.lower() for word in rule.column.words}

    def turn(text: str) -> str:
        word = rule.words.get(text.lower(), text)
        if known and word and word.lower() not in known:
            if ANY_OTHER in rule.words:
                return rule.words[ANY_OTHER]
            told = ", ".join(dict.fromkeys([*rule.words, *rule.column.words]))
            raise _UnreadableError(
                f"is not a word of the guide: {told}; add it to the column's words, or mend it"
            )
        return "".join(rule.blanks if c.isspace() else c for c in word) if rule.blanks else word

    return turn


def _list_turner(rule: Rule) -> Callable[[str], str]:
    turn_one = _word_turner(rule)

    def turn(text: str) -> str:
        parts = [(part, turn_one(part)) for part in parts_of(text)]
        if any(not word and part not in rule.words for part, word in parts):
            return rule.words[ANY_OTHER]  # one word that isn't known would leave the others half the truth
        return ";".join(word for _, word in parts if word)

    return turn

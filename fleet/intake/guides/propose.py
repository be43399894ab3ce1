"""Drafting a reading guide from a file: headers in many spellings, values as evidence, questions in doubt."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from fleet.columns import CODE_PATTERN, COLUMNS, NUMBER_TEXT_PATTERN, Column
from fleet.errors import FleetError
from fleet.intake.faults import printable_header
from fleet.intake.guides import sample
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import DATE_ORDERS, NEVER_BLANK, Guide, Rule, is_personal, names_serials
from fleet.intake.guides.spellings import HEADERS, SENSES, TYPICAL, WORDS
from fleet.intake.guides.units import SCALES, scale_of
from fleet.numerals import percent

SURE = 0.75
"""Confidence from which a column needs no question."""

_LEAST = 0.3
_DOUBTFUL = 0.5
_SENSE_REMARK = "# as in `fleet explain signs`; if this bench looks from the other side: flip = true"


@dataclass(frozen=True)
class Proposal:
    """A drafted guide.

    Attributes
    ----------
    guide : the draft, with a question in each rule that is in doubt.
    confidence : how sure each mapped header is, 0 to 1.
    left_out : headers that were given no meaning, by name if it looks like a code, else by place.
    """

    guide: Guide
    confidence: Mapping[str, float]
    left_out: tuple[str, ...]

    @property
    def toml(self) -> str:
        """The draft as the text of a guide file."""
        return _as_toml(self.guide, self.confidence)

    @property
    def sentence(self) -> str:
        """What was found, in one sentence."""
        n_asked = len(self.guide.questions)
        return (
            f"{len(self.guide.rules)} columns recognised, {n_asked} question{'' if n_asked == 1 else 's'} "
            f"to answer, {len(self.left_out)} columns left out."
        )


def propose_guide(path: Path | str) -> Proposal:
    """Read a file's headers and first rows and draft a guide for it.

    Parameters
    ----------
    path : a CSV, XLSX or Parquet file of one bench.

    Raises
    ------
    FleetError
        If the file can't be read as a table, or none of its columns is recognised.
    """
    table = sample.take(path)
    base = Guide(
        rules=(),
        delimiter=table.delimiter,
        encoding=table.encoding,
        decimal=_decimal(table.cells),
        dates=_date_order(table.cells),
    )
    found: list[tuple[float, int, Rule]] = []
    for place, (header, cells) in enumerate(zip(table.headers, table.cells, strict=True)):
        if header.strip() and not is_personal(header):
            found += _candidates(header, place, cells, base)
    chosen = _choose(found)
    if not chosen:
        raise FleetError(
            f"no column of {Path(path).name} is recognised; write the guide by hand (fleet explain guide)."
        )
    rules = tuple(_with_question(rule, score, base, table.cells[place]) for score, place, rule in chosen)
    taken = {place for _, place, _ in chosen}
    return Proposal(
        guide=replace(base, rules=rules),
        confidence={rule.header: score for score, _, rule in chosen},
        left_out=tuple(
            printable_header(header, place + 1)
            for place, header in enumerate(table.headers)
            if place not in taken and header.strip()
        ),
    )


def _choose(found: list[tuple[float, int, Rule]]) -> list[tuple[float, int, Rule]]:
    """The best meaning of each header and the best header of each column; in the file's order."""
    places: set[int] = set()
    targets: set[str] = set()
    chosen = []
    for score, place, rule in sorted(found, key=lambda entry: (-entry[0], entry[1])):
        if score >= _LEAST and place not in places and rule.to not in targets:
            places.add(place)
            targets.add(rule.to)
            chosen.append((score, place, rule))
    return sorted(chosen, key=lambda entry: entry[1])


def _candidates(header: str, place: int, cells: list[str], base: Guide) -> list[tuple[float, int, Rule]]:
    """Every meaning that a header's words allow, with how well its values bear it out."""
    phrase, unit = _phrase(header)
    out = []
    if (name := header.strip()) in COLUMNS:
        rule, borne_out = _evidence(Rule(name, name), COLUMNS[name], "", cells, base)
        return [(1.0 if borne_out > _LEAST else _DOUBTFUL, place, rule)]
    for to, column in COLUMNS.items():
        named = 0.95 * _likeness(phrase, HEADERS[to])
        if not named:
            continue
        if (unit and column.kind != "number") or (to != "serial" and names_serials(header)):
            continue
        rule, borne_out = _evidence(Rule(name, to), column, unit, cells, base)
        out.append((named * borne_out, place, rule))
    return out


def _phrase(header: str) -> tuple[str, str]:
    """(header's words in small letters, umlauts written out; the unit in it, if any)."""
    text = header.lower().replace("ä", "ae").replace("ö", "oe").replace("ü", "ue").replace("ß", "ss")
    text = unicodedata.normalize("NFKC", text).replace("\u03bc", "µ")
    unit = ""
    if match := re.search(r"[\[(]\s*([^\])]*?)\s*[\])]", text):
        unit = match.group(1)
        text = text[: match.start()] + " " + text[match.end() :]
    words = re.sub(r"[^a-z0-9µ°]+|(?<=[lr])2(?=[lr])", " ", text).split()
    if not unit and len(words) > 1 and any(words[-1] in spellings for spellings in SCALES.values()):
        unit = words[-1] if words[-1] not in {"l", "r"} else ""
        words = words[:-1] if unit else words
    words = (
        [w for w in words if w not in {"to", "the", "of", "in"}] if "l" in words or "r" in words else words
    )
    return " ".join(words), unit


def _likeness(phrase: str, known: tuple[str, ...]) -> float:
    """1 for a known phrase, less for one that contains it or lies within it, 0 for none."""
    if phrase in known:
        return 1.0
    words = set(phrase.split())
    best = 0.0
    for other in known:
        theirs = set(other.split())
        if (shared := words & theirs) and (theirs <= words or words <= theirs):
            best = max(best, 0.85 * len(shared) / max(len(words), len(theirs)) + 0.05)
    return best


def _evidence(rule: Rule, column: Column, unit: str, cells: list[str], base: Guide) -> tuple[Rule, float]:
    """Complete a rule by what the values show, and the share of them that fit."""
    told = [cell for cell in cells if cell]
    if column.kind == "number":
        return _number_evidence(rule, column, unit, told, base)
    if not told:
        return rule, 0.8
    if column.kind in {"word", "codes"}:
        known = WORDS.get(rule.to, {})
        present = {word.lower() for word in told}
        rule = replace(rule, words={word: meaning for word, meaning in known.items() if word in present})
    if column.kind in {"code", "text"} and rule.to not in NEVER_BLANK:
        pattern = CODE_PATTERN if column.kind == "code" else NUMBER_TEXT_PATTERN
        if any(" " in cell for cell in told) and not any(re.fullmatch(pattern, cell) for cell in told):
            rule = replace(rule, blanks="_")
    fit = _fit(rule, base, told)
    if rule.to in {"sheet_no", "serial"}:
        fit *= min(1.0, 0.4 + len(set(told)) / len(told))  # a number that recurs all the time is none
    if rule.to in {"body_family", "assembly_source"} and len(told) > 20:
        fit *= 1.0 if len(set(told)) < 0.8 * len(told) else 0.5
    return rule, fit


def _number_evidence(
    rule: Rule, column: Column, unit: str, told: list[str], base: Guide
) -> tuple[Rule, float]:
    if unit and scale_of(column.unit, unit) is None:
        return rule, 0.0
    if not told:
        return replace(rule, unit=_own_unit(column, unit)), 0.8
    last = [cell.split()[-1].lower() for cell in told if " " in cell]
    senses = {word: SENSES[word] for word in sorted(set(last) & set(SENSES))}
    if senses and column.low is not None and column.low < 0:
        rule = replace(rule, sense=senses)
    units = [unit] if unit else _possible_units(column)
    best = (rule, 0.0)
    for spelling in units:
        tried = replace(rule, unit=_own_unit(column, spelling))
        fit = _fit(tried, base, told)
        down = replace(tried, magnitude=True)
        if column.high == 0 and (fit_down := _fit(down, base, told)) > fit:
            tried, fit = down, fit_down
        if fit * _typical(tried, base, told) > best[1]:
            best = (tried, fit * _typical(tried, base, told))
    return best


def _own_unit(column: Column, unit: str) -> str:
    scale = scale_of(column.unit, unit) if unit else None
    return "" if scale is None or (scale.factor == 1 and scale.offset == 0) else unit


def _possible_units(column: Column) -> list[str]:
    """The contract's unit first, then one spelling of each other scale."""
    scales = SCALES.get(column.unit, {})
    different = {scale: spelling for spelling, scale in reversed(scales.items()) if scale != (1.0, 0.0)}
    return ["", *different.values()]


def _typical(rule: Rule, base: Guide, told: list[str]) -> float:
    """1 where the middle figure is a common one, 0.7 where it isn't."""
    if rule.to not in TYPICAL:
        return 1.0
    texts = converter(rule, base)(told).texts
    figures = [float(text) for text in texts if text is not None]
    low, high = TYPICAL[rule.to]
    return 1.0 if figures and low <= median(figures) <= high else 0.7


def _fit(rule: Rule, base: Guide, told: list[str]) -> float:
    """Share of the texts that the rule gives an acceptable meaning."""
    column = rule.column
    texts = converter(rule, base)(told).texts
    return sum(text is not None and _accepts(column, text) for text in texts) / len(told)


def _accepts(column: Column, text: str) -> bool:
    if column.kind == "number":
        assert column.low is not None
        assert column.high is not None
        value = float(text)
        return value in column.choices if column.choices else column.low <= value <= column.high
    if column.kind == "word":
        return text.lower() in column.words
    if column.kind == "codes":
        return all(word.lower() in column.words for word in text.split(";"))
    if column.name == "serial" or column.kind == "date":
        return True
    return bool(re.fullmatch(CODE_PATTERN if column.kind == "code" else NUMBER_TEXT_PATTERN, text))


def _with_question(rule: Rule, score: float, base: Guide, cells: list[str]) -> Rule:
    """Ask where the words or the values leave a doubt."""
    column = rule.column
    meaning = f"{rule.to}: {column.note or column.accepts}"
    if column.kind == "date" and not _date_is_certain(cells):
        return replace(
            rule, ask=f"are dates written {base.dates} (y year, m month, d day)? If not, set dates."
        )
    if score < SURE:
        return replace(rule, ask=f"is this {meaning}? If not, remove the column.")
    if rule.blanks and column.kind == "code":
        return replace(
            rule,
            ask="are these codes, not names of people or firms? If they are names, use words.",
        )
    header_unit = "" if rule.header in COLUMNS else _phrase(rule.header)[1]
    if rule.unit and not header_unit:
        return replace(rule, ask=f"are these figures in {rule.unit}? If not, set the unit.")
    return rule


def _decimal(columns: list[list[str]]) -> str:
    cells = [cell for column in columns for cell in column]
    commas = sum(bool(re.match(r"[+-]?\d+,\d+(\s|$)", cell)) for cell in cells)
    points = sum(bool(re.match(r"[+-]?\d+\.\d+(\s|$)", cell)) for cell in cells)
    return "," if commas > points else "."


_DAY = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{2,4})")


def _date_order(columns: list[list[str]]) -> str:
    """The order under which most dates are days of the calendar; day first if nothing tells."""
    dates = [cell for column in columns for cell in column if _DAY.fullmatch(cell)]

    def fits(order: str) -> int:
        turn = converter(Rule("", "measured_on"), Guide((), dates=order))
        return sum(text is not None for text in turn(dates).texts)

    return max(DATE_ORDERS, key=lambda order: (fits(order), order == "dmy")) if dates else "ymd"


def _date_is_certain(cells: list[str]) -> bool:
    parts = [match.groups() for cell in cells if (match := _DAY.fullmatch(cell))]
    return not parts or any(len(p[0]) == 4 or int(p[0]) > 12 or int(p[1]) > 12 for p in parts)


def _as_toml(guide: Guide, confidence: Mapping[str, float]) -> str:
    """The guide as TOML text, rules in the file's order."""

    def text(value: str) -> str:
        return json.dumps(value, ensure_ascii=False)

    lines = ["[file]", f"delimiter = {text(guide.delimiter)}", f"encoding = {text(guide.encoding)}"]
    lines += [f"decimal = {text(guide.decimal)}", f"dates = {text(guide.dates)}"]
    for rule in guide.rules:
        sure = f"  # sure to {percent(confidence[rule.header])}" if rule.header in confidence else ""
        lines += ["", f"[columns.{text(rule.header)}]{sure}", f"to = {text(rule.to)}"]
        lines += [f"unit = {text(rule.unit)}"] if rule.unit else []
        for name, table in (("words", rule.words), ("sense", rule.sense)):
            if table:
                inner = ", ".join(f"{text(k)} = {json.dumps(v)}" for k, v in table.items())
                lines.append(f"{name} = {{ {inner} }}")
        lines += [_SENSE_REMARK] if rule.sense else []
        lines += ["magnitude = true"] if rule.magnitude else []
        lines += [f"blanks = {text(rule.blanks)}"] if rule.blanks else []
        lines += [f"ask = {text(rule.ask)}"] if rule.ask else []
    return "\n".join(lines) + "\n"

"""What the cells of a column say: unit, words, empty words, dittos, how a file writes figures and days."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from fleet.columns import CODE_PATTERN, NUMBER_TEXT_PATTERN, Column
from fleet.intake.columnar import TypedNumber, written
from fleet.intake.guides.convert import converter
from fleet.intake.guides.guide import ANY_OTHER, DATE_ORDERS, NEVER_BLANK, Guide, Rule
from fleet.intake.guides.spellings import DITTOS, EMPTIES, SENSES, TYPICAL, WORDS
from fleet.intake.guides.units import SCALES, scale_of

_DAY = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{2,4})(?:[T ][\d:.]+)?")
_DITTO_SHARE = 0.15
"""Fewer empty cells than this share were forgotten rather than left to the one above."""
_MOST_FIT = 0.9
_ALWAYS_TOLD = {"measured_on", "body_family", "bench"}
"""Columns that are never empty on a real sheet, so that an empty cell stands for the one above."""


def evidence(rule: Rule, unit: str, cells: Sequence[str], base: Guide) -> tuple[Rule, float]:
    """Complete a rule by what the cells show, and the share of them that fit."""
    column = rule.column
    if any(cell.lower() in DITTOS for cell in cells):
        rule = replace(rule, ditto="marks")
        cells = [cell for cell in cells if cell.lower() not in DITTOS]
    blank = sum(not cell for cell in cells)
    if rule.to in _ALWAYS_TOLD and cells and cells[0] and blank >= max(2, _DITTO_SHARE * len(cells)):
        rule = replace(rule, ditto="blanks")
    empty = dict.fromkeys(c for c in cells if c.lower() in EMPTIES and c.lower() not in column.words)
    if empty and column.kind not in {"text", "code"}:
        rule = replace(rule, empty=tuple(empty))
    elif empty:
        rule = replace(rule, empty=tuple(text for text in empty if not re.search(r"\w", text) or "/" in text))
    told = [written(cell, base.decimal) for cell in cells if cell and cell not in rule.empty]
    if column.kind == "number":
        return _of_figures(rule, unit, told, base)
    if not told:
        return rule, 0.8
    if column.kind in {"word", "codes"}:
        known = WORDS.get(rule.to, {})
        present = {word.lower() for word in told}
        rule = replace(rule, words={word: meaning for word, meaning in known.items() if word in present})
        # not told would be the default: a check pickup by another name would teach as a customer's
        if not column.required and column.default is None and _recurs(rule, base, told):
            rule = replace(rule, words={**rule.words, ANY_OTHER: ""})
    if column.kind in {"code", "text"} and rule.to not in NEVER_BLANK:
        pattern = CODE_PATTERN if column.kind == "code" else NUMBER_TEXT_PATTERN
        if any(" " in cell for cell in told) and not any(re.fullmatch(pattern, cell) for cell in told):
            rule = replace(rule, blanks="_")
    share = fit(rule, base, told)
    if rule.to in {"sheet_no", "serial"}:
        share *= min(1.0, 0.4 + len(set(told)) / len(told))  # a number that recurs all the time is none
    if rule.to in {"body_family", "assembly_source"} and len(told) > 20:
        share *= 1.0 if len(set(told)) < 0.8 * len(told) else 0.5
    return rule, share


def _recurs(rule: Rule, base: Guide, told: Sequence[str]) -> bool:
    """Whether a word that isn't known comes again, as a bench's own word does and a slip doesn't."""
    texts = converter(rule, base)(told).texts
    unknown = [cell.lower() for cell, text in zip(told, texts, strict=True) if text is None]
    return len(set(unknown)) < len(unknown)


def _of_figures(rule: Rule, unit: str, told: list[str], base: Guide) -> tuple[Rule, float]:
    column = rule.column
    if unit and scale_of(column.unit, unit) is None:
        return rule, 0.0
    if not told:
        return replace(rule, unit=own_unit(column, unit)), 0.8
    present = {word for cell in told for word in re.findall(r"[^\W\d_]+", cell.lower())}
    senses = {word: sign for word, sign in sorted(SENSES.get(rule.to, {}).items()) if word in present}
    zeros = {word: text for word, text in WORDS.get(rule.to, {}).items() if word in present}
    rule = replace(rule, sense=senses, words=zeros)
    best = (rule, 0.0)
    for spelling in [unit] if unit else _possible_units(column):
        tried = replace(rule, unit=own_unit(column, spelling))
        share = fit(tried, base, told)
        down = replace(tried, magnitude=True)
        if column.high == 0 and (fit_down := fit(down, base, told)) > share:
            tried, share = down, fit_down
        if share * _typical(tried, base, told) > best[1]:
            best = (tried, share * _typical(tried, base, told))
    return best


def own_unit(column: Column, unit: str) -> str:
    """A unit's spelling, "" where it is the contract's own unit."""
    scale = scale_of(column.unit, unit) if unit else None
    return "" if scale is None or (scale.factor == 1 and scale.offset == 0) else unit


def other_units(rule: Rule, base: Guide, cells: Sequence[str]) -> list[str]:
    """Units but the rule's own in which the figures would be common ones too."""
    told = [written(cell, base.decimal) for cell in cells if cell and cell not in rule.empty]
    others = (replace(rule, unit=unit) for unit in _possible_units(rule.column) if unit != rule.unit)
    fitting = [other for other in others if told and fit(other, base, told) > _MOST_FIT]
    return [other.unit for other in fitting if _typical(other, base, told) == 1.0]


def _possible_units(column: Column) -> list[str]:
    """The contract's unit first, then one spelling of each other scale."""
    scales = SCALES.get(column.unit, {})
    different = {scale: spelling for spelling, scale in reversed(scales.items()) if scale != (1.0, 0.0)}
    return ["", *different.values()]


def _typical(rule: Rule, base: Guide, told: Sequence[str]) -> float:
    """1 where the middle figure is a common one, 0.7 where it isn't."""
    if rule.to not in TYPICAL:
        return 1.0
    known = [value for value in figures(rule, base, told) if value is not None]
    low, high = TYPICAL[rule.to]
    return 1.0 if known and low <= median(known) <= high else 0.7


def figures(rule: Rule, base: Guide, cells: Sequence[str]) -> list[float | None]:
    """Cells as figures in the contract's unit and sign, None where one has none."""
    texts = converter(rule, base)([written(cell, base.decimal) or None for cell in cells]).texts
    return [None if text is None else float(text) for text in texts]


def fit(rule: Rule, base: Guide, told: Sequence[str]) -> float:
    """Share of the texts that the rule gives an acceptable meaning."""
    column = rule.column
    texts = converter(rule, base)(told).texts
    return sum(text is not None and _accepts(column, text) for text in texts) / len(told)


def _accepts(column: Column, text: str) -> bool:
    if column.kind == "number":
        if column.choices:
            return float(text) in column.choices
        assert column.low is not None
        assert column.high is not None
        return column.low <= float(text) <= column.high
    if column.kind == "word":
        return text.lower() in column.words
    if column.kind == "codes":
        return all(word.lower() in column.words for word in text.split(";"))
    if column.name == "serial" or column.kind == "date":
        return True
    return bool(re.fullmatch(CODE_PATTERN if column.kind == "code" else NUMBER_TEXT_PATTERN, text))


def decimal_of(columns: Sequence[Sequence[str]]) -> str:
    """The decimal mark of most written figures; a workbook's typed numbers don't count."""
    cells = [cell for column in columns for cell in column if not isinstance(cell, TypedNumber)]
    commas = sum(bool(re.match(r"[+\-−]?\d+,\d+(?!\d*[,.])", cell)) for cell in cells)
    points = sum(bool(re.match(r"[+\-−]?\d+\.\d+(?![\d.,]*[.,]\d)", cell)) for cell in cells)
    return "," if commas > points else "."


def date_order(columns: Sequence[Sequence[str]]) -> str:
    """The order under which most dates are days of the calendar; day first if nothing tells."""
    dates = [cell for column in columns for cell in column if _DAY.fullmatch(cell)]

    def fits(order: str) -> int:
        turn = converter(Rule("", "measured_on"), Guide((), dates=order))
        return sum(text is not None for text in turn(dates).texts)

    return max(DATE_ORDERS, key=lambda order: (fits(order), order == "dmy")) if dates else "ymd"


def date_is_certain(cells: Sequence[str]) -> bool:
    """Whether some day can be read in one order only, or has points, as only days-first dates have."""
    days = [cell for cell in cells if _DAY.fullmatch(cell)]
    parts = [match.groups() for cell in days if (match := _DAY.fullmatch(cell))]
    dotted = bool(days) and all("." in cell for cell in days) and all(len(p[2]) == 4 for p in parts)
    return not parts or dotted or any(len(p[0]) == 4 or int(p[0]) > 12 or int(p[1]) > 12 for p in parts)

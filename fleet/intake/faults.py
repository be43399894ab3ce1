"""What is wrong with a row, said without repeating anybody's name.

A fault prints the offending value only where it is a number or a date with at most one unit word. Anything
else is described by its length, so that a name typed into the wrong cell never reaches a terminal or a log.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from fleet.columns import CODE_PATTERN

_UNITS = (
    "g|gf|mn|mm|cm|in|inch|inches|cu|µm/mn|μm/mn|um/mn|cm/dyn|°|deg|degrees?|°c|c|k|f|°f|hz|khz|db|h|hours?|min|"
    "minutes?|s|%|cw|ccw|pa"
)
_NUMBER = r"[+\-−]?\d{1,9}(?:[.,'’]\d{1,9}){0,3}[.,]?(?:e[+\-]?\d{1,4})?|[+\-]?(?:nan|inf|infinity)"
_DATE = r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[T ]\d{1,2}:\d{2}(?::\d{2})?)?"
_SHOWABLE = re.compile(rf"(?:{_NUMBER}|{_DATE})(?:\s?(?:{_UNITS}|\"))?", re.IGNORECASE)
_CODE = re.compile(CODE_PATTERN)


FAULT_COLUMNS: Final = ("file", "line", "column", "value", "reason")
"""A fault as a row of a table."""


class Fault(NamedTuple):
    """One thing wrong with one cell (or, with column "", with the whole row).

    `value` is already in its printable form; the offending text itself is not kept. `header` is what the
    bench calls the column, where it isn't the contract's name.
    """

    file: str
    line: int
    column: str
    value: str
    reason: str
    header: str = ""

    def __str__(self) -> str:
        where = f"{self.file} line {self.line}"
        own = f' (your "{self.header}")' if self.header else ""
        what = f", {self.column}{own}" if self.column else ""
        got = f" {self.value}" if self.value else ""
        return f"{where}{what}:{got} {self.reason}" if got else f"{where}{what}: {self.reason}"


def printable(value: str) -> str:
    """The value itself if it is a number or a date with at most one unit word, else how long it is."""
    value = value.strip()
    if not value:
        return ""
    if len(value) <= 24 and _SHOWABLE.fullmatch(value):
        return value
    return f"({len(value)} character{'s' if len(value) > 1 else ''}, not shown)"


def printable_header(header: str, position: int) -> str:
    """A header's name if it looks like a code, else its place (1 = first)."""
    header = header.strip()
    return header if _CODE.fullmatch(header) else f"column {position}"

"""What the text of one cell means in its column, or why it means nothing there."""

from __future__ import annotations

import datetime as dt
import math
import re
from typing import Any, Final

from fleet.columns import CODE_PATTERN, NUMBER_TEXT_PATTERN, Column
from fleet.intake.guides import hints

NUMBER_PATTERN: Final = r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
DAY_PATTERN: Final = r"[1-9][0-9]{3}-[0-9]{2}-[0-9]{2}"
PATTERNS: Final = {"code": CODE_PATTERN, "text": NUMBER_TEXT_PATTERN}
_LONGEST_SERIAL: Final = 100
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")


def meaning(text: str, column: Column, today: dt.date) -> tuple[Any, str]:
    """The value of a text, None if it has none, and what is wrong with it, "" if nothing is.

    Parameters
    ----------
    text : trimmed, not empty
    column : any but the serial's
    today : last day that isn't in the future
    """
    if column.kind == "number":
        return _number(text, column)
    if column.kind == "date":
        return _day(text, today)
    value: str | None
    if column.kind == "word":
        value, right = text.lower(), text.lower() in column.words
    elif column.kind == "codes":
        words = {word.strip().lower() for word in text.split(";")} - {""}
        value, right = ";".join(w for w in column.words if w in words) or None, words <= set(column.words)
    else:
        value, right = text, re.fullmatch(PATTERNS[column.kind], text) is not None
    return (value, "") if right else (None, f"is not {column.accepts}")


def _number(text: str, column: Column) -> tuple[float | None, str]:
    value = float(text) + 0.0 if re.fullmatch(NUMBER_PATTERN, text) else math.inf  # + 0.0 makes -0 plain 0
    if not math.isfinite(value):
        return None, hints.no_number(text)
    inside = value in column.choices if column.choices else column.low <= value <= column.high  # type: ignore[operator]
    return value, "" if inside else hints.out_of_range(column, value)


def _day(text: str, today: dt.date) -> tuple[dt.date | None, str]:
    try:
        day = dt.date.fromisoformat(text) if re.fullmatch(DAY_PATTERN, text) else None
    except ValueError:
        day = None
    if day is None:
        return None, hints.no_day(text)
    return day, "is in the future" if day > today else ""


def wrong_with_serial(serial: str) -> str:
    """Why a text can't be a serial; "" if it can."""
    if len(serial) > _LONGEST_SERIAL or _CONTROL.search(serial):
        return f"is longer than {_LONGEST_SERIAL} characters or holds control characters"
    return ""

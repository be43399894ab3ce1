"""What a wrong number was probably meant to be; a hint, never a change."""

from __future__ import annotations

import re

from fleet.columns import Column
from fleet.intake.guides.units import G_MN, INCH_MM

_DECIMAL_COMMA = re.compile(r"[+\-−]?\d+,\d+")
_THOUSANDS = re.compile(r"[+\-−]?\d{1,3}(?:[,'’ ]\d{3})+(?:\.\d+)?|[+\-−]?\d{1,3}(?:\.\d{3})+,\d+")
_WITH_UNIT = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?\s*[^\d\s.,+\-_]\D*")
_NOT_MEASURED = re.compile(r"n/?a|nan|null|none|-+|\?+|[+\-]?inf(?:inity)?|–|—|x", re.IGNORECASE)
_TYPESET_MINUS = re.compile(r"[−–]\d+(?:\.\d+)?")
_DAY_FIRST = re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}")


def no_number(text: str) -> str:
    """Why a text is no number here, and what to write instead."""
    if _NOT_MEASURED.fullmatch(text):
        return "is no number; leave the cell empty if it wasn't measured"
    if _DECIMAL_COMMA.fullmatch(text):
        return "has a decimal comma; write a point, or say so in a reading guide"
    if _THOUSANDS.fullmatch(text):
        return "has marks between thousands; write the digits alone"
    if _TYPESET_MINUS.fullmatch(text):
        return "has a typeset minus sign; write -"
    if _WITH_UNIT.fullmatch(text):
        return "has words after the number; the column's name says its unit"
    return "is no number"


def no_day(text: str) -> str:
    """Why a text is no day here, and what to write instead."""
    if _DAY_FIRST.fullmatch(text):
        return "is not a day written YYYY-MM-DD; a reading guide can say another order"
    return "is not a day of the calendar written YYYY-MM-DD"


def out_of_range(column: Column, value: float) -> str:
    """How a value misses its column's range, and what may have happened."""
    if column.choices:
        return f"is not {column.accepts}"
    reason = f"is outside {column.accepts}"
    assert column.low is not None
    assert column.high is not None

    def fits(x: float) -> bool:
        return column.low <= x <= column.high  # type: ignore[operator]

    if column.name == "vtf_mn" and fits(value * G_MN):
        return f"{reason}; {value:g} g is {value * G_MN:.1f} mN: is it grams?"
    if column.name == "vtf_mn" and fits(value / G_MN):
        return f"{reason}; {value / G_MN:.4g} mN would fit: was it in mN already, not in grams?"
    if column.unit == "mm" and fits(value * INCH_MM):
        return f"{reason}; {value:g} inch is {value * INCH_MM:.2f} mm: is it inches?"
    if column.unit == "mm" and fits(value / INCH_MM):
        return f"{reason}; {value / INCH_MM:.4g} mm would fit: was it in mm already, not in inches?"
    if column.unit == "dB" and column.high == 0 and fits(-value):
        return f"{reason}; crosstalk is negative here: {-value:g}?"
    if column.name == "temperature_c" and fits((value - 32) / 1.8):
        return f"{reason}; {value:g} °F is {(value - 32) / 1.8:.1f} °C: is it Fahrenheit?"
    if column.unit == "°" and column.low > 0 and fits(value * 10):
        return f"{reason}; is the decimal point in the wrong place ({value * 10:g})?"
    return reason

"""How a number is printed, wherever it is read: figures, shares, intervals, days, and what is not known.

It knows no pickup and no library of arrays: NaN, None and a missing day are all told by `unknown`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

NOT_KNOWN: Final = "–"
"""What stands in a table or a headline where nothing is known."""


def unknown(value: Any) -> bool:
    """Whether a value says nothing: None, NaN, not a time, not available."""
    if value is None or type(value).__name__ in {"NAType", "NaTType"}:
        return True
    return bool(value != value) if is_number(value) else False


def is_number(value: Any) -> bool:
    """Whether a value is a figure (true and false are not)."""
    if isinstance(value, bool):
        return False
    return isinstance(value, int | float) or type(value).__name__.startswith(("int", "float", "uint"))


def number(value: Any, digits: int = 2) -> str:
    """A figure to so many decimals, never as minus zero."""
    if unknown(value):
        return NOT_KNOWN
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def with_sign(value: float, unit: str = "", digits: int = 2) -> str:
    """A figure with its sign and unit; nought has no sign."""
    if unknown(value):
        return NOT_KNOWN
    text = f"{value:+.{digits}f}"
    return with_unit(f"{0:.{digits}f}" if float(text) == 0.0 else text, unit)


def with_unit(text: str, unit: str) -> str:
    """A figure's text with its unit: 91.2°, 45 min, 3 %."""
    return f"{text}{unit}" if unit in ("°", "") else f"{text} {unit}"


def figure(value: Any, unit: str = "", digits: int = 2) -> str:
    """A figure with its unit."""
    return NOT_KNOWN if unknown(value) else with_unit(number(value, digits), unit)


def span(low: Any, high: Any, unit: str = "", digits: int = 2) -> str:
    """An interval as `low to high`, the unit once."""
    if unknown(low) or unknown(high):
        return NOT_KNOWN
    return f"{number(low, digits)} to {figure(high, unit, digits)}"


def plus_minus(half_width: Any, unit: str = "", digits: int = 2) -> str:
    """Half the width of an interval: ± 0.3°."""
    return NOT_KNOWN if unknown(half_width) else f"± {figure(half_width, unit, digits)}"


def percent(share: Any, digits: int = 0) -> str:
    """A share or chance in per cent, whole ones unless more digits are wanted.

    Never 0 % or 100 % unless it is exactly that: what lies nearer to either than the last digit tells is
    `<1 %` or `>99 %` (`<0.1 %`, `>99.9 %` with one digit).
    """
    return NOT_KNOWN if unknown(share) else f"{_hundredths(share, digits)} %"


def percent_span(low: Any, high: Any, digits: int = 0) -> str:
    """An interval of a share or chance as `low to high %`, its ends printed as `percent` prints them."""
    if unknown(low) or unknown(high):
        return NOT_KNOWN
    return f"{_hundredths(low, digits)} to {_hundredths(high, digits)} %"


def percents(shares: Iterable[Any], digits: int = 0) -> list[str]:
    """Shares of a table's column in per cent."""
    return [percent(share, digits) for share in shares]


def percent_spans(lows: Iterable[Any], highs: Iterable[Any], digits: int = 0) -> list[str]:
    """Intervals of shares of a table's columns."""
    return [percent_span(low, high, digits) for low, high in zip(lows, highs, strict=True)]


def _hundredths(share: Any, digits: int) -> str:
    share, least = float(share), 10.0 ** -(digits + 2)
    if 0.0 < share < least:
        return f"<{100.0 * least:.{digits}f}"
    if 1.0 - least < share < 1.0 and not math.isclose(share, 1.0 - least, abs_tol=1e-12):
        return f">{100.0 * (1.0 - least):.{digits}f}"
    return number(100.0 * share, digits)


def day(stamp: Any) -> str:
    """A day as YYYY-MM-DD."""
    return NOT_KNOWN if unknown(stamp) else f"{stamp:%Y-%m-%d}"


def p_value(p: Any) -> str:
    """A p or q value to three digits; a small one as `<0.001`."""
    if unknown(p):
        return NOT_KNOWN
    return "<0.001" if 0.0 <= p < 0.001 else f"{p:.3f}"


def yes_no(value: Any) -> str:
    """A flag as a word."""
    return NOT_KNOWN if unknown(value) else "yes" if value else "no"


def count(n: int, noun: str) -> str:
    """A count with its noun: 1 unit, 3 units, 2 families."""
    many = f"{noun[:-1]}ies" if noun.endswith("y") and noun[-2] not in "aeiou" else f"{noun}s"
    return f"{n:.0f} {noun if n == 1 else many}"

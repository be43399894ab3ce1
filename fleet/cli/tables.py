"""Tables for the terminal: aligned columns of plain text, figures with their unit in the heading."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

NOT_KNOWN: Final = "-"
_FIGURE: Final = re.compile(r"[-+<>]?[0-9.e+-]+( %)?")


def table(
    columns: Mapping[str, Sequence[Any]], *, digits: Mapping[str, int] | int = 2, indent: str = "  "
) -> str:
    """Lay columns out side by side.

    Parameters
    ----------
    columns : cells by heading, all of one length. Numbers stand right, texts left, not known is a dash.
    digits : decimals of the figures, for all or by heading.
    indent : what each line begins with.

    Returns
    -------
    The lines, heading first, without a newline at the end.
    """
    texts: list[list[str]] = []
    for heading, cells in columns.items():
        decimals = digits if isinstance(digits, int) else digits.get(heading, 2)
        body = [cell_text(cell, decimals) for cell in cells]
        width = max(len(heading), *(len(text) for text in body)) if body else len(heading)
        numeric = all(text == NOT_KNOWN or _FIGURE.fullmatch(text) for text in body)
        texts.append([text.rjust(width) if numeric else text.ljust(width) for text in [heading, *body]])
    return "\n".join(indent + "  ".join(line).rstrip() for line in zip(*texts, strict=True))


def cell_text(value: Any, decimals: int = 2) -> str:
    """One cell as text: a figure to so many decimals, a day as YYYY-MM-DD, a dash for what is not known."""
    if unknown(value):
        return NOT_KNOWN
    if isinstance(value, bool) or type(value).__name__ in {"bool", "bool_"}:
        return "yes" if value else "no"
    if isinstance(value, int) or (is_number(value) and decimals == 0):
        return f"{value:.0f}"
    if is_number(value):
        text = f"{value:.{decimals}f}"
        return text.removeprefix("-") if float(text) == 0.0 else text
    if hasattr(value, "strftime"):
        return str(value.strftime("%Y-%m-%d"))
    return str(value)


def percent(share: float) -> str:
    """A share or chance as whole per cent; never 0 % or 100 % unless it is exactly that."""
    if unknown(share):
        return NOT_KNOWN
    if 0.0 < share < 0.01:
        return "<1 %"
    if 0.99 < share < 1.0:
        return ">99 %"
    return f"{100.0 * share:.0f} %"


def span(low: float, high: float, decimals: int = 2) -> str:
    """An interval as `low to high`."""
    if unknown(low) or unknown(high):
        return NOT_KNOWN
    return f"{cell_text(low, decimals)} to {cell_text(high, decimals)}"


def unknown(value: Any) -> bool:
    """Whether a cell says nothing: None, NaN, not a time, not available."""
    if value is None or type(value).__name__ in {"NAType", "NaTType"}:
        return True
    return isinstance(value, float) and math.isnan(value)


def is_number(value: Any) -> bool:
    """Whether a cell is a figure (true and false are not)."""
    if isinstance(value, bool):
        return False
    return isinstance(value, int | float) or type(value).__name__.startswith(("int", "float", "uint"))

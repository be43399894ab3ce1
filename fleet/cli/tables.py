"""Tables for the terminal: aligned columns of plain text, figures with their unit in the heading."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from fleet.numerals import NOT_KNOWN, day, is_number, number, unknown, yes_no

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
        return yes_no(value)
    if isinstance(value, int) or is_number(value):
        return number(value, 0 if isinstance(value, int) else decimals)
    return day(value) if hasattr(value, "strftime") else str(value)

"""Where a table stands in a file: header rows joined into one, titles above, totals and titles between."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

MOST_ROWS_ABOVE: Final = 60
"""Rows among which the header is looked for."""
MOST_HEADER_ROWS: Final = 3


def tidy(header: str) -> str:
    """A header without line breaks and double blanks."""
    return " ".join(header.split())


def key(header: str) -> str:
    """What two spellings of one header have in common."""
    return tidy(header).lower()


def join_rows(rows: Sequence[Sequence[str]]) -> list[str]:
    """Header rows as one row of headers that differ.

    A cell of an upper row also stands over the empty ones to its right, as far as a lower row says something
    there. Of several equal headers all but the first get a number: `SRA`, `SRA (2)`.
    """
    width = max(map(len, rows), default=0)
    padded = [[tidy(cell) for cell in row] + [""] * (width - len(row)) for row in rows]
    names = padded[-1]
    for upper in reversed(padded[:-1]):
        over, spread = "", []
        for place, cell in enumerate(upper):
            over = cell or (over if names[place] else "")
            spread.append(over)
        names = [tidy(f"{top} {name}") for top, name in zip(spread, names, strict=True)]
    seen: dict[str, int] = {}
    out = []
    for name in names:
        number = seen[name.lower()] = seen.get(name.lower(), 0) + 1
        out.append(f"{name} ({number})" if name and number > 1 else name)
    return out


def find_header(
    rows: Sequence[Sequence[str]], fits: Callable[[list[str]], bool], heights: Sequence[int]
) -> tuple[int, int] | None:
    """(place of the first header row, how many there are), the topmost that fits; None if none does."""
    for start in range(min(len(rows), MOST_ROWS_ABOVE)):
        if not any(cell.strip() for cell in rows[start]):
            continue
        for height in heights:
            window = rows[start : start + height]
            if len(window) == height and fits(join_rows(window)):
                return start, height
    return None

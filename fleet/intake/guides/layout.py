"""Where a table stands in a file: header rows joined into one, titles above, totals and titles between."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence, Set
from typing import Final

MOST_ROWS_ABOVE: Final = 60
"""Rows among which the header is looked for."""
MOST_HEADER_ROWS: Final = 3
_LEAST_NAMES: Final = 3
"""Column names known from a table before by which a row is taken for the head of another."""


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


def first_word(row: Sequence[str]) -> str:
    """The word, in small letters, that a row begins with; "" where its first cell begins with none."""
    first = next((cell for cell in row if cell.strip()), "")
    found = re.match(r"[^\W\d_]+", first.strip().lower())
    return found.group() if found else ""


def parts_of(cell: str) -> list[str]:
    """The words, in small letters, of a cell that may hold several."""
    return [part.strip().lower() for part in re.split(r"[;,/+]", cell) if part.strip()]


def names_again(row: Sequence[str], names: Set[str]) -> bool:
    """Whether a row below a header holds column names again, some of them known from it (as `key`s)."""
    told = {key(cell) for cell in row if cell.strip()}
    known = len(told & names)
    return known >= _LEAST_NAMES and 4 * known > len(told)


def names_of(headers: Sequence[str]) -> frozenset[str]:
    """Headers as `key`s, with the beginnings of those that may stand in several rows."""
    out = set()
    for words in (key(header).split() for header in headers):
        out |= {" ".join(words[:n]) for n in range(1, len(words) + 1)}
    return frozenset(out)


def further_tables(rows: Sequence[Sequence[str]], names: Set[str], height: int) -> list[tuple[int, int]]:
    """(first header row, how many there are) of each table that begins within the rows of another."""
    out: list[tuple[int, int]] = []
    for start, row in enumerate(rows):
        if (out and start < sum(out[-1])) or not names_again(row, names):
            continue
        windows = (join_rows(rows[start : start + tall]) for tall in range(1, height + 1))
        known = [len(names & {key(name) for name in window}) for window in windows]
        out.append((start, max(range(height), key=lambda i: (known[i], i)) + 1))
    return out


def full_names(headers: Sequence[str], before: Sequence[str]) -> list[str]:
    """Column names that stand again below: those of before, where only units are left out or nothing."""
    shorter = len(headers) == len(before) and all(
        f"{key(name)} ".startswith(f"{key(again)} ") for again, name in zip(headers, before, strict=True)
    )
    return list(before if shorter else headers)

"""Text cells that a spreadsheet would run as a formula: made harmless on the way out, restored on the way in.

A cell of text that begins with one of `RISKY` gets an apostrophe before it; so does one that already has
apostrophes before such a character, so that `restore` always gives back exactly what `defuse` was given.
Numbers are no text and stay numbers: -1.5 in a number column is never touched.
"""

from __future__ import annotations

import re
from typing import Final

RISKY: Final = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
"""First characters that make common spreadsheets take a cell for a formula (the last four are full-width)."""

_RISKY_TEXT = re.compile(rf"'*[{re.escape(RISKY)}]")
_DEFUSED_TEXT = re.compile(rf"'+[{re.escape(RISKY)}]")


def defuse(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet might run; leave any other as it is."""
    return f"'{text}" if _RISKY_TEXT.match(text) else text


def restore(text: str) -> str:
    """Take back what `defuse` did."""
    return text[1:] if _DEFUSED_TEXT.match(text) else text

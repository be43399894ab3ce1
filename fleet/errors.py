"""Errors that are the user's to mend: one clear line each, exit status 2.

Whoever has to do something else in one of these cases catches its class; nobody reads the line to find out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class FleetError(Exception):
    """Something could not be done; the message is one line that says why and what to do.

    Parameters
    ----------
    line : str
        Ends with a full stop on every screen, whether it was written with one or not.
    """

    def __init__(self, line: str) -> None:
        super().__init__(line if line.endswith((".", "?", "!")) else f"{line}.")


class NoStoreError(FleetError):
    """There is no store at this place yet."""


class StoreBusyError(FleetError):
    """Another program holds the store; it may be tried again."""


class NoModelError(FleetError):
    """The store has no house model yet, or none of the number asked for."""


class NoSuchUnitError(FleetError):
    """The store knows no such unit, or no sheet of that number."""


class UnreadableFileError(FleetError):
    """A file isn't there, may not be read, or isn't what it should be; no row of it was looked at."""


class TooFewError(FleetError):
    """There are too few sheets, units or readings to answer from."""


def meant(typed: str, known: Iterable[str]) -> str:
    """The end of a line that asks whether a known word was meant; "" where none is near.

    >>> meant("colums", ["columns", "guide"])
    '; did you mean columns?'
    """
    from difflib import get_close_matches

    words = {word.lower(): word for word in known}
    begun = [word for word in words if word.startswith(typed.lower())]
    near = begun if len(begun) == 1 else get_close_matches(typed.lower(), words, n=1)
    return f"; did you mean {words[near[0]]}?" if near else ""

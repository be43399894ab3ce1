"""Names of a room that are imported at their first use, so that a quick command loads what it needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def at_first_use(room: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """A room's ``__getattr__``.

    Parameters
    ----------
    room : the package's name
    homes : by module the names that it gives, with blanks between
    """
    home = {name: module for module, names in homes.items() for name in names.split()}

    def named(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        return getattr(import_module(home[name]), name)

    return named

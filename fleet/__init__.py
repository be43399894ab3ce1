"""Bench sheets of phono pickups in; honest quotes, suspects and attainment out.

The names of `__all__` are what a notebook needs (`fleet explain python`); each is imported at first use, so
that `import fleet` and the command line start at once.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from fleet.notebook.one_unit import unit
    from fleet.notebook.questions import align, attainment, fit, judge, quote, suspects
    from fleet.notebook.sheets import open_store, read_sheets
    from fleet.policy.policy import Policy

__version__ = "0.1.0"
__all__ = [
    "Policy",
    "align",
    "attainment",
    "fit",
    "judge",
    "open_store",
    "quote",
    "read_sheets",
    "suspects",
    "unit",
]
_HOMES: Final = {
    "Policy": "fleet.policy.policy",
    "open_store": "fleet.notebook.sheets",
    "read_sheets": "fleet.notebook.sheets",
    "unit": "fleet.notebook.one_unit",
}
_OTHERS: Final = "fleet.notebook.questions"


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES.get(name, _OTHERS)), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])


class _FrontDoor(ModuleType):
    """Keeps `fleet.attainment` the function: importing the room of that name would take its place."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in __all__ and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _FrontDoor

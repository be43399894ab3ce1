"""The refit command: it asks the library's own function, and says what that says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fleet.fitting import refit as fitting
from fleet.fitting.refitted import Refitted
from fleet.store import Store

Fleet = Callable[..., "object"]


def test_the_command_and_python_call_one_function(
    fleet: Fleet, sheets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`fleet refit` hands what was typed to `fleet.fitting.refit.refit` and prints its sentence."""
    asked: list[dict[str, Any]] = []
    done: list[Refitted] = []
    real = fitting.refit

    def noted(store: Store, **wish: Any) -> Refitted:
        asked.append(wish)
        done.append(real(store, **wish))
        return done[-1]

    monkeypatch.setattr(fitting, "refit", noted)
    fleet("intake", str(sheets))
    ran = fleet("refit", "--quick", "--since", "2024-02-01")
    assert ran.status == 0
    assert asked == [{"since": dt.date(2024, 2, 1), "quick": True, "tallies": None, "progress": None}]
    assert done[0].sentence.startswith("A full refit instead of a quick one: ")
    assert done[0].sentence.endswith("Model 1 is in use, the first one.")
    assert done[0].sentence in ran.out


def test_a_tallies_file_stands_alone(fleet: Fleet, sheets: Path) -> None:
    """A tallies file with --quick or --since is refused in one line, from either side."""
    for more in (("--quick",), ("--since", "2024-02-01")):
        ran = fleet("refit", "--tallies", "own.npz", *more)
        assert (ran.status, ran.err) == (
            2,
            "fleet: a tallies file holds what teaches already: leave out --quick and --since.\n",
        )

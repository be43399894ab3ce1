"""Uncertainty budgets on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

Fleet = Callable[..., Any]


pytestmark = pytest.mark.usefixtures("demo_store")


def test_budgets(fleet: Fleet) -> None:
    """All quantities in one table, one line by line with its notes, your own figures for assumed ones."""
    ran = fleet("budget")
    assert ran.status == 0
    assert "built-in angle" in ran.out
    ran = fleet("budget", "sag")
    assert "zero of the rake scale: no repeat shows it; ±0.1 ° assumed" in ran.out
    assert "repeats in the bench's own work" in ran.out
    other = fleet("budget", "sra_dynamic_deg", "--assume", "rake_zero_deg=0.9", "--readings", "4")
    assert "the most from: zero of the rake scale" in other.out
    assert fleet("budget", "sag", "--assume", "rake_zero_deg").status == 2
    assert fleet("budget", "beauty").status == 2
    assert fleet("budget", "--out", "budgets.csv").status == 0
    assert len(pd.read_csv("budgets.csv")) == 13


def test_budgets_before_the_first_store(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, empty_folder: Path
) -> None:
    """Without a store it stands on common practice, and says so."""
    monkeypatch.setenv("FLEET_STORE", str(empty_folder / "none.duckdb"))
    ran = fleet("budget", "zenith_deg")
    assert ran.status == 0
    assert "common practice (no source)" in ran.err
    assert "no repeats yet" in ran.out

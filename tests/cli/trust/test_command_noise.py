"""Reading noise on the command line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

Fleet = Callable[..., Any]


pytestmark = pytest.mark.usefixtures("demo_store")


def test_noise_keeps_operators_at_the_bench(fleet: Fleet) -> None:
    """The screen shows operators, a written file doesn't unless asked."""
    ran = fleet("noise")
    assert ran.status == 0
    assert "One reading scatters by" in ran.out
    assert "Operators' codes stay at the bench" in ran.out
    assert fleet("noise", "--out", "noise.csv").status == 0
    assert "operator" not in pd.read_csv("noise.csv")
    assert fleet("noise", "--with-operators", "--out", "noise.csv").status == 0
    assert set(pd.read_csv("noise.csv")["operator"].dropna()) == {"A", "B", "C"}


@pytest.mark.long
def test_noise_by_time(fleet: Fleet) -> None:
    """A row a reading and year; written without operators."""
    ran = fleet("noise", "--per", "year")
    assert ran.status == 0
    assert "by year" in ran.out
    assert fleet("noise", "--per", "year", "--out", "years.csv").status == 0
    years = pd.read_csv("years.csv")
    assert "operator" not in years
    assert years["period"].nunique() >= 4

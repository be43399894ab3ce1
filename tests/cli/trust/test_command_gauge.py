"""Gauge studies on the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fleet.bench_trust.gauge import gauge
from synthetic_data.spec import WorldSpec
from synthetic_data.watch import gauge_study

Fleet = Callable[..., Any]


pytestmark = pytest.mark.usefixtures("demo_store")


@pytest.fixture
def study(empty_folder: Path) -> Path:
    """A gauge study whose operator C reads 0.4° high."""
    frame, _ = gauge_study(WorldSpec(seed=3), operator_sd_deg=0.0)
    frame.loc[frame["operator"] == "C", "sra_dynamic_deg"] += 0.4
    path = empty_folder / "study.csv"
    frame.to_csv(path, index=False)
    return path


def test_a_gauge_study(fleet: Fleet, study: Path) -> None:
    """Both methods, who is off, how often to read: the judgement's own sentence, and its table as a file."""
    ran = fleet("gauge", str(study))
    assert ran.status == 0
    found = gauge(pd.read_csv(study), "sra_dynamic_deg")
    assert found.sentence in ran.out
    assert "C reads +0." in ran.out
    for word in ("By analysis of variance", "By REML", "by operators in turn"):
        assert word in ran.out
    assert fleet("gauge", str(study), "--out", "gauge.csv").status == 0
    table = pd.read_csv("gauge.csv")
    assert len(table) == 14
    assert "operator" not in table


def test_a_study_of_another_reading(fleet: Fleet, study: Path) -> None:
    """A column that is no reading of a sheet is named with --reading; else the line says so."""
    other = pd.read_csv(study).rename(columns={"sra_dynamic_deg": "thickness"})
    other.to_csv("other.csv", index=False)
    ran = fleet("gauge", "other.csv")
    assert ran.status == 2
    assert "--reading COLUMN" in ran.err
    assert fleet("gauge", "other.csv", "--reading", "height").status == 2
    ran = fleet("gauge", "other.csv", "--reading", "thickness", "--within", "0.1")
    assert ran.status == 0
    assert "One reading of the thickness scatters" in ran.out


def test_a_study_with_faulty_rows(fleet: Fleet, study: Path) -> None:
    """A reading that can't be is named and left out; the rest is judged."""
    text = study.read_text().splitlines()
    text[3] = "G01,A,3,9000"
    study.write_text("\n".join(text) + "\n")
    ran = fleet("gauge", str(study))
    assert ran.status == 0
    assert "line 4, sra_dynamic_deg" in ran.err
    assert "89 readings" in ran.out

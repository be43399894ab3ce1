"""`fleet watch`, `noise`, `gauge`, `budget` as a user types them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from fleet.bench_trust.gauge import gauge
from fleet.bench_trust.watch import check_pickups, watch
from fleet.store import Store
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


def test_the_watch_of_the_store(fleet: Fleet, demo_store: Path) -> None:
    """The demo bench's creep is told by the judgement's own sentence, with the sheets it touches."""
    ran = fleet("watch")
    assert ran.status == 0
    found = watch(check_pickups(Store(demo_store).current()))
    assert found.alarms
    assert ran.out.startswith(found.sentence)
    for line in (*found.lines, *found.cautions):
        assert line in ran.out
    assert "sheets of units were read since" in ran.out
    assert "no sheet is ever changed" in ran.out


def test_watch_writes_its_tables(fleet: Fleet) -> None:
    """--out, --series and --offsets write files; the line about offsets is never left out."""
    ran = fleet("watch", "--out", "watch.json", "--series", "series.csv", "--offsets", "offsets.csv")
    assert ran.status == 0
    assert "The sheets themselves stay as they were read" in ran.err
    rows = json.loads(Path("watch.json").read_text())
    assert {row["reading"] for row in rows} >= {"sra_dynamic_deg", "rake_both_deg"}
    assert any(row["alarm"] for row in rows)
    series, offsets = pd.read_csv("series.csv"), pd.read_csv("offsets.csv")
    assert set(series["part"]) == {"baseline", "watched"}
    assert (offsets["as_read"] - offsets["offset"]).sub(offsets["less_offset"]).abs().max() < 1e-6
    assert "serial" not in " ".join([*series, *offsets])


def test_watch_of_a_file(fleet: Fleet, demo_folder: Path) -> None:
    """A file's check pickups give the same answer as the store's, whatever key the store has."""
    from_file = fleet("watch", str(demo_folder / "demo-sheets.csv"))
    assert from_file.status == 0
    assert from_file.out.splitlines()[0] == fleet("watch").out.splitlines()[0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--bench", "nowhere"), "there are demo"),
        (("--baseline", "2021"), "FROM..TO"),
        (("--baseline", "2021-13-01.."), "no day"),
        (("--baseline", "2022-01-01..2021-01-01"), "ends before it begins"),
        (("--baseline", "2021-01-01..2021-02-01"), "at least 20 checks"),
        (("--out", "x.txt"), "what kind of file"),
    ],
)
def test_slips_of_the_user_are_one_line(fleet: Fleet, words: tuple[str, ...], said: str) -> None:
    """Each says in one line what to do, and ends with status 2."""
    ran = fleet("watch", *words)
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert said in ran.err


def test_sheets_without_a_check_pickup(fleet: Fleet, sheets: Path) -> None:
    """A file of customers' units alone is told how to mark a check pickup."""
    ran = fleet("watch", str(sheets))
    assert ran.status == 2
    assert "purpose=reference" in ran.err


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


def test_noise_by_time(fleet: Fleet) -> None:
    """A row a reading and year; written without operators."""
    ran = fleet("noise", "--per", "year")
    assert ran.status == 0
    assert "by year" in ran.out
    assert fleet("noise", "--per", "year", "--out", "years.csv").status == 0
    years = pd.read_csv("years.csv")
    assert "operator" not in years
    assert years["period"].nunique() >= 4


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

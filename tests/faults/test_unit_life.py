"""The life of one unit: visits in order, a retip starts anew, whatever is missing."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.faults.unit_life import Life, unit_life
from fleet.output import write_frame
from fleet.policy.policy import Policy

VISITS = pd.DataFrame(
    {
        "sheet_no": ["A3", "A1", "A2", "A4"],
        "bench": "main",
        "measured_on": pd.to_datetime(["2024-06-01", "2023-01-08", "2023-09-01", "2025-02-01"]),
        "stylus_profile": "line_contact",
        "body_family": "F1",
        "hours_used": [50.0, 200.0, 600.0, np.nan],
        "sra_static_deg": [91.5, 92.0, 91.9, 91.4],
        "sra_dynamic_deg": [90.7, 91.2, 91.1, 90.7],
        "vta_dynamic_deg": [20.0, 22.0, 21.8, 20.2],
        "zenith_deg": [0.0, 0.5, 3.6, 0.1],
        "tilt_applied_deg": [0.5, np.nan, np.nan, 0.5],
        "sra_after_deg": [91.2, np.nan, np.nan, 90.0],
        "vta_after_deg": [20.5, np.nan, np.nan, 19.5],
        "peculiarities": ["retipped", None, "worn", None],
        "remedy": ["arm_only", None, "sent_back", "arm_only"],
    }
)
POLICY = Policy()


@pytest.fixture(scope="module")
def life() -> Life:
    """The life of a unit with four visits and two assemblies."""
    verdicts = pd.DataFrame(
        {"recorded_on": [pd.Timestamp("2023-09-02")], "outcome": ["confirmed"], "fault": ["stylus_twisted"]}
    )
    quotes = pd.DataFrame({"issued_at": [pd.Timestamp("2023-01-02 10:00")], "p_both_met": [0.4]})
    return unit_life(VISITS, POLICY, verdicts=verdicts, quotes=quotes)


def test_visits_in_order(life: Life) -> None:
    """Visits stand by day, and the new assembly is compared with nothing before it."""
    assert life.visits["sheet_no"].tolist() == ["A1", "A2", "A3", "A4"]
    assert life.visits["assembly"].tolist() == [1, 1, 2, 2]
    assert sorted(life.changes) == [1, 3]
    assert sorted(life.corrections) == [2, 3]


def test_what_is_said(life: Life) -> None:
    """The twisted stylus, the retip, the short correction, verdict and quote are all told."""
    said = "\n".join(life.lines)
    for words in (
        "Drifted since 2023-01-08, 400 hours of play",
        "the stylus has turned on the cantilever, zenith +3.10°",
        "Retipped: it starts anew here.",
        "Only noise since 2024-06-01",
        "fell short by",
        "Done: sent back.",
        "Verdict of 2023-09-02: confirmed, stylus twisted.",
        "Quote of 2023-01-02: both targets met with a chance of 40 %.",
        "A corrected alignment is no repair",
    ):
        assert words in said
    assert life.sentence.startswith("4 visits, 2 assemblies; since 2024-06-01 only noise")
    assert "turn it +" in life.sentence


def test_as_a_table(life: Life, tmp_path: Path) -> None:
    """A row a visit goes to JSON with the same figures, nothing of the serial in it."""
    table = life.to_frame()
    assert len(table) == 4
    assert table["p_drifted"].iloc[1] == life.changes[1].chances["drifted"]
    assert table["next_turn_deg"].iloc[3] == life.corrections[3].turn.value
    assert table["compared_with"].tolist() == ["", "A1", "", "A3"]
    write_frame(table, str(tmp_path / "life.json"))
    rows = json.loads((tmp_path / "life.json").read_text())
    assert rows[1]["p_drifted"] == pytest.approx(table["p_drifted"].iloc[1])
    assert not [name for name in table if "serial" in name or "token" in name]


def test_one_visit() -> None:
    """One visit has nothing to be compared with, and says so."""
    one = unit_life(VISITS.iloc[[1]], POLICY)
    assert one.sentence == "1 visit; nothing to compare it with yet."
    assert one.changes == {}


@pytest.mark.parametrize("name", [*VISITS.columns])
def test_any_column_may_be_missing(name: str) -> None:
    """The life is told without any one of the columns."""
    life = unit_life(VISITS.drop(columns=name), POLICY)
    assert len(life.to_frame()) == 4
    assert "nan" not in "\n".join(life.lines)


def test_no_common_reading() -> None:
    """Two visits that read nothing alike are said not to be comparable."""
    frame = pd.DataFrame({"zenith_deg": [1.0, np.nan], "vta_dynamic_deg": [np.nan, 20.0]})
    life = unit_life(frame.assign(measured_on=pd.to_datetime(["2024-01-01", "2024-02-01"])), POLICY)
    assert math.isnan(life.changes[1].chances["noise"])
    assert life.sentence == "2 visits; since 2024-01-01 no reading taken at both visits."


def test_slow_wear_shows_against_the_first_visit() -> None:
    """Wear that each step hides in the noise is found between the first visit and the last."""
    n = 5
    fall = -0.45 * np.arange(n)
    visits = pd.DataFrame(
        {
            "sheet_no": [f"S{k}" for k in range(n)],
            "measured_on": pd.date_range("2020-01-01", periods=n, freq="365D"),
            "hours_used": 500.0 * np.arange(n),
            **{a: b + fall for a, b in (("sra_static_deg", 92.0), ("sra_dynamic_deg", 91.2))},
            "vta_dynamic_deg": 22.0 + fall,
        }
    )
    life = unit_life(visits, POLICY)
    assert not any(change.changed for change in life.changes.values())
    assert life.since_first[n - 1].state == "worn"
    assert "since 2020-01-01 worn" in life.sentence


def test_no_sheet() -> None:
    """Without a sheet there is no life; one line says what to do."""
    with pytest.raises(FleetError, match="take one in"):
        unit_life(VISITS.iloc[:0], POLICY)

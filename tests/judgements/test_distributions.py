"""Readings by group: what is counted, what is said of few, and where the model's estimate stands."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.errors import FleetError
from fleet.judgements.distributions import (
    FEWEST_FOR_MEDIAN,
    QUANTITIES,
    distribution,
    median_interval,
)


def sheets(**columns: object) -> pd.DataFrame:
    n = len(next(iter(columns.values())))  # type: ignore[call-overload]
    base = {
        "sheet_no": [f"B{i}" for i in range(n)],
        "unit": [f"u{i}" for i in range(n)],
        "newest": True,
        "purpose": "unit",
        "body_family": "F001",
        "stylus_profile": "line_contact",
        "cantilever_material": "boron",
    }
    return pd.DataFrame(base | columns, index=range(n))


def test_counts_medians_and_quartiles_are_those_of_the_readings() -> None:
    """Each group's figures are the plain sample figures of its own readings, largest group first."""
    frame = sheets(
        sra_dynamic_deg=[90.0, 91.0, 92.0, 93.0, 94.0, 88.0, 89.0],
        cantilever_material=["boron"] * 5 + ["ruby"] * 2,
    )
    table = distribution(frame, "sra_dynamic_deg", "cantilever_material").table
    assert table["group"].tolist() == ["boron", "ruby"]
    assert table["n"].tolist() == [5, 2]
    assert table["median"].tolist() == [92.0, 88.5]
    assert table["q25"].iloc[0] == pytest.approx(91.0)
    assert np.isnan(table["q25"].iloc[1])


def test_small_groups_get_no_interval() -> None:
    """Five readings support no 95 % interval of the median, six do: from the smallest to the largest."""
    five, six = np.arange(5.0), np.arange(6.0)
    assert FEWEST_FOR_MEDIAN == 6
    assert np.isnan(median_interval(five)).all()
    assert median_interval(six) == (0.0, 5.0)


@pytest.mark.parametrize("n", [6, 7, 20, 101])
def test_median_intervals_hold_what_they_promise(n: int) -> None:
    """The chance that the k-th smallest and k-th largest reading enclose the median is at least 95 %, and one
    step further in it would not be (derived: count below the median is binomial)."""
    low, high = median_interval(np.arange(float(n)))
    k = int(low) + 1
    assert high == n - k
    assert 1 - 2 * stats.binom.cdf(k - 1, n, 0.5) >= 0.95
    assert 1 - 2 * stats.binom.cdf(k, n, 0.5) < 0.95


def test_derived_quantities_and_spherical_styli() -> None:
    """Sag and built-in angle are differences of readings; a spherical stylus has neither, but is tracked."""
    frame = sheets(
        sra_static_deg=[92.0, 92.0],
        sra_dynamic_deg=[91.25, 91.0],
        vta_dynamic_deg=[22.0, 21.0],
        stylus_profile=["line_contact", "spherical"],
    )
    assert QUANTITIES["sag_deg"].read(frame)[0] == pytest.approx(0.75)
    assert QUANTITIES["built_in_deg"].read(frame)[0] == pytest.approx(69.25)
    assert np.isnan(QUANTITIES["sag_deg"].read(frame)[1])
    assert distribution(frame, "vta_dynamic_deg", "stylus_profile").table["n"].sum() == 2


def test_a_unit_counts_once_and_check_pickups_never() -> None:
    """Older sheets of a unit and reference sheets are left out."""
    frame = sheets(
        zenith_deg=[1.0, 2.0, 3.0], newest=[True, False, True], purpose=["unit", "unit", "reference"]
    )
    found = distribution(frame, "zenith_deg", "kind")
    assert found.table["n"].tolist() == [1]
    assert found.readings["value"].tolist() == [1.0]
    assert found.table["group"].tolist() == ["line_contact/boron"]


def test_untold_groups_are_named_as_such() -> None:
    """Units whose source wasn't told form a group of their own, not silently dropped."""
    frame = sheets(zenith_deg=[1.0, 2.0], assembly_source=["S01", None])
    assert set(distribution(frame, "zenith_deg", "assembly_source").table["group"]) == {"S01", "(not told)"}


def test_the_sentence_says_whether_intervals_overlap() -> None:
    """Two groups far apart: the sentence names both medians and that their intervals don't overlap."""
    frame = sheets(
        zenith_deg=[*np.linspace(-1, 0, 10), *np.linspace(2, 3, 10)],
        cantilever_material=["boron"] * 10 + ["ruby"] * 10,
    )
    sentence = distribution(frame, "zenith_deg", "cantilever_material").sentence
    assert "-0.50° (boron, n 10) to 2.50° (ruby, n 10)" in sentence
    assert "don't overlap" in sentence


def test_unknown_words_and_nothing_read_are_told_in_one_line() -> None:
    """Wrong quantity, wrong grouping and a column nobody read each get a sentence that says what to do."""
    frame = sheets(zenith_deg=[1.0])
    with pytest.raises(FleetError, match="no quantity 'rake'; choose one of sra_dynamic_deg"):
        distribution(frame, "rake", "kind")
    with pytest.raises(FleetError, match="no grouping 'colour'"):
        distribution(frame, "zenith_deg", "colour")
    with pytest.raises(FleetError, match="no sheet tells the tilt room"):
        distribution(frame, "tilt_room_deg", "kind")

"""Publishing: no small group shows, and none can be had by subtraction."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.errors import FleetError
from fleet.judgements.attainment import attainment
from fleet.judgements.policy import Policy
from fleet.judgements.publishing import FEW, merge_few, merged


def fleet_of(sizes, periods=None):
    """Sheets of as many units a source as said; every second unit is met level."""
    rows = [
        {"assembly_source": source, "sra_dynamic_deg": 91.0 if i % 2 else 80.0, "vta_dynamic_deg": 20.0}
        | {"tilt_room_deg": 3.0, "measured_on": f"{periods[source] if periods else 2024}-01-01"}
        for source, size in sizes.items()
        for i in range(size)
    ]
    return pd.DataFrame(rows)


def test_small_groups_become_few():
    """Two groups under five units become one `(few)`; the large ones stay."""
    table = attainment(
        fleet_of({"A": 20, "B": 3, "C": 4, "D": 9}), ["assembly_source"], Policy(), publish=True
    )
    assert list(table["assembly_source"]) == ["A", "D", FEW]
    assert list(table["units"]) == [20, 9, 7]
    assert list(table["rake_level_met"]) == [10, 4, 3]


def test_a_lone_small_group_takes_the_next_smallest_along():
    """One small group alone would follow from the total: the smallest other group is merged with it."""
    table = attainment(fleet_of({"A": 20, "B": 2, "D": 9}), ["assembly_source"], Policy(), publish=True)
    assert list(table["assembly_source"]) == ["A", FEW]
    assert list(table["units"]) == [20, 11]


def test_the_benchs_own_view_shows_all():
    """Without publishing every group shows."""
    table = attainment(fleet_of({"A": 20, "B": 2}), ["assembly_source"], Policy())
    assert list(table["units"]) == [20, 2]


def test_periods_are_kept_apart():
    """`(few)` is a group of its own in each period; a period too small altogether joins another."""
    sizes = {"A": 20, "B": 3, "C": 4, "D": 2}
    periods = {"A": 2023, "B": 2023, "C": 2023, "D": 2024}
    table = attainment(
        fleet_of(sizes, periods), ["assembly_source"], Policy(), per="year", publish=True, min_units=5
    )
    rows = [tuple(r) for r in table[["assembly_source", "period", "units"]].itertuples(index=False)]
    assert rows == [("A", "2023", 20), (FEW, FEW, 9)]


def test_figures_of_few_readings_are_blank():
    """A large group with two tracking readings shows no tracking figures."""
    sheets = fleet_of({"A": 20, "B": 10})
    sheets.loc[2:19, "vta_dynamic_deg"] = np.nan
    table = attainment(sheets, ["assembly_source"], Policy(), publish=True).set_index("assembly_source")
    assert pd.isna(table.loc["A", "tracking_level_met"])
    assert pd.isna(table.loc["A", "both_reachable_rate"])
    assert table.loc["A", "rake_level_met"] == 10
    assert table.loc["B", "tracking_level_met"] == 10


def test_too_few_to_publish():
    """Four units in all can't be published; a smallest size below one is refused."""
    with pytest.raises(FleetError, match="4 units in all are fewer than 5"):
        attainment(fleet_of({"A": 4}), ["assembly_source"], Policy(), publish=True)
    with pytest.raises(FleetError, match="at least 1"):
        attainment(fleet_of({"A": 9}), ["assembly_source"], Policy(), publish=True, min_units=0)


cells = st.lists(
    st.tuples(st.sampled_from("abcdef"), st.sampled_from(["2022", "2023", "2024"]), st.integers(1, 12)),
    min_size=1,
    max_size=14,
    unique_by=lambda c: c[:2],
)


@settings(deadline=None)
@given(cells, st.integers(1, 8))
def test_nothing_small_is_left_and_nothing_is_lost(table, smallest):
    """Whatever the sizes: every row left is big enough, and all units are still there."""
    labels = pd.DataFrame([(g, p) for g, p, _ in table], columns=["group", "period"])
    size = np.array([n for *_, n in table])
    if size.sum() < smallest:
        with pytest.raises(FleetError):
            merge_few(labels, size, smallest)
        return
    left, merge = merge_few(labels, size, smallest)
    total = merged(size, merge)
    assert (total >= smallest).all()
    assert total.sum() == size.sum()
    assert len(left) == len(total)
    assert not left.duplicated().any()
    for group, period, number in zip(labels["group"], labels["period"], merge, strict=True):
        new = left.iloc[number]
        assert new["group"] in (group, FEW)
        assert new["period"] in (period, FEW)
        if new["group"] == group:
            assert (merge == number).sum() == 1

"""Publishing attainment: groups are added up as they are, and no small one shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.attainment.attainment import attainment
from fleet.attainment.publishing import (
    FEW,
    counting_rule,
    group_counts,
    published_attainment,
)
from fleet.errors import FleetError
from fleet.policy.policy import Policy


def sheets_of(source: str, met: int, missed: int, **more: object) -> pd.DataFrame:
    """Sheets of one source: rake met level or not; tracking met by all."""
    rows = [
        {"assembly_source": source, "sra_dynamic_deg": 91.0 if i < met else 80.0, "vta_dynamic_deg": 20.0}
        | {"tilt_room_deg": 3.0, "stylus_profile": "elliptical", "cantilever_material": "boron", **more}
        for i in range(met + missed)
    ]
    return pd.DataFrame(rows)


def group(sheets: pd.DataFrame, **labels: str):
    told = {f"by {name}": value for name, value in labels.items()}
    return told, len(sheets), group_counts(sheets, Policy(), 5)


A = sheets_of("A", 6, 4)
B = sheets_of("B", 2, 5)
MIXED = pd.concat([sheets_of("A", 1, 2), sheets_of("C", 3, 1)], ignore_index=True)
KIND = {"stylus_profile": "elliptical", "cantilever_material": "boron"}
GROUPS = [
    group(A, assembly_source="A", year="2023", **KIND),
    group(B, assembly_source="B", year="2024", **KIND),
    group(MIXED, **KIND),
]


def test_groups_add_up_by_hand() -> None:
    """Each group is a row of its source; the one of several sources is `(few)`, last."""
    table = published_attainment(GROUPS, ["assembly_source"], Policy())
    assert list(table["assembly_source"]) == ["A", "B", FEW]
    assert list(table["units"]) == [10, 7, 7]
    assert list(table["rake_level_met"]) == [6, 2, 4]
    assert list(table["rake_level_n"]) == [10, 7, 7]
    assert table["rake_level_rate"].to_numpy() == pytest.approx([0.6, 2 / 7, 4 / 7])


def test_the_whole_is_what_the_bench_itself_sees() -> None:
    """All groups together give the figures of the plain table of the same units."""
    whole = pd.concat([A, B, MIXED], ignore_index=True)
    published = published_attainment(GROUPS, [], Policy())
    plain = attainment(whole, [], Policy())
    pd.testing.assert_frame_equal(published, plain[list(published)], check_dtype=False)
    by_kind = published_attainment(GROUPS, ["kind"], Policy())
    assert by_kind[["kind", "units"]].to_numpy().tolist() == [["elliptical/boron", 24]]


def test_periods_are_years_or_few() -> None:
    """A group of several years is `(few)` in time."""
    table = published_attainment(GROUPS, ["assembly_source"], Policy(), "year")
    rows = table[["assembly_source", "period", "units"]].to_numpy().tolist()
    assert rows == [["A", "2023", 10], ["B", "2024", 7], [FEW, FEW, 7]]


def test_measures_read_on_few_units_are_left_out() -> None:
    """Four tracking readings in a group of ten count nowhere; five do."""
    few, enough = A.copy(), A.copy()
    few.loc[4:, "vta_dynamic_deg"] = np.nan
    enough.loc[5:, "vta_dynamic_deg"] = np.nan
    assert "tracking_level" not in group_counts(few, Policy(), 5)
    assert group_counts(few, Policy(), 5)["rake_level"] == [10, 6]
    assert group_counts(enough, Policy(), 5)["tracking_level"] == [5, 5]
    table = published_attainment([group(few, assembly_source="A")], ["assembly_source"], Policy())
    assert table["tracking_level_n"].item() == 0
    assert np.isnan(table["tracking_level_rate"].item())


def test_pooled_rates_are_drawn_together() -> None:
    """Pooling lies between a group's own rate and the common one."""
    table = published_attainment(GROUPS, ["assembly_source"], Policy(), pooled=True)
    rate, drawn = table["rake_level_rate"].to_numpy(), table["rake_level_pooled"].to_numpy()
    assert np.ptp(drawn) < np.ptp(rate)


@pytest.mark.parametrize(
    ("by", "per", "words"),
    [
        (["operator"], None, "can't publish by 'operator'"),
        (["sheet_no"], None, "may point at single units"),
        (["kind", "kind"], None, "same column twice"),
        (["kind"], "month", "by year at the finest"),
    ],
)
def test_what_cant_be_published(by: list[str], per: str | None, words: str) -> None:
    """Columns and periods that groups aren't formed by are refused in one line."""
    with pytest.raises(FleetError, match=words):
        published_attainment(GROUPS, by, Policy(), per)


def test_without_a_group_nothing_is_published() -> None:
    """No group large enough: one line."""
    with pytest.raises(FleetError, match="nothing can be published"):
        published_attainment([], ["kind"], Policy())


def test_only_what_counts_belongs_to_the_rule() -> None:
    """Prices and names don't change the rule that counts are made by; limits do."""
    assert counting_rule(Policy()) == counting_rule(Policy(name="other", hourly_rate=60.0))
    assert counting_rule(Policy()) != counting_rule(Policy(tracking_limit_deg=23.0))


def test_intervals_hold_the_errors_of_the_counts() -> None:
    """With an error in the counts of a known variance the interval is wider by it, squared and added."""
    labels, units, counts = GROUPS[0]
    blurred = (labels, units, {m: [*v, 0.75] for m, v in counts.items()})
    plain = published_attainment([GROUPS[0]], [], Policy(), pooled=True).iloc[0]
    wide = published_attainment([blurred], [], Policy(), pooled=True).iloc[0]
    error = 1.959964 * 0.75**0.5 / 10
    assert wide["rake_level_rate"] == plain["rake_level_rate"] == 0.6
    for end, side in (("low", -1), ("high", 1)):
        own = abs(plain[f"rake_level_{end}"] - 0.6)
        assert wide[f"rake_level_{end}"] == pytest.approx(0.6 + side * np.hypot(own, error))
    assert np.ptp(wide[["rake_level_pooled_low", "rake_level_pooled_high"]]) > np.ptp(
        plain[["rake_level_pooled_low", "rake_level_pooled_high"]]
    )


def test_counts_outside_what_is_possible_make_rates_that_are() -> None:
    """An error may put a count below nought or above the units: the rate stays between 0 and 1."""
    for met in (-2, 13):
        found = published_attainment([({}, 10, {"rake_level": [10, met, 0.75]})], [], Policy()).iloc[0]
        assert 0.0 <= found["rake_level_low"] <= found["rake_level_rate"] <= found["rake_level_high"] <= 1.0

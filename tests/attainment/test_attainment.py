"""Attainment: counts by hand, who counts, and equality with a plain loop."""

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.targets import MEASURES, states
from fleet.attainment.attainment import NOT_TOLD, attainment, coarser, needed_columns
from fleet.attainment.conformity import Noise
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.statistics.proportions import wilson

DEFAULT = Policy()
NAN = np.nan

# Six units by hand: profile, rake, tracking, room, tilt applied, rake after, tracking after.
BY_HAND = pd.DataFrame(
    [
        ("line_contact", 91.0, 21.0, 3.0, 0.0, NAN, NAN),  # meets both as it lies
        ("line_contact", 89.0, 23.5, 3.0, 2.0, NAN, NAN),  # built-in 65.5: rules both out
        ("line_contact", 86.0, 17.0, 3.0, 3.0, 89.2, 20.1),  # built-in 69, but the room ends at 89
        ("line_contact", 93.0, 23.0, 3.0, -2.0, 90.9, 20.8),  # both by tilting down
        ("elliptical", 91.0, NAN, 3.0, 0.2, NAN, NAN),  # tracking not read
        ("spherical", NAN, 25.0, 3.0, -5.0, NAN, 20.3),  # no rake: both means tracking
    ],
    columns=[
        "stylus_profile",
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "tilt_room_deg",
        "tilt_applied_deg",
        "sra_after_deg",
        "vta_after_deg",
    ],
).assign(cantilever_material="boron", newest=True, purpose="unit", measured_on=pd.Timestamp("2024-05-01"))


def whole(sheets, **options):
    return attainment(sheets, [], options.pop("policy", DEFAULT), **options).iloc[0]


def test_by_hand():
    """Counts of all nine figures and both conflicts for six units, worked out with a pencil."""
    row = whole(BY_HAND)
    assert row["units"] == 6
    got = {m: (row[f"{m}_met"], row[f"{m}_n"]) for m in MEASURES}
    assert got == {
        "rake_level": (2, 5),
        "rake_reachable": (4, 5),
        "rake_built": (4, 5),
        "tracking_level": (2, 5),
        "tracking_reachable": (5, 5),
        "tracking_built": (4, 5),
        "both_level": (1, 5),
        "both_reachable": (3, 5),
        "both_built": (3, 5),
        "conflict_built_in": (1, 5),
        "conflict_reach": (1, 5),
    }
    assert row["both_reachable_rate"] == 0.6
    assert (row["both_reachable_low"], row["both_reachable_high"]) == tuple(wilson(3, 5))
    assert row["policy"] == DEFAULT.label


def test_the_needed_columns_are_enough():
    """Only the columns named as needed are read: fetching those alone gives the same table and counts."""
    passed_over = [BY_HAND.assign(newest=False), BY_HAND.assign(purpose="reference")]
    sheets = pd.concat([BY_HAND, *passed_over], ignore_index=True).assign(remedy="arm_only", height_mm=17.0)
    columns = needed_columns(["kind"], "year")
    assert "height_mm" not in columns
    assert len(set(columns)) == len(columns)
    got, want = (attainment(s, ["kind"], DEFAULT, per="year") for s in (sheets[columns], sheets))
    pd.testing.assert_frame_equal(got, want)


def test_who_counts():
    """Older sheets of a unit and reference sheets don't count."""
    older = BY_HAND.assign(newest=False)
    reference = BY_HAND.assign(purpose="reference")
    row = whole(pd.concat([BY_HAND, older, reference], ignore_index=True))
    pd.testing.assert_series_equal(row, whole(BY_HAND))


def test_groups_are_sorted_and_named():
    """One row a group, sorted; what was not told is a group of its own; `kind` is profile/material."""
    sheets = BY_HAND.copy()
    sheets.loc[0, "stylus_profile"] = None
    table = attainment(sheets, ["stylus_profile"], DEFAULT)
    assert list(table["stylus_profile"]) == [NOT_TOLD, "elliptical", "line_contact", "spherical"]
    assert list(table["units"]) == [1, 1, 3, 1]
    kinds = attainment(BY_HAND, ["kind"], DEFAULT)["kind"]
    assert list(kinds) == ["elliptical/boron", "line_contact/boron", "spherical/boron"]
    assert list(table.columns[:2]) == ["stylus_profile", "units"]


def test_contract_columns():
    """Every target and state has count, rate and limits under the contract's names."""
    table = attainment(BY_HAND, ["stylus_profile", "cantilever_material"], DEFAULT, per="year")
    assert list(table.columns[:4]) == ["stylus_profile", "cantilever_material", "period", "units"]
    for target in ("rake", "tracking", "both"):
        for state in ("level", "reachable", "built"):
            assert {f"{target}_{state}_{end}" for end in ("met", "rate", "low", "high")} <= set(table)
    for cause in ("conflict_built_in", "conflict_reach"):
        assert {f"{cause}_rate", f"{cause}_low", f"{cause}_high"} <= set(table)


@pytest.mark.parametrize(
    ("per", "want"),
    [("year", ["2023", "2024"]), ("quarter", ["2023-Q4", "2024-Q2"]), ("month", ["2023-12", "2024-05"])],
)
def test_periods(per, want):
    """A period is the year, quarter or month of the measurement; dates may be text or timestamps."""
    sheets = pd.concat([BY_HAND, BY_HAND.assign(measured_on=pd.Timestamp("2023-12-31"))], ignore_index=True)
    assert list(attainment(sheets, [], DEFAULT, per=per)["period"]) == want
    text = sheets.assign(measured_on=sheets["measured_on"].dt.strftime("%Y-%m-%d"))
    assert list(attainment(text, [], DEFAULT, per=per)["period"]) == want


def test_built_reads_after_before_applied():
    """A reading after the correction goes before level plus tilt; `none` as remedy means no tilt."""
    sheets = BY_HAND.iloc[[0, 0]].assign(
        remedy=["none", "arm_only"], tilt_applied_deg=NAN, sra_after_deg=NAN, vta_after_deg=NAN
    )
    built = states(sheets, DEFAULT)["both_built"]
    assert list(built) == [1, -1]
    reread = BY_HAND.iloc[[0]].assign(sra_after_deg=90.1, vta_after_deg=22.3)
    assert [int(states(reread, DEFAULT)[f"{t}_built"][0]) for t in ("rake", "tracking")] == [0, 0]
    assert list(states(BY_HAND, DEFAULT)["rake_built"]) == [1, 1, 0, 1, 1, -1]


def test_room_not_read():
    """Without the tilt room nothing is said about reach; level and built are unharmed."""
    row = whole(BY_HAND.assign(tilt_room_deg=NAN))
    assert row["both_reachable_n"] == row["conflict_reach_n"] == 0
    assert np.isnan(row["both_reachable_rate"])
    assert row["rake_level_n"] == 5


def test_missing_columns_were_not_read():
    """A bench that never reads a column gets its figures for the rest."""
    row = whole(BY_HAND[["stylus_profile", "sra_dynamic_deg"]])
    assert (row["rake_level_n"], row["tracking_level_n"], row["both_built_n"]) == (5, 0, 0)


def test_nothing_to_count():
    """An empty fleet gives an empty table with all columns."""
    table = attainment(BY_HAND.iloc[:0], ["stylus_profile"], DEFAULT, per="year")
    assert table.empty
    assert {"stylus_profile", "period", "units", "both_built_high", "policy"} <= set(table)


def plain_loop(sheet, policy):
    """One unit's answers with plain Python: every tilt in hundredths of a degree is tried."""
    low, high = policy.rake_accepted_deg
    sra, vta, room = (
        round(100 * v) for v in (sheet.sra_dynamic_deg, sheet.vta_dynamic_deg, sheet.tilt_room_deg)
    )
    meets = [
        (100 * low <= sra + t <= 100 * high, vta + t <= 100 * policy.tracking_limit_deg)
        for t in range(round(100 * policy.tilt_lower_limit_deg), room + 1)
    ]
    at_level = 100 * low <= sra <= 100 * high, vta <= 100 * policy.tracking_limit_deg
    return {
        "rake_level": at_level[0],
        "tracking_level": at_level[1],
        "both_level": all(at_level),
        "rake_reachable": any(r for r, _ in meets),
        "tracking_reachable": any(t for _, t in meets),
        "both_reachable": any(r and t for r, t in meets),
    }


def test_equals_a_plain_loop():
    """Counts of 400 random units by two groups equal a loop over units and tilts."""
    rng = np.random.default_rng(3)
    sheets = pd.DataFrame(
        {
            "sra_dynamic_deg": rng.normal(90, 2.5, 400).round(2),
            "vta_dynamic_deg": rng.normal(22, 2.5, 400).round(2),
            "tilt_room_deg": rng.uniform(0, 4, 400).round(2),
            "assembly_source": rng.choice(["S01", "S02"], 400),
        }
    )
    table = attainment(sheets, ["assembly_source"], DEFAULT).set_index("assembly_source")
    loop = pd.DataFrame([plain_loop(sheet, DEFAULT) for sheet in sheets.itertuples()])
    for measure in loop:
        want = loop[measure].groupby(sheets["assembly_source"]).sum()
        assert list(table[f"{measure}_met"]) == list(want)


def test_conflicts_and_both_add_up():
    """Both reachable and the two conflicts are all there is: their rates add to one."""
    row = whole(BY_HAND)
    total = row["both_reachable_rate"] + row["conflict_built_in_rate"] + row["conflict_reach_rate"]
    assert total == pytest.approx(1.0)


def test_pooled_and_chance_stand_beside_the_plain_rate():
    """On request the pooled rate and the mean chance of conformity stand beside the plain rate."""
    rng = np.random.default_rng(4)
    sheets = pd.DataFrame(
        {
            "sra_dynamic_deg": rng.normal(91, 1.5, 300),
            "vta_dynamic_deg": rng.normal(21, 1.5, 300),
            "tilt_room_deg": 3.0,
            "assembly_source": rng.choice(["S01", "S02", "S03"], 300),
        }
    )
    table = attainment(sheets, ["assembly_source"], DEFAULT, pooled=True, noise=Noise(0.15, 0.35))
    assert (table["both_level_pooled_low"] < table["both_level_pooled"]).all()
    assert (table["both_level_chance"] - table["both_level_rate"]).abs().max() < 0.06
    assert "conflict_reach_chance" not in table


def test_nullable_columns_as_the_store_gives_them():
    """Nullable and categorical columns give the same figures as plain ones."""
    nullable = BY_HAND.convert_dtypes().assign(stylus_profile=BY_HAND["stylus_profile"].astype("category"))
    got, want = (attainment(s, ["stylus_profile"], DEFAULT) for s in (nullable, BY_HAND))
    pd.testing.assert_frame_equal(got, want)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"by": ["shoe_size"]}, "can't group by 'shoe_size'"),
        ({"by": ["stylus_profile", "stylus_profile"]}, "same column twice"),
        ({"by": [], "per": "week"}, "periods are year, quarter, month"),
    ],
)
def test_wrong_requests(options, words):
    """An unknown column or period is one clear line."""
    with pytest.raises(FleetError, match=words):
        attainment(BY_HAND.assign(operator="A"), policy=DEFAULT, **options)


def test_a_coarser_table_is_the_same_count() -> None:
    """Groups and periods put together give what counting them at once gives, intervals included."""
    from fleet.attainment.attainment import coarser
    from synthetic_data.demo import demo_fleet

    sheets = demo_fleet().sheets.head(500)
    fine = attainment(sheets, ["stylus_profile", "assembly_source"], Policy(), "year")
    for by in (["assembly_source"], ["stylus_profile", "assembly_source"], []):
        pd.testing.assert_frame_equal(coarser(fine, by), attainment(sheets, by, Policy()), check_dtype=False)


def test_angles_on_a_limit_meet_it():
    """Level or built, a reading on the limit meets it, one a hundredth of a degree beyond does not."""
    policy = DEFAULT.but(rake_accepted_deg=(90.7, 92.3), tracking_limit_deg=22.2)
    tilt = np.arange(-2.0, 4.0, 0.001).round(3)
    for rake in policy.rake_accepted_deg:
        on = pd.DataFrame(
            {
                "sra_dynamic_deg": (rake - tilt).round(3),
                "vta_dynamic_deg": (22.2 - tilt).round(3),
                "tilt_applied_deg": tilt,
                "tilt_room_deg": 4.0,
            }
        )
        assert (states(on, policy)["both_built"] == 1).all()
    limits = pd.DataFrame(
        {
            "sra_dynamic_deg": [90.7, 92.3, 90.69, 92.31, 91.0, 91.0],
            "vta_dynamic_deg": [20.0, 20.0, 20.0, 20.0, 22.2, 22.21],
            "tilt_room_deg": 4.0,
        }
    )
    found = states(limits, policy)
    assert found["rake_level"].tolist() == [1, 1, 0, 0, 1, 1]
    assert found["tracking_level"].tolist() == [1, 1, 1, 1, 1, 0]


def test_one_group_put_together_is_itself():
    """A table of a single row stays what it was, under the policy that judged it."""
    table = attainment(BY_HAND, [], DEFAULT)
    put = coarser(table, [])
    assert put["policy"].tolist() == [DEFAULT.label]
    pd.testing.assert_frame_equal(put, table[list(put)], check_dtype=False)

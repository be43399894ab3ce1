"""What-if, trends and funnel: attainment set against another policy, time and other sources."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.attainment.attainment import attainment
from fleet.attainment.comparisons import limits_exceeded, source_funnel, trends, what_if
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.statistics.proportions import funnel

DEFAULT = Policy()


def invented(n=600, seed=8):
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "sra_dynamic_deg": rng.normal(90.5, 2.0, n),
            "vta_dynamic_deg": rng.normal(21.5, 2.0, n),
            "tilt_room_deg": 3.0,
            "assembly_source": rng.choice(["S01", "S02", "S03"], n),
            "measured_on": pd.Timestamp("2021-01-01") + pd.to_timedelta(rng.integers(0, 1_095, n), "D"),
        }
    )


def test_what_if_equals_counting_anew():
    """Under "tracking were 24" the rates are those of an attainment table under that policy."""
    sheets, other = invented(), DEFAULT.but(tracking_limit_deg=24.0)
    table = what_if(sheets, ["assembly_source"], DEFAULT, other)
    both = table[table["measure"] == "both_reachable"]
    for policy, rate in ((DEFAULT, "rate"), (other, "rate_other")):
        want = attainment(sheets, ["assembly_source"], policy)
        np.testing.assert_allclose(both[rate], want["both_reachable_rate"])
    assert (both["gained"] > 0).all()
    assert (both["lost"] == 0).all()
    assert set(table["policy_other"]) == {other.label}


def test_what_if_counts_gains_and_losses():
    """A band moved up wins some units and loses others; the difference of the counts is their difference."""
    row = what_if(invented(), [], DEFAULT, DEFAULT.but(rake_accepted_deg=(91.0, 94.0))).set_index("measure")
    level = row.loc["rake_level"]
    assert level["gained"] > 0
    assert level["lost"] > 0
    assert level["n"] * (level["rate_other"] - level["rate"]) == pytest.approx(
        level["gained"] - level["lost"]
    )


def test_same_policy_changes_nothing():
    """Compared with itself a policy neither gains nor loses."""
    table = what_if(invented(), ["assembly_source"], DEFAULT, DEFAULT)
    assert table["gained"].sum() == table["lost"].sum() == 0


def test_trend_of_one_group_among_three():
    """One source that improves is found; the two that don't stay above 5 % after allowing for all three."""
    sheets = invented(3_000)
    better = sheets["assembly_source"] == "S02"
    years = (sheets["measured_on"] - pd.Timestamp("2021-01-01")).dt.days / 365
    sheets.loc[better, "vta_dynamic_deg"] -= 1.0 * years[better]
    table = trends(attainment(sheets, ["assembly_source"], DEFAULT, per="quarter"), "tracking_level")
    table = table.set_index("assembly_source")
    assert table.loc["S02", "q_value"] < 1e-6
    assert table.loc["S02", "slope"] > 0
    assert (table.loc[["S01", "S03"], "q_value"] > 0.05).all()
    assert (table["q_value"] >= table["p_value"]).all()


def test_trend_sees_gaps_between_periods():
    """A missing quarter still counts as time: positions are those of the calendar."""
    rows = []
    for quarter, met in (("2023-02", 2), ("2023-05", 4), ("2024-02", 10)):
        rows += [
            {"sra_dynamic_deg": 91.0 if i < met else 80.0, "measured_on": f"{quarter}-01"} for i in range(12)
        ]
    table = trends(attainment(pd.DataFrame(rows), [], DEFAULT, per="quarter"), "rake_level")
    assert table.loc[0, "slope"] == pytest.approx(np.polyfit([0, 1, 4], [2 / 12, 4 / 12, 10 / 12], 1)[0])


def test_funnel_of_sources():
    """A source far below the others is outside, the others are not."""
    sheets = invented(3_000)
    sheets.loc[sheets["assembly_source"] == "S03", "vta_dynamic_deg"] += 1.5
    frame, figures = source_funnel(attainment(sheets, ["assembly_source"], DEFAULT), "tracking_reachable")
    frame = frame.set_index("assembly_source")
    assert frame.loc["S03", "outside"] == "99.8"
    assert frame.loc["S03", "rate"] < figures.centre
    assert list(frame.columns) == ["n", "rate", "low95", "high95", "low998", "high998", "z", "outside"]


def test_wrong_requests():
    """A table without periods, an unknown measure, nothing read: one clear line each."""
    table = attainment(invented(), ["assembly_source"], DEFAULT)
    with pytest.raises(FleetError, match="no periods"):
        trends(table)
    with pytest.raises(FleetError, match="no 'both_somehow'"):
        source_funnel(table, "both_somehow")
    with pytest.raises(FleetError, match="no unit was read"):
        source_funnel(attainment(invented().assign(vta_dynamic_deg=np.nan), [], DEFAULT))


def test_beyond_a_limit_means_a_tail_that_small() -> None:
    """A count is called beyond exactly where the binomial tail from it on is under the limit's (derived)."""
    cells = [(met, n) for n in (5, 10, 40, 200) for met in range(n + 1)]
    for rate in (0.06, 0.5, 0.94):
        met, n = np.array(cells).T
        low, high = stats.binom.cdf(met, n, rate), stats.binom.sf(met - 1, n, rate)
        tail = np.minimum(low, high)
        outside = limits_exceeded(funnel(met, n, rate, allow_overdispersion=False), n.astype(float))
        np.testing.assert_array_equal(outside == "99.8", tail < 0.001)
        np.testing.assert_array_equal(outside != "", tail < 0.025)

"""Two groups against each other: the raw shift holds its promise, the model's takes out what is shared."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.attainment.contrasts import MOST_OF_A_GROUP, by_period, contrast, shift_interval
from fleet.attainment.distributions import median_interval
from fleet.errors import FleetError
from fleet.fitting.refit import refit
from fleet.house_model.house import House
from fleet.store import Store
from synthetic_data.demo import demo_fleet


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> tuple[pd.DataFrame, House]:
    sheets = demo_fleet().sheets
    sheets = sheets[sheets["purpose"] == "unit"].head(400).copy()
    sheets["serial_token"] = sheets.pop("serial")
    store = Store(tmp_path_factory.mktemp("contrasts") / "s.duckdb").create()
    store.append(sheets, file_name="demo.csv")
    return store.current(), refit(store).house


def test_the_interval_inverts_the_rank_sum_test() -> None:
    """At its ends scipy's rank-sum test is at the level; inside it doesn't reject, outside it does."""
    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, 60), rng.normal(0.7, 1.4, 45)
    shift, low, high = shift_interval(a, b)
    assert low < shift < high

    def p(by: float) -> float:
        return float(stats.mannwhitneyu(b - by, a, method="asymptotic", use_continuity=False).pvalue)

    step = 0.02
    assert p(low + step) > 0.05 > p(low - step)
    assert p(high - step) > 0.05 > p(high + step)


def test_the_interval_covers_the_true_shift() -> None:
    """Over 400 pairs of skewed samples the 95 % interval holds the true shift in 92 to 98 %."""
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        a, b = rng.exponential(1.0, 25), rng.exponential(1.0, 18) + 0.5
        _, low, high = shift_interval(a, b)
        held += low <= 0.5 <= high
    assert 0.92 <= held / 400 <= 0.98


def test_large_groups_are_thinned_without_changing_the_answer() -> None:
    """Above the limit evenly spread readings stand in: shift and interval stay those of all readings."""
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1, 4 * MOST_OF_A_GROUP), rng.normal(0.3, 1, 3 * MOST_OF_A_GROUP)
    shift, low, high = shift_interval(a, b)
    assert shift == pytest.approx(0.3, abs=0.06)
    half = 1.96 * np.sqrt(np.pi / 3) * np.sqrt(1 / len(a) + 1 / len(b))  # efficiency 3/pi of the rank sum
    assert (high - low) / 2 == pytest.approx(half, rel=0.1)


def test_three_against_three_has_no_interval() -> None:
    """Six readings can't support 95 %: the shift stands alone."""
    shift, low, high = shift_interval(np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0]))
    assert shift == 3.0
    assert np.isnan(low)
    assert np.isnan(high)


def test_the_model_says_less_uncertain_than_two_separate_estimates(
    fleet: tuple[pd.DataFrame, House],
) -> None:
    """What both groups share cancels: the difference is surer than two estimates held apart."""
    from fleet.attainment.distributions import distribution

    sheets, house = fleet
    groups = distribution(sheets, "sag_deg", "assembly_source", house).table.set_index("group")
    pair = tuple(groups.index[:2])
    found = contrast(sheets, "sag_deg", "assembly_source", house, pair=pair)
    apart = groups.loc[list(pair)]
    assert found.model == pytest.approx(apart["model"].iloc[1] - apart["model"].iloc[0], abs=1e-9)
    widths = (apart["model_high"] - apart["model_low"]).to_numpy()
    assert found.model_high - found.model_low < np.hypot(*widths) + 1e-9
    assert str(found.n[0]) in found.sentence
    assert "The house model expects" in found.sentence


def test_turned_round_the_sign_turns(fleet: tuple[pd.DataFrame, House]) -> None:
    """Second less first is minus first less second, raw and modelled."""
    sheets, house = fleet
    there = contrast(sheets, "vta_dynamic_deg", "assembly_source", house, pair=("S01", "S02"))
    back = contrast(sheets, "vta_dynamic_deg", "assembly_source", house, pair=("S02", "S01"))
    assert back.shift == pytest.approx(-there.shift)
    assert back.shift_low == pytest.approx(-there.shift_high)
    assert back.model == pytest.approx(-there.model)


def test_a_group_without_a_reading_is_refused(fleet: tuple[pd.DataFrame, House]) -> None:
    """A spherical stylus has no rake: nothing to compare, one line that says so."""
    sheets, house = fleet
    with pytest.raises(FleetError, match="no unit of spherical was read for rake"):
        contrast(sheets, "sra_dynamic_deg", "stylus_profile", house, pair=("elliptical", "spherical"))


def test_periods_add_up(fleet: tuple[pd.DataFrame, House]) -> None:
    """Every reading falls into one period, in order; a period's figures are those of its own readings."""
    sheets, _ = fleet
    table = by_period(sheets, "vta_dynamic_deg", "year")
    counting = sheets[sheets["newest"]]
    assert table["n"].sum() == counting["vta_dynamic_deg"].notna().sum()
    assert table["period"].tolist() == sorted(table["period"])
    first = counting[counting["measured_on"].dt.year == int(table["period"].iloc[0])][
        "vta_dynamic_deg"
    ].dropna()
    assert table["median"].iloc[0] == pytest.approx(first.median())
    assert table["low"].iloc[0] == pytest.approx(median_interval(first.to_numpy())[0])

"""Rates: what pooling, trends and multiplicity do to small groups."""

import numpy as np
import pytest

from fleet.statistics.proportions import adjust, funnel, pool, trend, wilson


def test_no_units_no_interval():
    """A group without units has no rate interval; a group with all or none met touches 1 or 0 exactly."""
    low, high = wilson([0, 0, 5], [0, 5, 5])
    assert np.isnan([low[0], high[0]]).all()
    assert (low[1], high[2]) == (0.0, 1.0)


def test_small_groups_are_drawn_further():
    """Of two groups with the same rate the smaller one is drawn further toward the fleet."""
    met, n = np.array([1, 100, 60, 55, 65]), np.array([1, 100, 100, 100, 100])
    result = pool(met, n)
    assert result.rate[0] < result.rate[1] < 1.0
    assert result.fleet_rate < result.rate[0]
    assert (result.low < result.rate).all()
    assert (result.rate < result.high).all()


def test_equal_groups_pool_almost_wholly():
    """Where groups differ no more than chance allows, a thin group's interval is far below Wilson's."""
    met, n = np.append(np.full(20, 30), 2), np.append(np.full(20, 50), 5)
    result = pool(met, n)
    low, high = wilson(2, 5)
    assert result.high[-1] - result.low[-1] < 0.5 * float(high - low)
    assert result.rate[-1] == pytest.approx(0.6, abs=0.03)


@pytest.mark.long
def test_pooled_intervals_hold_what_they_say():
    """In 60 invented fleets of 12 groups the 90 % intervals hold 86 to 94 % of the true rates."""
    rng = np.random.default_rng(20)
    held = []
    for _ in range(60):
        truth = rng.beta(6, 4, 12)
        n = rng.integers(2, 30, 12)
        result = pool(rng.binomial(n, truth), n, level=0.9)
        held.append((result.low <= truth) & (truth <= result.high))
    assert 0.86 <= np.mean(held) <= 0.94


def test_a_group_nobody_has_seen_gets_the_fleet():
    """A group without units gets the fleet's rate and the fleet's spread."""
    result = pool([60, 55, 65, 0], [100, 100, 100, 0])
    assert result.rate[3] == pytest.approx(result.fleet_rate, abs=1e-9)
    assert result.high[3] - result.low[3] > result.high[0] - result.low[0]


def test_all_met_is_not_certain():
    """Five of five in every group still leaves room for failures."""
    result = pool([5, 5, 5], [5, 5, 5])
    assert (result.high > 0.99).all()
    assert (result.low < 0.95).all()


def test_trend_false_alarms_are_as_stated():
    """Without any trend the test at 5 % cries wolf in 3 to 7 % of 2 000 invented series."""
    rng = np.random.default_rng(5)
    series = rng.binomial(30, 0.6, size=(2_000, 6))
    p = np.array([trend(row, np.full(6, 30)).p_value for row in series])
    assert 0.03 <= np.mean(p < 0.05) <= 0.07


def test_trend_needs_units():
    """One period, or a handful of units, is answered with nothing rather than with a p-value."""
    assert np.isnan(trend([10], [20]).p_value)
    assert np.isnan(trend([1, 2], [3, 3]).p_value)
    assert np.isnan(trend([3, 3], [3, 3]).p_value)
    assert "Too few" in trend([1, 2], [3, 3]).sentence


def test_many_groups_are_allowed_for():
    """Benjamini-Hochberg and Holm by hand on four p-values; a NaN neither counts nor changes."""
    p = [0.01, 0.04, np.nan, 0.03, 0.5]
    np.testing.assert_allclose(adjust(p), [0.04, 0.04 * 4 / 3, np.nan, 0.04 * 4 / 3, 0.5])
    np.testing.assert_allclose(adjust(p, "holm"), [0.04, 0.09, np.nan, 0.09, 0.5])
    assert np.isnan(adjust([np.nan])).all()


def test_few_groups_keep_plain_funnel_limits():
    """Five groups can't show overdispersion: their limits stay those of chance."""
    assert funnel([40, 80, 45, 75, 60], [100] * 5).overdispersion == 1.0

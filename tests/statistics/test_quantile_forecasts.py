"""Quantile forecasts: their scores against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from fleet.statistics.quantile_forecasts import GRID, LEVELS, central_interval, crps, pit, quantiles_of

NORMAL = special.ndtri(GRID)[None, :]


@pytest.mark.parametrize(
    ("read", "exact"),
    [(0.0, 0.23369497725510913), (1.0, 0.6024413576276163), (-1.0, 0.6024413576276163), (0.5, 0.33140353)],
)
def test_crps_of_a_normal_forecast(read: float, exact: float) -> None:
    """Kept quantiles give a normal forecast's score to one in a hundred (Gneiting & Raftery 2007)."""
    assert crps(NORMAL, np.array([read]))[0] == pytest.approx(exact, rel=0.01)


def test_crps_of_the_truth_is_the_least() -> None:
    """On readings of N(0, 1) the true forecast scores 1/sqrt(pi); wrong spread or place scores worse."""
    y = special.ndtri((np.arange(4000) + 0.5) / 4000)

    def mean(m: float, s: float) -> float:
        return float(crps(np.repeat(m + s * NORMAL, len(y), axis=0), y).mean())

    assert mean(0.0, 1.0) == pytest.approx(1.0 / np.sqrt(np.pi), rel=0.005)
    assert min(mean(0.0, 0.5), mean(0.0, 2.0), mean(0.5, 1.0)) > 1.05 * mean(0.0, 1.0)


def test_a_point_forecast_scores_its_distance() -> None:
    """All quantiles in one place: the absolute error."""
    assert crps(np.full((1, len(GRID)), 2.0), np.array([5.0])) == pytest.approx([3.0])


def test_pit_of_honest_forecasts_is_uniform() -> None:
    """Values of the true forecast pass a test for uniformity; those of a wrong spread don't."""
    y = np.random.default_rng(1).standard_normal(3000)

    def p_value(scale: float) -> float:
        return float(stats.kstest(pit(np.repeat(scale * NORMAL, len(y), axis=0), y), "uniform").pvalue)

    assert p_value(1.0) > 0.05
    assert max(p_value(0.7), p_value(1.4)) < 1e-6


def test_pit_keeps_inside_the_unit_interval() -> None:
    """Readings far outside stand between the outermost level and 0 or 1; nothing read gives nothing."""
    values = pit(np.repeat(NORMAL, 4, axis=0), np.array([-99.0, 99.0, 0.0, np.nan]))
    assert values[:3] == pytest.approx([0.0025, 0.9975, 0.5])
    assert np.isnan(values[3])


def test_intervals_told_are_kept_exactly() -> None:
    """The ends of the 50, 80 and 90 % intervals are among the kept levels."""
    for share in (0.5, 0.8, 0.9):
        low, high = central_interval(GRID[None, :], share)
        assert high[0] - low[0] == pytest.approx(share)


def test_quantiles_of_draws_leave_out_what_is_missing() -> None:
    """Like numpy's, row by row, over the draws that have a value; a row without any has no quantile."""
    rng = np.random.default_rng(2)
    draws = rng.standard_normal((3, 101))
    draws[1, :50] = np.nan
    draws[2] = np.nan
    found = quantiles_of(draws)
    assert found[0] == pytest.approx(np.quantile(draws[0], LEVELS))
    assert found[1] == pytest.approx(np.quantile(draws[1, 50:], LEVELS))
    assert np.isnan(found[2]).all()

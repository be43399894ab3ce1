"""Control charts against printed ones.

Charts: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (EWMA) and 6.3.2.3 (CUSUM), public domain.
Run lengths: Lucas and Saccucci, Technometrics 32 (1990) 1-12, Table 3 (EWMA); Hawkins (1993) as printed in
Montgomery's textbook, chapter 9 (CUSUM, k = 0.5). Where the print has three figures, more stand here: those
were computed apart from this code, from the same integral equation, and agree with the print.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fleet.statistics.control_charts import cusum_chart, cusum_run_length, ewma_chart, ewma_run_length

EWMA_VALUES = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
EWMA_PRINTED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip
CUSUM_VALUES = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
)  # fmt: skip
CUSUM_HIGH = (0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
CUSUM_LOW = (0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0)
SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)


def test_the_ewma_example_of_the_handbook() -> None:
    """Averages to the printed digits, limits to four decimals (the page cuts the lower one), no signal."""
    chart = ewma_chart(EWMA_VALUES, target=50.0, sd=2.0539, weight=0.3, width=3.0)
    np.testing.assert_allclose(chart.series, EWMA_PRINTED, atol=0.005)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-4)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1e-4)
    assert not chart.signals.any()
    assert chart.sentence == "No signal in 20 values."


def test_the_cusum_example_of_the_handbook() -> None:
    """Both sums to the printed digits, first signal at group 14, above."""
    chart = cusum_chart(CUSUM_VALUES, target=325.0, allowance=0.3175, limit=4.1959)
    np.testing.assert_allclose(chart.high, CUSUM_HIGH, atol=0.0051)
    np.testing.assert_allclose(chart.low, CUSUM_LOW, atol=0.0051)
    assert chart.sentence == "First signal at value 14 of 20, above."


@pytest.mark.parametrize(
    ("weight", "width", "lengths"),
    [
        (0.05, 2.615, (499.93, 84.01, 28.76, 16.37, 11.38, 7.11, 5.23, 4.17, 3.50, 2.70)),
        (0.10, 2.814, (499.58, 106.32, 31.30, 15.85, 10.33, 6.08, 4.36, 3.44, 2.87, 2.19)),
        (0.25, 2.998, (499.84, 170.30, 48.29, 20.12, 11.14, 5.46, 3.61, 2.75, 2.26, 1.73)),
        (0.50, 3.071, (499.91, 254.79, 88.80, 35.91, 17.48, 6.53, 3.63, 2.50, 1.93, 1.34)),
    ],
)
def test_run_lengths_of_ewma_charts(weight: float, width: float, lengths: tuple[float, ...]) -> None:
    """Average run lengths of the printed table (500 in control; 10.3 at one sigma for weight 0.1)."""
    found = [ewma_run_length(shift=shift, weight=weight, width=width) for shift in SHIFTS]
    np.testing.assert_allclose(found, lengths, atol=0.006)


@pytest.mark.parametrize(("weight", "width", "length"), [(0.10, 2.703, 370.0), (0.25, 2.898, 370.0)])
def test_the_usual_false_alarm_rate(weight: float, width: float, length: float) -> None:
    """Limits that the literature pairs with one false alarm in about 370 values."""
    assert ewma_run_length(shift=0.0, weight=weight, width=width) == pytest.approx(length, rel=0.006)


def test_with_weight_one_it_is_a_plain_chart() -> None:
    """Only the newest value counts: 1 / (2 Φ(-3)) = 370.398 values (closed form)."""
    found = ewma_run_length(shift=0.0, weight=1.0, width=3.0)
    assert found == pytest.approx(1.0 / (2.0 * stats.norm.cdf(-3.0)), rel=1e-10)


@pytest.mark.parametrize(
    ("limit", "printed", "computed"),
    [
        (
            4.0,
            (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
            (167.684, 74.224, 26.630, 13.285, 8.383, 4.747, 3.343, 2.620, 2.194, 1.708),
        ),
        (
            5.0,
            (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
            (465.444, 139.494, 37.996, 17.048, 10.376, 5.747, 4.009, 3.114, 2.573, 2.013),
        ),
    ],
)
def test_run_lengths_of_cusums(limit: float, printed: tuple[float, ...], computed: tuple[float, ...]) -> None:
    """Average run lengths of two-sided CUSUMs with half a sigma allowed."""
    found = [cusum_run_length(shift=shift, allowance=0.5, limit=limit) for shift in SHIFTS]
    np.testing.assert_allclose(found, computed, atol=0.0011)
    np.testing.assert_allclose(found, printed, rtol=0.005)


def test_one_sided_run_lengths() -> None:
    """In control one side alone takes twice as long as both."""
    assert cusum_run_length(shift=0.0, allowance=0.5, limit=4.0, two_sided=False) == pytest.approx(
        335.37, abs=0.006
    )
    assert cusum_run_length(shift=0.0, allowance=0.5, limit=5.0, two_sided=False) == pytest.approx(
        930.89, abs=0.006
    )

"""The bench watch's promises: false alarms as often as told, changes inside their intervals.

In short form fewer series; FLEET_LONG=1 takes all of them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from worlds import LONG

from fleet.bench_trust.watch import watch
from fleet.bench_trust.watch_limits import CUSUM_ALLOWANCE, EWMA_WEIGHT, limits_for
from fleet.bench_trust.watch_series import MONTH_WEIGHT
from fleet.statistics.change_point import find_change
from synthetic_data.watch import check_readings_deg

pytestmark = pytest.mark.validity
SERIES = 4000 if LONG else 2000
CHECKS = 3000 if LONG else 1000
START = pd.Timestamp("2021-01-04")


def days(n: int) -> pd.DatetimeIndex:
    return START + pd.to_timedelta(7 * np.arange(n), "D")


def alarms(z: np.ndarray, chart: str, limit: float) -> np.ndarray:
    """Alarms of each row of a (series, checks) array, the chart begun afresh after each (written apart)."""
    count, low, high, mean = (np.zeros(len(z)) for _ in range(4))
    for x in z.T:
        if chart == "single":
            hit = np.abs(x) > limit
        elif chart == "ewma":
            mean = EWMA_WEIGHT * x + (1 - EWMA_WEIGHT) * mean
            hit = np.abs(mean) > limit * np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT))
        else:
            high = np.maximum(high + x - CUSUM_ALLOWANCE, 0.0)
            low = np.maximum(low - x - CUSUM_ALLOWANCE, 0.0)
            hit = np.maximum(low, high) > limit
        count += hit
        low, high, mean = (np.where(hit, 0.0, v) for v in (low, high, mean))
    return count


def seen_by_baselines(rng: np.random.Generator, checks: int) -> tuple[np.ndarray, tuple[float, float]]:
    """Steady checks as a baseline of each series' own sees them: in its sigmas, temperature out."""
    total = checks + CHECKS
    warm = 2.0 * np.sin(2 * np.pi * np.arange(total) / 52.0) + rng.standard_normal((SERIES, total))
    y = check_readings_deg(rng, SERIES, total) - 0.03 * warm
    centred = warm - warm[:, :checks].mean(axis=1, keepdims=True)
    own, x = y[:, :checks], centred[:, :checks]
    level = own.mean(axis=1, keepdims=True)
    slope = (x * own).sum(axis=1, keepdims=True) / (x**2).sum(axis=1, keepdims=True)
    rest = own - level - slope * x
    sd = np.sqrt((rest**2).sum(axis=1, keepdims=True) / (checks - 2))
    slow = np.zeros_like(centred)
    for t in range(1, total):
        slow[:, t] = MONTH_WEIGHT * centred[:, t] + (1 - MONTH_WEIGHT) * slow[:, t - 1]
    spread = (x**2).sum(axis=1, keepdims=True)
    warmth = (float((centred**2 / spread).mean()), float((slow**2 / spread).mean()))
    return (y[:, checks:] - level - slope * centred[:, checks:]) / sd, warmth


@pytest.mark.parametrize("checks", [52, 104])
def test_false_alarms_come_at_the_promised_rate(checks: int) -> None:
    """One in 370 checks a chart, baseline and temperature learnt in each series; no more (3 standard errors).

    Nor less than three quarters of it: limits wider than promised would find changes later.  Over 2000 series
    (4000 in the long form), so the standard error counts how baselines differ.
    """
    z, warmth = seen_by_baselines(np.random.default_rng(checks), checks)
    limits = limits_for(370.0, checks=checks, dof=checks - 2, warmth=warmth)
    for chart in ("single", "ewma", "cusum"):
        count = alarms(z, chart, getattr(limits, chart))
        rate, error = count.mean() / CHECKS, count.std() / np.sqrt(SERIES) / CHECKS
        assert rate < 1 / 370.0 + 3 * error, (chart, 1 / rate)
        assert rate > 0.75 / 370.0 - 3 * error, (chart, 1 / rate)


def test_run_lengths_with_known_centre_and_spread() -> None:
    """Checks to the first alarm over 2000 steady series, against what is told (4 standard errors)."""
    limits = limits_for(120.0, checks=104, dof=102)
    rng = np.random.default_rng(11)
    z = rng.standard_normal((SERIES, 12 * 370))
    for i, chart in enumerate(("single", "ewma", "cusum")):
        first = first_alarm(z, chart, getattr(limits, chart))
        assert np.isfinite(first).all()
        error = first.std() / np.sqrt(SERIES)
        assert abs(first.mean() - limits.known_checks[i]) < 4 * error, (chart, first.mean())


def first_alarm(z: np.ndarray, chart: str, limit: float) -> np.ndarray:
    """Number of the first check beyond the limit in each row, infinite if there is none."""
    out, low, high, mean = np.full(len(z), np.inf), *(np.zeros(len(z)) for _ in range(3))
    for t, x in enumerate(z.T):
        mean = EWMA_WEIGHT * x + (1 - EWMA_WEIGHT) * mean
        high = np.maximum(high + x - CUSUM_ALLOWANCE, 0.0)
        low = np.maximum(low - x - CUSUM_ALLOWANCE, 0.0)
        value = {
            "single": np.abs(x),
            "ewma": np.abs(mean) / np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT)),
            "cusum": np.maximum(low, high),
        }[chart]
        out = np.where(np.isinf(out) & (value > limit), t + 1.0, out)
    return out


@pytest.mark.long
def test_a_whole_watch_is_quieter_than_promised() -> None:
    """Two readings, all charts, the watch itself: no more first alarms in 156 checks than promised.

    The bound is 1 - exp(-156/260) = 45 %; by Bonferroni the true share is lower, but not by far.
    """
    n = 300 if LONG else 30
    rng = np.random.default_rng(21)
    rake, zenith = (check_readings_deg(rng, n, 260) for _ in range(2))
    signalled = 0
    for a, b in zip(rake, zenith, strict=True):
        frame = pd.DataFrame(
            {"measured_on": days(260), "bench": "main", "unit": "C", "sra_dynamic_deg": a, "zenith_deg": b}
        )
        signalled += any((r.watched["signal"] != "").any() for r in watch(frame).readings)
    bound = 1 - np.exp(-156 / 260)
    assert signalled / n < bound + 2.5 * np.sqrt(bound * (1 - bound) / n)
    assert signalled / n > 0.12


@pytest.mark.parametrize(
    ("kind", "effect", "week"), [("creep", 0.02, 120), ("creep", 0.01, 60), ("step", 0.25, 100)]
)
def test_changes_lie_inside_their_intervals(kind: str, effect: float, week: int) -> None:
    """95 % intervals of day, size and present offset hold the truth in at least 90 % less chance (2.5 sd)."""
    n, weeks = (400 if LONG else 60), 150
    held = np.zeros(3)
    for seed in range(n):
        rng = np.random.default_rng([seed, week])
        x = np.arange(weeks)
        true = effect * (np.maximum(x - week, 0) if kind == "creep" else x >= week)
        found = find_change(check_readings_deg(rng, 1, weeks)[0] + true, days(weeks), seed=seed)
        assert found is not None
        began = days(weeks)[week]
        held[0] += found.since_low <= began and began - pd.Timedelta(days=7) <= found.since_high
        low, high = (
            (found.rate_low, found.rate_high) if kind == "creep" else (found.size_low, found.size_high)
        )
        held[1] += low <= effect <= high
        held[2] += found.now_low <= true[-1] <= found.now_high
    assert (held / n > 0.9 - 2.5 * np.sqrt(0.09 / n)).all(), held / n


def test_the_chance_of_a_change_is_a_chance() -> None:
    """Steady series: p below 0.1 in a tenth of them, below a half in half (2.5 sd of a count)."""
    n = 600 if LONG else 150
    p = np.array(
        [
            find_change(
                check_readings_deg(np.random.default_rng([7, i]), 1, 100)[0], days(100), seed=i
            ).p_value  # type: ignore[union-attr]
            for i in range(n)
        ]
    )
    for level in (0.1, 0.5):
        assert abs((p <= level).mean() - level) < 2.5 * np.sqrt(level * (1 - level) / n)

"""Scores whose errors run in families: against closed forms, published figures and simulated honesty."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from fleet.statistics.forecast_scores import (
    AS_TOLD,
    BINS,
    TOO_FEW,
    TOO_NARROW,
    TOO_WIDE,
    calibration,
    compare_scores,
    coverage,
    design_effect,
    pit_histogram,
    within_correlation,
)

N, FAMILY = 200, 10
FAMILIES = np.repeat(np.arange(N // FAMILY), FAMILY).astype(object)
ALONE = np.arange(N).astype(object)


def leaning(rng: np.random.Generator, r: float, scale: float = 1.0) -> np.ndarray:
    """Normal errors with this correlation within families."""
    shared = rng.standard_normal(N // FAMILY)
    own = rng.standard_normal(N)
    return np.asarray(scale * (np.sqrt(r) * shared[FAMILIES.astype(int)] + np.sqrt(1.0 - r) * own))


def test_alone_the_interval_is_wilsons() -> None:
    """81 of 263, each its own family: .2553 to .3662 (Newcombe 1998, Table I, method 3)."""
    held = np.r_[np.ones(81), np.zeros(182)]
    found = coverage(held, np.arange(263).astype(object), 0.9)
    assert (found.n, found.rate) == (263, pytest.approx(81 / 263))
    assert (found.low, found.high) == (pytest.approx(0.2553, abs=5e-5), pytest.approx(0.3662, abs=5e-5))


@pytest.mark.parametrize(
    ("hits", "verdict"), [(180, AS_TOLD), (160, TOO_NARROW), (198, TOO_WIDE)], ids=["90", "80", "99"]
)
def test_verdicts(hits: int, verdict: str) -> None:
    """Of 200 intervals that promise 90 %: 180 held are as told, 160 too narrow, 198 too wide."""
    held = np.random.default_rng(0).permutation(np.r_[np.ones(hits), np.zeros(N - hits)])
    assert coverage(held, ALONE, 0.9).verdict == verdict


def test_too_few_are_no_verdict() -> None:
    """Ten quotes say nothing of 90 %, whatever they held; neither do quotes of two families only."""
    assert coverage(np.zeros(10), np.arange(10).astype(object), 0.9).verdict == TOO_FEW
    two = np.repeat([0, 1], 50).astype(object)
    assert coverage(np.r_[np.ones(50), np.zeros(50)], two, 0.9).verdict == TOO_FEW
    assert coverage(np.full(5, np.nan), np.arange(5).astype(object), 0.9).n == 0


def test_many_groups_make_the_verdict_harder() -> None:
    """What is too narrow by itself may be chance as one of fifty groups."""
    held = np.random.default_rng(0).permutation(np.r_[np.ones(169), np.zeros(31)])
    assert coverage(held, ALONE, 0.9).verdict == TOO_NARROW
    assert coverage(held, ALONE, 0.9, tests=50).verdict == AS_TOLD


def test_the_interval_holds_where_families_lean() -> None:
    """Errors correlated by a half within families: the interval holds the truth, a naive one doesn't."""
    rng = np.random.default_rng(3)
    runs, held, naive = 400, 0, 0
    for _ in range(runs):
        hit = (np.abs(leaning(rng, 0.5)) < special.ndtri(0.95)).astype(float)
        ours, plain = coverage(hit, FAMILIES, 0.9), coverage(hit, ALONE, 0.9)
        held += ours.low <= 0.9 <= ours.high
        naive += plain.low <= 0.9 <= plain.high
    assert held / runs > 0.90
    assert naive / runs < 0.88


def test_readings_of_one_unit_count_as_one() -> None:
    """The same hit told three times proves no more than once; three unrelated hits prove more."""
    rng = np.random.default_rng(4)
    hit = (rng.random((N, 3)) < 0.9).astype(float)
    once = coverage(hit[:, 0], ALONE, 0.9)
    thrice = coverage(np.repeat(hit[:, :1], 3, axis=1), ALONE, 0.9)
    assert (thrice.low, thrice.high) == (pytest.approx(once.low), pytest.approx(once.high))
    assert coverage(hit, ALONE, 0.9).weight > 2.0 * N


def test_design_effect_by_hand() -> None:
    """Four families of two with equal values inside: correlation at its cap, effect 1 + (2 - 1) r."""
    families = np.repeat(np.arange(4), 2).astype(object)
    values = np.repeat([1.0, 2.0, 3.0, 4.0], 2)
    assert within_correlation(values, families) == pytest.approx(0.95)
    assert design_effect(values, families) == pytest.approx(1.95)
    assert design_effect(np.arange(8.0), np.arange(8).astype(object)) == 1.0


@pytest.mark.long
def test_honest_forecasts_pass_the_pit_test_as_often_as_promised() -> None:
    """Leaning families raise a false alarm in about one record of twenty, not in most of them."""
    rng = np.random.default_rng(5)
    runs = 60
    alarms = sum(pit_histogram(special.ndtr(leaning(rng, 0.4)), FAMILIES).p_value < 0.05 for _ in range(runs))
    naive = sum(pit_histogram(special.ndtr(leaning(rng, 0.4)), ALONE).p_value < 0.05 for _ in range(runs))
    assert alarms / runs < 0.10
    assert naive / runs > 0.20


@pytest.mark.parametrize(
    ("scale", "shift", "shape"),
    [(1.8, 0.0, TOO_NARROW), (0.5, 0.0, TOO_WIDE), (1.0, 0.7, "too low"), (1.0, -0.7, "too high")],
)
def test_the_pit_histogram_says_what_is_wrong(scale: float, shift: float, shape: str) -> None:
    """Readings wider than told, narrower, above or below: each shape by its name, outside the band."""
    rng = np.random.default_rng(6)
    found = pit_histogram(special.ndtr(scale * rng.standard_normal(N) + shift), ALONE)
    assert found.shape == shape
    assert found.p_value < 0.01
    assert found.counts.sum() == N
    assert ((found.counts < found.low) | (found.counts > found.high)).any()


def test_the_pit_band_holds_honest_histograms() -> None:
    """All ten bins at once stay within the limits in about 95 of 100 records."""
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(60):
        found = pit_histogram(special.ndtr(leaning(rng, 0.3)), FAMILIES)
        inside += bool(((found.counts >= found.low) & (found.counts <= found.high)).all())
    assert len(found.counts) == BINS
    assert inside / 60 > 0.89


def test_paired_difference_by_hand() -> None:
    """Two families with differences (1, 1) and (3, 3): mean 2, standard error sqrt(2 (4 + 4)) / 4 = 1."""
    gap = compare_scores(
        np.array([2.0, 2.0, 4.0, 4.0]), np.ones(4), np.array(["a", "a", "b", "b"], dtype=object)
    )
    assert (gap.n, gap.difference, gap.standard_error) == (4, 2.0, pytest.approx(1.0))
    assert gap.verdict == "even"
    alone = compare_scores(
        np.full(30, 1.0) + 0.01 * np.arange(30), np.zeros(30), np.arange(30).astype(object)
    )
    assert alone.standard_error == pytest.approx(np.std(0.01 * np.arange(30), ddof=1) / np.sqrt(30))
    assert alone.verdict == "second"


def test_brier_score_by_hand() -> None:
    """Forecasts .1, .3, .6, .9, ten each, hits 1, 4, 5, 9: .1725; the plain rate .249375 (derived)."""
    chance = np.repeat([0.1, 0.3, 0.6, 0.9], 10)
    happened = np.concatenate([np.r_[np.ones(k), np.zeros(10 - k)] for k in (1, 4, 5, 9)])
    found = calibration(chance, happened, np.arange(40).astype(object), bins=4)
    assert (found.n, found.brier, found.base) == (40, pytest.approx(0.1725), pytest.approx(0.249375))
    assert found.table["happened"].tolist() == [1, 4, 5, 9]
    assert found.table["chance"].tolist() == pytest.approx([0.1, 0.3, 0.6, 0.9])
    assert found.verdict == AS_TOLD


@pytest.mark.parametrize(("told", "verdict"), [(0.7, "less often than told"), (0.3, "oftener than told")])
def test_chances_that_lean_are_named(told: float, verdict: str) -> None:
    """Things that happen half the time, told as 70 % or 30 %."""
    happened = np.tile([0.0, 1.0], 50)
    assert calibration(np.full(100, told), happened, np.arange(100).astype(object)).verdict == verdict


def test_outcomes_that_were_not_read_are_left_out() -> None:
    """Nothing told, nothing scored."""
    found = calibration(np.array([0.5, 0.5]), np.array([np.nan, np.nan]), np.array(["a", "b"], dtype=object))
    assert (found.n, found.verdict, len(found.table)) == (0, TOO_FEW, 0)

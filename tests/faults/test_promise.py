"""What a list of suspects can promise, from p-values whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from fleet.faults.promise import MEAN, MIDDLE, VARIANCE, Promise, odd_group, promise

FDR = 0.05
READ = 7


def faulty_p(rng: np.random.Generator, n: int) -> np.ndarray:
    """P-values of faulty units: most far below what sound ones have, some among them."""
    return np.exp(-rng.gamma(2.0, 4.0, n))


def judged(rate: float, *, units: int, seed: int) -> tuple[Promise, float]:
    """The promise where sound units' -log p has this rate beyond 2, and the true share of false flags.

    One unit in sixteen is faulty.
    """
    rng = np.random.default_rng(seed)
    x = rng.exponential(1.0, units)
    x = np.where(x > 2.0, 2.0 + (x - 2.0) / rate, x)
    bad = rng.random(units) < 1.0 / 16.0
    p = np.where(bad, faulty_p(rng, units), np.exp(-x))
    flagged = multipletests(p, alpha=FDR, method="fdr_bh")[0]
    sample = faulty_p(rng, 4000)
    found = promise(p, flagged, (sample, np.full(4000, 1.0 / 4000)), FDR)
    return found, float((flagged & ~bad).sum() / flagged.sum())


@pytest.mark.parametrize("rate", [0.7, 0.85, 1.0, 1.2])
def test_the_share_told_is_about_the_true_one(rate: float) -> None:
    """Sound units' p-values that fall off too slowly or too fast: within a third over 30 benches of 1500."""
    found = [judged(rate, units=1500, seed=s) for s in range(30)]
    expected, true = np.mean([p.expected for p, _ in found]), np.mean([share for _, share in found])
    assert expected == pytest.approx(true, rel=1.0 / 3.0)


def test_a_right_null_is_seldom_doubted_and_a_wrong_one_mostly() -> None:
    """At rate 1 one list in five at most takes its promise back; at rate 0.6 nine in ten do."""
    doubted = [np.mean([not judged(r, units=1500, seed=s)[0].kept for s in range(100)]) for r in (1.0, 0.6)]
    assert doubted[0] <= 0.2
    assert doubted[1] >= 0.9


def readings_of(rate: dict[str, float], *, each: int, seed: int) -> str:
    """The group named where the readings of each family have -log p of this rate."""
    rng = np.random.default_rng(seed)
    family = np.repeat(list(rate), each * READ)
    x = rng.exponential(1.0 / np.repeat(list(rate.values()), each * READ))
    reading = np.tile([f"reading {j}" for j in range(READ)], len(x) // READ)
    words = {"family": family, "pattern": "sheets with all readings", "reading": reading}
    return odd_group(np.exp(-x), pd.DataFrame(words).assign(doubt=0.0))


@pytest.mark.long
def test_the_family_that_makes_most_of_it_is_named() -> None:
    """One family of 24 with a rate of 0.6 is named; where all are right, hardly ever one."""
    right = {f"family F{i:02d}": 1.0 for i in range(24)}
    found = [readings_of(right | {"family F07": 0.6}, each=60, seed=s) for s in range(20)]
    assert np.mean([f == "family F07" for f in found]) > 0.9
    assert np.mean([readings_of(right, each=40, seed=s) != "" for s in range(100)]) <= 0.1


def test_what_the_list_says() -> None:
    """In words that ask nothing of the reader; what is no more than asked, or hardly so, is not told."""
    told = Promise(FDR, 0.09, 0.95, "family F07").sentence
    assert told == "asked 5 %; this bench's tails allow about 9 % false alarms; family F07 makes most of it."
    for kept in (Promise(FDR, 0.06, 0.95), Promise(FDR, 0.09, 0.7), Promise(FDR, 0.02)):
        assert kept.sentence == "at most about 5 % of the flags are expected to be false alarms."


def test_nothing_flagged_or_nothing_read_promises_what_was_asked() -> None:
    """No flag, no faulty unit simulated, or no p-value in the middle: nothing speaks against the rate."""
    none = np.empty(0), np.empty(0)
    assert promise(np.array([0.5, 0.9]), np.array([False, False]), none, FDR) == Promise(FDR, FDR)
    assert promise(np.array([1e-6]), np.array([True]), none, FDR).kept
    words = pd.DataFrame({"family": ["F"], "pattern": [""], "reading": ["zenith"], "doubt": [0.0]})
    assert odd_group(np.array([1e-6]), words) == ""
    assert odd_group(np.empty(0), words[:0]) == ""


def test_the_middle_has_the_moments_that_are_taken_of_it() -> None:
    """Mean and variance of an exponential of rate 1 cut off at the middle, by simulation."""
    x = np.random.default_rng(1).exponential(size=2_000_000)
    x = x[x < MIDDLE]
    assert x.mean() == pytest.approx(MEAN, abs=3e-3)
    assert x.var() == pytest.approx(VARIANCE, abs=3e-3)


def test_a_family_whose_spread_is_doubted_anyway_is_not_named_for_it() -> None:
    """What the p-values were widened for is no news: the same family, its spread doubted by as much."""
    rng = np.random.default_rng(3)
    family = np.repeat([f"family F{i:02d}" for i in range(24)], 420)
    x = rng.exponential(np.where(family == "family F07", 1.0 / 0.7, 1.0))
    words = pd.DataFrame({"family": family, "pattern": "", "reading": "zenith"})
    sure, doubted = (odd_group(np.exp(-x), words.assign(doubt=d)) for d in (0.0, 0.3))
    assert sure == "family F07"
    assert doubted == ""

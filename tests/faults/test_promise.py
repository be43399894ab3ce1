"""What a list of suspects can promise, from p-values whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from fleet.faults.promise import LEVEL, MEAN, MIDDLE, VARIANCE, Promise, promise

FDR = 0.05
READ = 7


def judged(rate: dict[str, float], *, each: int, seed: int) -> tuple[Promise, float]:
    """The promise over families whose readings' -log p has these rates, and the true share of false flags.

    Seven readings a unit; its p-value is the least of theirs, times their number.  One unit in sixteen is
    faulty and has one reading far below all others.
    """
    rng = np.random.default_rng(seed)
    family = np.repeat(list(rate), each)
    x = rng.exponential(1.0 / np.repeat(list(rate.values()), each)[:, None], (len(family), READ))
    bad = rng.random(len(x)) < 1.0 / 16.0
    x[bad, 0] = 25.0
    of_unit = np.minimum(READ * np.exp(-x.max(axis=1)), 1.0)
    flagged = multipletests(of_unit, alpha=FDR, method="fdr_bh")[0]
    words = {"family": np.repeat(family, READ), "pattern": "sheets with all readings"}
    groups = pd.DataFrame({**words, "reading": np.tile([f"reading {j}" for j in range(READ)], len(x))})
    groups = groups.assign(sheet=np.repeat(np.arange(len(x)), READ), doubt=0.0)
    found = promise(np.exp(-x).ravel(), groups, float(flagged.mean()), FDR)
    return found, float((flagged & ~bad).sum() / flagged.sum())


def test_a_right_null_is_hardly_ever_doubted() -> None:
    """In 200 fleets of 24 families without miscalibration at most 5 % of lists take their promise back."""
    rate = {f"F{i}": 1.0 for i in range(24)}
    doubted = sum(not judged(rate, each=40, seed=s)[0].kept for s in range(200))
    assert doubted / 200 <= LEVEL + 2.0 * np.sqrt(LEVEL * (1.0 - LEVEL) / 200)


def test_a_null_too_narrow_for_all_is_told_with_about_its_true_share() -> None:
    """-log p of rate 0.85 everywhere: nearly every list says so; expected and true share agree on average."""
    rate = {f"F{i}": 0.85 for i in range(24)}
    found = [judged(rate, each=60, seed=s) for s in range(30)]
    assert np.mean([p.kept for p, _ in found]) < 0.1
    expected, true = (np.mean([x[i] if i else x[0].expected for x in found]) for i in (0, 1))
    assert true > 0.12
    assert expected == pytest.approx(true, rel=1.0 / 3.0)


def test_the_family_that_makes_most_of_it_is_named() -> None:
    """One family of 24 with a rate of 0.6: it is named, in words that ask nothing of the reader."""
    rate = {f"family F{i:02d}": 0.6 if i == 7 else 1.0 for i in range(24)}
    found = [judged(rate, each=60, seed=s)[0] for s in range(20)]
    assert np.mean([p.group == "family F07" for p in found]) > 0.9
    told = next(p for p in found if not p.kept)
    assert told.sentence.startswith("asked 5 %; this bench's tails allow about ")
    assert told.sentence.endswith(" % false alarms; family F07 makes most of it.")


def test_nothing_flagged_or_nothing_read_promises_what_was_asked() -> None:
    """No flag, or no p-value in the middle: nothing speaks against the rate."""
    none = pd.DataFrame(
        {"family": ["F"], "pattern": [""], "reading": ["zenith"], "sheet": [0], "doubt": [0.0]}
    )
    assert promise(np.array([0.5]), none, 0.0, FDR).kept
    assert promise(np.array([1e-6]), none, 1.0, FDR).kept
    assert promise(np.empty(0), none[:0], 0.0, FDR).sentence.startswith("at most about 5 %")


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
    words = {"family": family, "pattern": "", "reading": "zenith", "sheet": np.arange(len(x)) // 7}
    sure, doubted = (promise(np.exp(-x), pd.DataFrame(words).assign(doubt=d), 0.05, FDR) for d in (0.0, 0.3))
    assert sure.group == "family F07"
    assert doubted.group == ""
    assert doubted.expected < sure.expected

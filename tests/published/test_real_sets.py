"""Real data in groups, foretold k-fold: the engine beside three rivals (see `rival_forecasts`).

In short form three small sets; ``tests/benchmarks/real_sets.py`` takes all that are at hand.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from rival_forecasts import HELD, WAYS, compare, crps, inside

SETS = ("pastes", "sleep", "rats")


@cache
def found(way: str) -> pd.DataFrame:
    """CRPS and coverage of one way, by set and target."""
    return pd.concat({name: compare(HELD[name], {way: WAYS[way]}) for name in SETS}).droplevel("way")


@pytest.mark.parametrize("rival", ["plug-in", "no pooling", pytest.param("boosting", marks=pytest.mark.long)])
def test_the_engine_is_as_near_as_each_rival(rival: str) -> None:
    """Mean CRPS over the rival's, geometric over sets and targets: at most 1.01."""
    ratio = found("ours")["crps"] / found(rival)["crps"]
    assert np.exp(np.log(ratio).mean()) <= 1.01, ratio


def test_intervals_hold_what_they_say_of_groups_known_and_never_seen() -> None:
    """On average over sets and targets within 5 points of 50, 80 and 90 %."""
    share = found("ours").mean()
    for level in (0.5, 0.8, 0.9):
        assert share[f"{level:.0%}"] == pytest.approx(level, abs=0.05), share


def test_the_scores_are_the_laws_own() -> None:
    """CRPS of a standard normal at 0 is 2φ(0) − 1/√π (Gneiting & Raftery 2007, equation 5)."""
    from scipy.stats import norm

    law = norm.ppf((np.arange(400) + 0.5) / 400)[None, :]
    assert crps(law, np.zeros(1))[0] == pytest.approx(2.0 * norm.pdf(0.0) - 1.0 / np.sqrt(np.pi), rel=0.01)
    assert inside(law, np.array([1.6]), 0.9).all()
    assert not inside(law, np.array([1.7]), 0.9).any()

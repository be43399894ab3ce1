"""Units with several sheets: when these disagree, and the chance of one that was judged several times."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.estimation.prior_only import prior_house
from fleet.faults.suspects import DISAGREE_SIGMAS, _by_unit, find_disagreements


@pytest.mark.parametrize(("times", "told"), [(0.97, False), (1.03, True)])
def test_sheets_disagree_beyond_the_noise_of_a_difference(times: float, told: bool) -> None:
    """A difference of two readings has the root of twice the variance of one: the limit goes by that."""
    house = prior_house()
    limit = DISAGREE_SIGMAS * np.hypot(house.noise["sra_dynamic_deg"], house.noise["sra_dynamic_deg"])
    frame = pd.DataFrame({"unit": ["a", "a", "b"], "sra_dynamic_deg": [91.0, 91.0 + times * limit, 99.0]})
    assert set(find_disagreements(house, frame)) == ({0, 1} if told else set())


def test_a_unit_looked_at_often_has_its_chance_times_its_sheets() -> None:
    """Two sheets at 0.01 and 0.3 make 0.02; three at 0.5 or more make 1, not 1.5.

    By hand: Bonferroni's bound, and Benjamini and Hochberg 1995 over units: the least of two, times two.
    """
    p, q = _by_unit(np.array([0.01, 0.5, 0.3, 0.6, 0.7]), np.array([0, 1, 0, 1, 1]))
    assert p == pytest.approx([0.02, 1.0])
    assert q == pytest.approx([0.04, 1.0])

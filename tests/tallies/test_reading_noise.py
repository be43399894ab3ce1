"""Reading noise from repeats."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.chain import READING_NOISE, READINGS
from fleet.tallies.reading_noise import PRIOR_PAIRS, learn_noise


def test_without_repeats_the_defaults_stand() -> None:
    """No pair, and no column at all: the documented default, said to stand on no pair."""
    found = learn_noise(pd.DataFrame())
    assert found == {r: (pytest.approx(READING_NOISE[r]), 0) for r in READINGS}


def test_many_repeats_give_the_readings_own_noise() -> None:
    """The sd of one reading is that of the differences over root two (2000 pairs, 3 standard errors)."""
    rng = np.random.default_rng(1)
    found, pairs = learn_noise(pd.DataFrame({"zenith_deg": 0.5 * np.sqrt(2.0) * rng.standard_normal(2000)}))[
        "zenith_deg"
    ]
    assert pairs == 2000
    assert found == pytest.approx(0.5, abs=3.0 * 0.5 / np.sqrt(2.0 * 2000) + 0.004)


def test_a_few_repeats_pull_the_default_by_their_number() -> None:
    """Two pairs against the default's fifteen: the weighted mean of the squares, by hand."""
    found, pairs = learn_noise(pd.DataFrame({"zenith_deg": [0.4, -0.2, np.nan]}))["zenith_deg"]
    want = (0.5 * (0.4**2 + 0.2**2) + PRIOR_PAIRS * 0.2**2) / (2 + PRIOR_PAIRS)
    assert pairs == 2
    assert found == pytest.approx(np.sqrt(want))


def test_a_slip_of_the_pen_is_no_noise() -> None:
    """One pair that differs by ten degrees among fifty changes nothing."""
    rng = np.random.default_rng(2)
    sound = 0.22 * rng.standard_normal(50)
    with_slip = learn_noise(pd.DataFrame({"sra_dynamic_deg": [*sound, 10.0]}))["sra_dynamic_deg"]
    assert with_slip == learn_noise(pd.DataFrame({"sra_dynamic_deg": sound}))["sra_dynamic_deg"]

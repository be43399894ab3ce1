"""Reading noise from repeats."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.chain import READING_NOISE, READINGS, SAG_READ, reading_covariance, shared_by_rakes
from fleet.tallies.reading_noise import PRIOR_PAIRS, learn_noise


def test_without_repeats_the_defaults_stand() -> None:
    """No pair, and no column at all: the documented default, said to stand on no pair."""
    found = learn_noise(pd.DataFrame())
    believed = {**READING_NOISE, SAG_READ: np.hypot(READING_NOISE[READINGS[0]], READING_NOISE[READINGS[1]])}
    assert found == {r: (pytest.approx(sd), 0) for r, sd in believed.items()}
    assert shared_by_rakes({r: sd for r, (sd, _) in found.items()}) == pytest.approx(0.0, abs=1e-9)


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


def test_a_hands_habit_is_shared_by_both_rakes() -> None:
    """Repeats by hands that read both rakes of a sheet off alike, sd 0.4°: their noises go together."""
    rng = np.random.default_rng(3)
    habit = rng.normal(0.0, 0.4, (2, 4000))
    static, turning = (habit + rng.normal(0.0, 0.15, (2, 4000)) for _ in range(2))
    both = {"sra_static_deg": np.diff(static, axis=0)[0], "sra_dynamic_deg": np.diff(turning, axis=0)[0]}
    found = learn_noise(pd.DataFrame(both | {SAG_READ: both["sra_static_deg"] - both["sra_dynamic_deg"]}))
    cov = reading_covariance({r: sd for r, (sd, _) in found.items()})
    assert cov[0, 1] == pytest.approx(0.4**2, rel=0.08)
    assert cov[0, 0] + cov[1, 1] - 2.0 * cov[0, 1] == pytest.approx(2.0 * 0.15**2, rel=0.08)

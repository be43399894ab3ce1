"""What an earlier visit read: draws given readings, against the exact normal law."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.earlier_readings import Earlier, condition_on_earlier, told_readings
from fleet.policy.policy import Policy

MEAN = np.array([24.0, 67.5])
COV = np.array([[1.8, -0.3], [-0.3, 1.1]])
SAG = 0.7
N = 60_000
NOISE = {"sra_static_deg": 0.14, "sra_dynamic_deg": 0.2, "vta_dynamic_deg": 0.35}


def read(static: float, turning: float, vta: float) -> Earlier:
    """One unit's readings by a bench, NaN where there is none."""
    told = pd.DataFrame([{"sra_static_deg": static, "sra_dynamic_deg": turning, "vta_dynamic_deg": vta}])
    return told_readings(told, NOISE)


def drawn(visit: Earlier, *, seed: int = 1) -> np.ndarray:
    """Conditioned draws (2, N) of one unit, family and parameters the same in every draw."""
    rng = np.random.default_rng(seed)
    angles = (MEAN[:, None] + np.linalg.cholesky(COV) @ rng.standard_normal((2, N)))[:, None, :]
    mean = np.broadcast_to(MEAN[:, None, None], (2, 1, N))
    cov = np.broadcast_to(COV[:, :, None, None], (2, 2, 1, N))
    got, pick = condition_on_earlier(
        angles, mean, cov, np.full((1, N), SAG), visit, rng.standard_normal((3, N))
    )
    assert np.array_equal(pick[0], np.arange(N)), "equal weights leave every draw in its place"
    return np.asarray(got[:, 0])


def exact(loads: np.ndarray, noise: np.ndarray, surprise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of (tracking, built-in) given linear readings (derived: normal conditioning)."""
    gain = COV @ loads.T @ np.linalg.inv(loads @ COV @ loads.T + np.diag(noise**2))
    return MEAN + gain @ surprise, COV - gain @ loads @ COV


@pytest.mark.parametrize(
    ("static", "turning", "vta", "rows"),
    [
        (93.0, 91.9, 22.4, [0, 1, 2]),
        (93.0, np.nan, 22.4, [0, 2]),
        (93.0, np.nan, np.nan, [0]),
        (np.nan, 91.9, np.nan, [1]),
        (np.nan, np.nan, 22.4, [2]),
    ],
    ids=["all", "rake still, tracking", "rake still", "rake turning", "tracking"],
)
def test_draws_have_the_law_of_normal_conditioning(
    static: float, turning: float, vta: float, rows: list[int]
) -> None:
    """Mean and covariance given any of the readings (4 standard errors of 60 000 draws)."""
    visit = read(static, turning, vta)
    loads = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 0.0]])[rows]
    still = MEAN.sum()
    surprise = np.array([static - still, turning - (still - SAG), vta - (MEAN[0] - SAG)])[rows]
    mean, cov = exact(loads, np.array(list(NOISE.values()))[rows], surprise)
    got = drawn(visit)
    se = 4.0 * np.sqrt(np.diag(cov) / N)
    assert np.all(np.abs(got.mean(axis=1) - mean) < se)
    assert np.cov(got) == pytest.approx(cov, abs=0.03)


def test_which_family_is_weighted_by_how_well_it_foretold_the_reading() -> None:
    """Every second draw stands for a family 4° flatter: the reading leaves the shares of Bayes' rule."""
    rng = np.random.default_rng(2)
    which = np.arange(N) % 2
    mean = np.stack([np.where(which == 0, 24.0, 20.0), np.full(N, 67.5)])[:, None, :]
    angles = mean + (np.linalg.cholesky(COV) @ rng.standard_normal((2, N)))[:, None, :]
    visit = read(np.nan, np.nan, 22.4)
    cov = np.broadcast_to(COV[:, :, None, None], (2, 2, 1, N))
    _, pick = condition_on_earlier(
        angles, mean, cov, np.full((1, N), SAG), visit, rng.standard_normal((3, N))
    )
    variance = COV[0, 0] + 0.35**2
    odds = np.exp(-0.5 * ((22.4 - 23.3) ** 2 - (22.4 - 19.3) ** 2) / variance)
    assert (which[pick[0]] == 0).mean() == pytest.approx(odds / (1.0 + odds), abs=6e-3)


def test_told_are_the_units_with_any_reading() -> None:
    """A visit without readings changes nothing, so it isn't among those told."""
    asked = pd.DataFrame({"sra_static_deg": [None, 92.0, None], "vta_dynamic_deg": [None, None, 21.0]})
    assert told_readings(asked, NOISE).told.tolist() == [1, 2]


def test_a_reading_is_as_noisy_as_whoever_took_it() -> None:
    """A bench's by its own repeats, an owner's or a maker's by the policy of that enquiry."""
    asked = pd.DataFrame({"sra_static_deg": [92.0] * 4, "vta_dynamic_deg": [22.0] * 4})
    asked = asked.assign(sra_static_read_by=[None, "photo", "eye", "maker"], vta_dynamic_read_by="photo")
    policies = [Policy(), Policy(photo_rake_sd_deg=0.7), Policy(), Policy()]
    told = told_readings(asked, NOISE, policies)
    assert told.noise[0].tolist() == [NOISE["sra_static_deg"], 0.7, 2.0, 0.5]
    assert told.noise[2].tolist() == [1.5] * 4
    assert told.used_since[0].tolist() == [1.0, 0.0, 0.0, 1.0]


def test_a_told_rake_moves_no_spherical_stylus_and_speaks_against_it() -> None:
    """Draws of spherical styli give way to others; where all are, the reading changes nothing."""
    rng = np.random.default_rng(3)
    angles = (MEAN[:, None] + np.linalg.cholesky(COV) @ rng.standard_normal((2, N)))[:, None, :]
    mean, cov = MEAN[:, None, None], np.broadcast_to(COV[:, :, None, None], (2, 2, 1, N))
    sag, visit, noise = np.full((1, N), SAG), read(96.0, np.nan, np.nan), rng.standard_normal((3, N))
    half = np.where(np.arange(N) % 2 == 0, "spherical", "elliptical")[None]
    _, pick = condition_on_earlier(angles, mean, cov, sag, visit, noise, profile=half)
    assert (half[0][pick[0]] == "elliptical").all()
    every = np.full((1, N), "spherical", dtype=object)
    moved, pick = condition_on_earlier(angles, mean, cov, sag, visit, noise, profile=every)
    assert np.array_equal(moved, angles)
    assert np.array_equal(pick[0], np.arange(N))

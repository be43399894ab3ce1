"""What an earlier visit read: draws given readings, against the exact normal law."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.house_model.earlier_readings import Earlier, condition_on_earlier

MEAN = np.array([24.0, 67.5])
COV = np.array([[1.8, -0.3], [-0.3, 1.1]])
SAG = 0.7
N = 60_000


def drawn(visit: Earlier, *, seed: int = 1) -> np.ndarray:
    """Conditioned draws (2, N) of one unit, family and parameters the same in every draw."""
    rng = np.random.default_rng(seed)
    angles = (MEAN[:, None] + np.linalg.cholesky(COV) @ rng.standard_normal((2, N)))[:, None, :]
    mean = np.broadcast_to(MEAN[:, None, None], (2, 1, N))
    cov = np.broadcast_to(COV[:, :, None, None], (2, 2, 1, N))
    got, pick = condition_on_earlier(
        angles, mean, cov, np.full((1, N), SAG), visit, rng.standard_normal((2, N))
    )
    assert np.array_equal(pick[0], np.arange(N)), "equal weights leave every draw in its place"
    return np.asarray(got[:, 0])


def exact(loads: np.ndarray, noise: np.ndarray, surprise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of (tracking, built-in) given linear readings (derived: normal conditioning)."""
    gain = COV @ loads.T @ np.linalg.inv(loads @ COV @ loads.T + np.diag(noise**2))
    return MEAN + gain @ surprise, COV - gain @ loads @ COV


@pytest.mark.parametrize(
    ("static", "vta", "rows"),
    [(93.0, 22.4, [0, 1]), (93.0, np.nan, [0]), (np.nan, 22.4, [1])],
    ids=["both", "rake still", "tracking"],
)
def test_draws_have_the_law_of_normal_conditioning(static: float, vta: float, rows: list[int]) -> None:
    """Mean and covariance given one or both readings (4 standard errors of 60 000 draws)."""
    visit = Earlier(np.array([static]), np.array([vta]), 0.14, 0.35)
    loads = np.array([[1.0, 1.0], [1.0, 0.0]])[rows]
    surprise = np.array([static - MEAN.sum(), vta - (MEAN[0] - SAG)])[rows]
    mean, cov = exact(loads, np.array([0.14, 0.35])[rows], surprise)
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
    visit = Earlier(np.array([np.nan]), np.array([22.4]), 0.14, 0.35)
    cov = np.broadcast_to(COV[:, :, None, None], (2, 2, 1, N))
    _, pick = condition_on_earlier(
        angles, mean, cov, np.full((1, N), SAG), visit, rng.standard_normal((2, N))
    )
    variance = COV[0, 0] + 0.35**2
    odds = np.exp(-0.5 * ((22.4 - 23.3) ** 2 - (22.4 - 19.3) ** 2) / variance)
    assert (which[pick[0]] == 0).mean() == pytest.approx(odds / (1.0 + odds), abs=6e-3)


def test_told_are_the_units_with_any_reading() -> None:
    """A visit without readings changes nothing, so it isn't among those told."""
    visit = Earlier(np.array([np.nan, 92.0, np.nan]), np.array([np.nan, np.nan, 21.0]), 0.14, 0.35)
    assert visit.told.tolist() == [1, 2]

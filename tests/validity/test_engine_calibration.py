"""Simulation-based calibration (Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788).

Truth drawn from the prior, data from the truth, then the truth's place in the posterior: uniform, for every
sd and for sigma, if the engine samples the posterior that it claims.  Prior: half-t(4) of scale 0.5 on the
sds (the engine's own, its scale held fixed) and, as a flat prior can't be drawn from, log sigma ~ N(log 0.8,
0.4²).  The intercept's flat prior needs no draw: the restricted likelihood doesn't depend on it.
1000 simulations when FLEET_LONG=1, else 120.
"""

from functools import cache

import numpy as np
import pytest
from engine_fleets import LONG, TERMS, World, simulate
from scipy import stats

from fleet.statistics.bayes import LogPrior, fit_bayes, half_t_prior
from fleet.statistics.reml import gram_of_frame

pytestmark = [pytest.mark.validity, pytest.mark.long]

UNITS = 60
SIMULATIONS = 1000 if LONG else 120
NAMES = [*(t.name for t in TERMS), "sigma"]


def prior_of(scale: float) -> LogPrior:
    half_t = half_t_prior(scale)

    def log_prior(sds: np.ndarray, sigma: np.ndarray) -> np.ndarray:
        return half_t(sds, sigma) - 0.5 * ((np.log(sigma) - np.log(0.8)) / 0.4) ** 2

    return log_prior


@cache
def places(scale: float, count: int) -> np.ndarray:
    """(count, 6) weighted share of posterior draws below the truth, prior of ``scale`` used in the fit."""
    out = np.empty((count, 6))
    for i in range(count):
        rng = np.random.default_rng([7, i])
        truth = np.append(0.5 * np.abs(rng.standard_t(4, 5)), 0.8 * np.exp(0.4 * rng.standard_normal()))
        fleet, _ = simulate(World(sds=tuple(truth[:5]), sigma=float(truth[5])), UNITS, rng)
        gram, _ = gram_of_frame(fleet, "y", random=TERMS)
        posterior = fit_bayes(gram, prior=prior_of(scale), sigma_floor=0.0, draws=512, seed=i)
        draws = np.column_stack([posterior.raw_sds, posterior.raw_sigma])
        out[i] = posterior.raw_weights @ (draws < truth)
    return out


@pytest.mark.parametrize("which", range(6), ids=NAMES)
def test_the_truths_place_is_uniform(which: int) -> None:
    """Kolmogorov–Smirnov and chi-square over ten bins, each at one in two thousand."""
    u = places(0.5, SIMULATIONS)[:, which]
    assert stats.kstest(u, "uniform").pvalue > 5e-4
    assert stats.chisquare(np.histogram(u, 10, (0.0, 1.0))[0]).pvalue > 5e-4


@pytest.mark.long
def test_a_wrong_prior_is_noticed() -> None:
    """Fitted under a prior twice too wide (thrice in the short run) the places are far from uniform."""
    scale, count = (1.0, 300) if LONG else (1.5, 120)
    u = places(scale, count)[:, :5]
    assert min(stats.kstest(column, "uniform").pvalue for column in u.T) < 1e-5


@pytest.mark.skipif(not LONG, reason="needs 1000 simulations: FLEET_LONG=1")
def test_twenty_bins_stay_inside_their_band() -> None:
    """Of the 120 bins (6 quantities by 20) at most 5 leave the 99 % band 33 to 69 around 50."""
    counts = np.array([np.histogram(u, 20, (0.0, 1.0))[0] for u in places(0.5, SIMULATIONS).T])
    assert ((counts < 33) | (counts > 69)).sum() <= 5

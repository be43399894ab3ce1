"""Growth of thirty young rats (Gelfand, Hills, Racine-Poon & Smith 1990, section 6): intercept and slope.

Published: BUGS Examples volume 1, "Rats" (20 000 draws), under Gamma(0.001, 0.001) priors on all three
precisions, intercept and slope independent; and the same with the late weighings of 25 rats taken away.
Second opinion (derived): a Gibbs sampler of our own, 118 000 draws for the whole data, 58 000 for the part.
"""

import numpy as np
import pytest
from mixed_model_data import RAT_DAYS, gamma_precisions, rats
from scipy.optimize import brentq
from scipy.stats import norm

from fleet.statistics.bayes import coefficient_posterior, fit_bayes
from fleet.statistics.gram import Term
from fleet.statistics.reml import gram_of_frame

TERMS = [Term(("rat",)), Term(("rat",), "age")]


class Mixture:
    """A normal for each draw of the sds, weighted."""

    def __init__(self, mean: np.ndarray, variance: np.ndarray, weight: np.ndarray) -> None:
        self.m, self.s, self.w = mean, np.sqrt(variance), weight
        self.mean = float(weight @ mean)
        self.sd = float(np.sqrt(weight @ (variance + (mean - self.mean) ** 2)))

    def quantile(self, p: float) -> float:
        low, high = self.mean - 12.0 * self.sd, self.mean + 12.0 * self.sd
        return float(brentq(lambda y: float(self.w @ norm.cdf((y - self.m) / self.s)) - p, low, high))


class Growth:
    """The fitted model and what is asked of it."""

    def __init__(self, frame) -> None:
        self.gram, shifts = gram_of_frame(frame, "y", random=TERMS, fixed=["age"])
        self.shift = float(shifts[-1])
        self.posterior = fit_bayes(self.gram, prior=gamma_precisions(1e-3, 1e-3), sigma_floor=0.0, draws=2048)
        self.mean, self.cov = coefficient_posterior(
            self.gram, self.posterior.raw_sds, self.posterior.raw_sigma
        )

    def line(self, day: float, rat: str | None = None, *, noise: bool = False) -> Mixture:
        """Expected weight on a day, of the mean rat or of one; with ``noise`` a new weighing."""
        q = self.gram.design.q
        pick = np.zeros(q + 2)
        pick[q:] = [1.0, day - 22.0]
        if rat is not None:
            at = self.gram.design.columns_of({"rat": np.array([rat], dtype=object)}, 1)[:, 0]
            pick[at] = [1.0, day - 22.0]
        extra = self.posterior.raw_sigma**2 if noise else 0.0
        return self.mix(pick, extra, self.shift)

    def mix(self, pick: np.ndarray, extra: np.ndarray | float = 0.0, shift: float = 0.0) -> Mixture:
        variance = np.einsum("i,rij,j->r", pick, self.cov, pick) + extra
        return Mixture(self.mean @ pick + shift, variance, self.posterior.raw_weights)

    def slope(self) -> Mixture:
        pick = np.zeros(self.gram.design.q + 2)
        pick[-1] = 1.0
        return self.mix(pick)


@pytest.fixture(scope="module")
def whole() -> Growth:
    return Growth(rats())


@pytest.fixture(scope="module")
def part() -> Growth:
    seen = np.ones((30, 5), dtype=bool)
    for first, last, gone in ((5, 10, 1), (10, 20, 2), (20, 25, 3), (25, 30, 4)):
        seen[first:last, 5 - gone :] = False
    return Growth(rats()[seen.ravel()])


def test_weights_are_good(whole: Growth, part: Growth) -> None:
    """Importance sampling serves both: two thirds of the sample effective."""
    for growth in (whole, part):
        assert growth.posterior.method == "importance"
        assert growth.posterior.ess > 2048 * 2 / 3


def test_weight_at_birth_as_published(whole: Growth) -> None:
    """106.6 ± 3.66, quantiles 99.36, 106.6, 113.7, within the published run's rounding and noise."""
    at_birth = whole.line(0.0)
    assert at_birth.mean == pytest.approx(106.6, abs=0.1)
    assert at_birth.sd == pytest.approx(3.66, rel=0.015)
    assert at_birth.quantile(0.5) == pytest.approx(106.6, abs=0.1)
    assert at_birth.quantile(0.025) == pytest.approx(99.36, abs=0.15)
    assert at_birth.quantile(0.975) == pytest.approx(113.7, abs=0.15)
    assert at_birth.mean == pytest.approx(106.5565, abs=0.03)
    assert at_birth.sd == pytest.approx(3.6284, rel=0.005)


def test_growth_as_published(whole: Growth) -> None:
    """6.186 ± 0.1089 a day, 95 % interval 5.972 to 6.401."""
    slope = whole.slope()
    assert slope.mean == pytest.approx(6.186, abs=0.002)
    assert slope.sd == pytest.approx(0.1089, rel=0.01)
    assert slope.quantile(0.025) == pytest.approx(5.972, abs=0.003)
    assert slope.quantile(0.975) == pytest.approx(6.401, abs=0.003)


def test_residual_sd_as_published(whole: Growth) -> None:
    """6.093 ± 0.4643, 95 % interval 5.269 to 7.088."""
    draws, w = whole.posterior.raw_sigma, whole.posterior.raw_weights
    mean = float(w @ draws)
    order = np.argsort(draws)
    low, high = np.interp([0.025, 0.975], np.cumsum(w[order]), draws[order])
    assert mean == pytest.approx(6.093, abs=0.01)
    assert np.sqrt(w @ (draws - mean) ** 2) == pytest.approx(0.4643, rel=0.01)
    assert low == pytest.approx(5.269, abs=0.02)
    assert high == pytest.approx(7.088, abs=0.02)


def test_weighings_that_were_never_made(part: Growth) -> None:
    """Rat 26 from its first weighing alone: 204.7, 250.1, 295.7, 341.1 with their published spreads."""
    published = {15.0: (204.7, 8.698), 22.0: (250.1, 10.27), 29.0: (295.7, 12.6), 36.0: (341.1, 15.41)}
    for day, (mean, sd) in published.items():
        got = part.line(day, "r26", noise=True)
        assert got.mean == pytest.approx(mean, abs=0.1 * sd)
        assert got.sd == pytest.approx(sd, rel=0.02)
    for day, weight in zip(RAT_DAYS[1:], (207.0, 257.0, 303.0, 345.0), strict=True):
        got = part.line(day, "r26", noise=True)
        assert got.quantile(0.05) < weight < got.quantile(0.95)


def test_growth_from_part_of_the_data(part: Growth) -> None:
    """6.545 ± 0.149 by our own Gibbs sampler; the published 6.576 ± 0.1479 lies a fifth of a sd higher."""
    slope = part.slope()
    assert slope.mean == pytest.approx(6.545, abs=0.004)
    assert slope.sd == pytest.approx(0.149, rel=0.01)
    assert abs(slope.mean - 6.576) < 0.25 * 0.1479

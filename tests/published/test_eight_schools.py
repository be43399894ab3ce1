"""Eight schools (Rubin 1981; Bayesian Data Analysis, 3rd edition, section 5.5) under two published priors.

(a) mu flat, tau flat on (0, inf): the book's own model.  Printed Monte Carlo means (20 000 draws, Stan 2015).
(b) mu ~ N(0, 5²), tau ~ half-Cauchy(0, 5): the reference posterior of the posteriordb collection
    (eight_schools-eight_schools_noncentered, 10 chains), with its Monte Carlo standard errors.

Truth for the engine is one-dimensional quadrature over tau, done here with nothing of the engine in it.
"""

import numpy as np
import pandas as pd
import pytest

from fleet.statistics.bayes import Posterior, coefficient_posterior, fit_bayes
from fleet.statistics.gram import Term
from fleet.statistics.reml import fit_reml, gram_of_frame

EFFECT = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERROR = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
SCHOOLS = list("ABCDEFGH")

BOOK = {
    "mu": (7.98, 5.14),
    "tau": (6.54, 5.74),
    "theta": [11.40, 7.96, 6.15, 7.58, 5.14, 6.20, 10.59, 8.37],
}
REFERENCE = {  # mean, Monte Carlo standard error
    "theta": [6.1505, 4.9396, 3.9059, 4.7960, 3.6144, 4.0511, 6.3172, 4.8840],
    "theta_mcse": [0.056, 0.046, 0.054, 0.047, 0.046, 0.049, 0.050, 0.054],
    "mu": (4.4105, 0.033),
    "tau": (3.6021, 0.032),
}


def quadrature(*, mu_sd: float, cauchy: float) -> dict[str, np.ndarray | float]:
    """Posterior means and sds by Simpson's rule over log(1 + tau), mu and theta in closed form."""
    x = np.linspace(0.0, np.log1p(2000.0), 20001)
    tau = np.expm1(x)[:, None]
    simpson = np.where(np.arange(len(x)) % 2, 4.0, 2.0)
    simpson[[0, -1]] = 1.0
    precision = 1.0 / (ERROR**2 + tau**2)
    total = precision.sum(axis=1) + mu_sd**-2
    mu = (precision * EFFECT).sum(axis=1) / total
    log_p = 0.5 * np.log(precision).sum(axis=1) - 0.5 * np.log(total)
    log_p += (
        0.5 * total * mu**2 - 0.5 * (precision * EFFECT**2).sum(axis=1) - np.log1p((tau[:, 0] / cauchy) ** 2)
    )
    weight = simpson * np.exp(log_p - log_p.max()) * np.exp(x)
    weight /= weight.sum()
    shrink = ERROR**2 * precision
    theta = shrink * mu[:, None] + (1.0 - shrink) * EFFECT
    spread = shrink * tau**2 + shrink**2 / total[:, None]
    mean = weight @ theta
    return {
        "mu": weight @ mu,
        "mu_sd": np.sqrt(weight @ (1.0 / total + mu**2) - (weight @ mu) ** 2),
        "tau": weight @ tau[:, 0],
        "tau_sd": np.sqrt(weight @ tau[:, 0] ** 2 - (weight @ tau[:, 0]) ** 2),
        "theta": mean,
        "theta_sd": np.sqrt(weight @ (spread + theta**2) - mean**2),
    }


def summary(posterior: Posterior, shift: float) -> dict[str, np.ndarray | float]:
    """The same figures from the engine's weighted draws."""
    mean, cov = coefficient_posterior(posterior.gram, posterior.raw_sds, posterior.raw_sigma)
    w, q = posterior.raw_weights, posterior.gram.design.q
    pick = np.zeros((9, q + 1))
    pick[:, q] = 1.0
    pick[np.arange(8), np.arange(8)] = 1.0
    values = mean @ pick.T + shift
    variance = np.einsum("ki,rij,kj->rk", pick, cov, pick)
    m = w @ values
    sd = np.sqrt(w @ (variance + values**2) - m**2)
    tau = posterior.raw_sds[:, 0]
    return {
        "mu": m[8],
        "mu_sd": sd[8],
        "tau": w @ tau,
        "tau_sd": np.sqrt(w @ tau**2 - (w @ tau) ** 2),
        "theta": m[:8],
        "theta_sd": sd[:8],
    }


def engine_flat(draws: int) -> dict[str, np.ndarray | float]:
    """Prior (a): known variances as row weights, sigma = 1."""
    frame = pd.DataFrame({"y": EFFECT, "school": SCHOOLS})
    gram, shifts = gram_of_frame(frame, "y", random=[Term(("school",))], weights=ERROR**-2.0)
    return summary(
        fit_bayes(gram, prior=lambda sds, sigma: np.zeros_like(sigma), sigma=1.0, draws=draws),
        float(shifts[-1]),
    )


def engine_proper(draws: int) -> dict[str, np.ndarray | float]:
    """Prior (b): mu's prior enters as one more row, 0 ± 5, that belongs to no school."""
    frame = pd.DataFrame(
        {"y": [*EFFECT, 0.0], "school": [*SCHOOLS, "none"], "real": [*np.ones(8), 0.0]},
    )
    weights = np.append(ERROR**-2.0, 5.0**-2.0)
    gram, shifts = gram_of_frame(frame, "y", random=[Term(("school",), "real")], weights=weights)
    posterior = fit_bayes(
        gram, prior=lambda sds, sigma: -np.log1p((sds[..., 0] / 5.0) ** 2), sigma=1.0, draws=draws
    )
    return summary(posterior, float(shifts[-1]))


FLAT, PROPER = quadrature(mu_sd=np.inf, cauchy=np.inf), quadrature(mu_sd=5.0, cauchy=5.0)


def test_quadrature_agrees_with_the_book() -> None:
    """Prior (a): quadrature within the printed run's Monte Carlo error, taken as a twentieth of each sd."""
    assert FLAT["mu"] == pytest.approx(BOOK["mu"][0], abs=5.14 / 20)
    assert FLAT["mu_sd"] == pytest.approx(BOOK["mu"][1], abs=5.14 / 20)
    assert FLAT["tau"] == pytest.approx(BOOK["tau"][0], abs=5.74 / 20)
    assert FLAT["tau_sd"] == pytest.approx(BOOK["tau"][1], abs=5.74 / 20)
    assert np.abs(FLAT["theta"] - BOOK["theta"]).max() < 6.0 / 20


def test_quadrature_agrees_with_the_reference_posterior() -> None:
    """Prior (b): quadrature within four Monte Carlo standard errors of every reference mean."""
    for name in ("mu", "tau"):
        assert abs(PROPER[name] - REFERENCE[name][0]) < 4.0 * REFERENCE[name][1]
    assert (np.abs(PROPER["theta"] - REFERENCE["theta"]) < 4.0 * np.array(REFERENCE["theta_mcse"])).all()


@pytest.mark.parametrize(("engine", "truth"), [(engine_flat, FLAT), (engine_proper, PROPER)])
@pytest.mark.parametrize(("draws", "tolerance"), [(512, 0.01), (4096, 0.002)])
def test_engine_against_quadrature(engine, truth, draws: int, tolerance: float) -> None:
    """Means and sds of mu, tau and all eight schools within 1 % (0.2 % with 4096 draws) of a posterior sd."""
    got = engine(draws)
    for name in ("mu", "tau", "theta"):
        scale = truth[f"{name}_sd"]
        assert (np.abs(got[name] - truth[name]) < tolerance * scale).all()
        assert (np.abs(got[f"{name}_sd"] - scale) < 2.0 * tolerance * scale).all()


def test_reml_says_no_spread_between_schools() -> None:
    """The spread that maximises the likelihood is 0: Q = 4.7 on 7 degrees of freedom."""
    frame = pd.DataFrame({"y": EFFECT, "school": SCHOOLS})
    gram, shifts = gram_of_frame(frame, "y", random=[Term(("school",))], weights=ERROR**-2.0)
    fit = fit_reml(gram, sigma=1.0)
    assert fit.sds[0] == 0.0
    assert fit.fixed[0] + shifts[-1] == pytest.approx(
        (EFFECT / ERROR**2).sum() / (ERROR**-2.0).sum(), rel=1e-12
    )
    assert fit.fixed_se[0] == pytest.approx(4.071919, abs=1e-6)

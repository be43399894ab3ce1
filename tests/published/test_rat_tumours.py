"""Beta-binomial pooling against the rat tumour data (Tarone 1982; Bayesian Data Analysis, 5.3).

Published: the maximum-likelihood prior of the first 70 groups, alpha 2.304768 and beta 14.079707 (vignette
of the R package BayesGOF); the posterior means of alpha and beta of all 71, 2.4 and 14.3 (Bayesian Data
Analysis, 3rd edition, section 5.3).
"""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import betaln

from fleet.statistics.proportions import _log_posterior, _posterior_grid, pool

# fmt: off
TUMOURS = np.array([0] * 14 + [1] * 8 + [3, 2, 2, 2, 2, 2, 2, 2, 2, 2, 1, 5, 2, 5, 2, 7, 7, 3, 3, 2, 9, 10]
                   + [4] * 7 + [10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
                   dtype=float)
RATS = np.array([20] * 7 + [19] * 4 + [18, 18, 17] + [20] * 4 + [19, 19, 18, 18]
                + [27, 25, 24, 23, 20, 20, 20, 20, 20, 20, 10, 49, 19, 46, 17, 49, 47, 20, 20, 13, 48, 50]
                + [20] * 7 + [48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14],
                dtype=float)
# fmt: on


def test_the_data_are_whole():
    """71 groups; the one of interest is the last, 4 of 14."""
    assert TUMOURS.size == RATS.size == 71
    assert (TUMOURS[-1], RATS[-1]) == (4, 14)


def test_marginal_likelihood_peaks_where_published():
    """The likelihood that pooling uses has its maximum at the published prior of the first 70 groups."""
    x, n = TUMOURS[:70], RATS[:70]

    def loss(log_parameters):
        alpha, beta = np.exp(log_parameters)
        weight = np.array([alpha + beta])
        return -float(_log_posterior(np.array([alpha / (alpha + beta)]), weight, x, n)[0])

    best = minimize(loss, [1.0, 2.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    np.testing.assert_allclose(np.exp(best.x), [2.304768, 14.079707], rtol=2e-5)


def test_posterior_means_of_the_prior():
    """Posterior means of alpha and beta round to the published 2.4 and 14.3."""
    mean, weight, share = _posterior_grid(TUMOURS, RATS)
    assert round(float(share @ (mean * weight)), 1) == 2.4
    assert round(float(share @ ((1 - mean) * weight)), 1) == 14.3


@pytest.mark.long
def test_the_last_group_equals_a_fine_quadrature():
    """Rate of the 71st group: its mean equals a plain double integral over alpha and beta (derived)."""
    log_mean, log_weight = np.meshgrid(np.linspace(-2.6, -1.0, 400), np.linspace(0.5, 6.0, 400))
    weight = np.exp(log_weight)
    alpha = weight / (1 + np.exp(-log_mean))
    beta = weight - alpha
    log = np.log(alpha) + np.log(beta) - 2.5 * np.log(weight)  # the prior, times the Jacobian of the two logs
    for x, n in zip(TUMOURS, RATS, strict=True):
        log += betaln(alpha + x, beta + n - x) - betaln(alpha, beta)
    share = np.exp(log - log.max())
    share /= share.sum()
    want = (share * (alpha + 4) / (weight + 14)).sum()
    result = pool(TUMOURS, RATS)
    assert result.rate[-1] == pytest.approx(want, abs=2e-4)
    assert result.low[-1] < want < result.high[-1] < 0.45

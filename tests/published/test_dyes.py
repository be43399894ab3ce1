"""Dyestuff by Bayes: the engine against two-dimensional quadrature, and BUGS Examples volume 1, "Dyes".

Published (200 000 draws, Gamma(0.001, 0.001) on both precisions): sigma2.with 2994, median 2766, sd 1083;
sigma2.btw median 1375; theta 1527 ± 22.05.  That prior heaps up at zero between-batch variance: by
quadrature P(sigma2.btw < 1) is 0.089, which is the prior speaking, not the data.
"""

import numpy as np
import pytest
from mixed_model_data import DYESTUFF, DYESTUFF2, gamma_precisions, numbers, one_way

from fleet.statistics.bayes import coefficient_posterior, fit_bayes, half_t_prior, response_sd
from fleet.statistics.gram import Gram, Term
from fleet.statistics.reml import gram_of_frame


def quadrature(text: str, scale: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grid of (sd between, sigma) and its weights under a half-t(4) prior on sd, flat on log sigma.

    The restricted likelihood of k batches of n: within sum of squares on k (n - 1) degrees of freedom with
    variance sigma², between sum of squares on k - 1 with sigma² + n sd².
    """
    y = numbers(text).reshape(6, 5)
    within = float(((y - y.mean(axis=1, keepdims=True)) ** 2).sum())
    between = 5.0 * float(((y.mean(axis=1) - y.mean()) ** 2).sum())
    log_sd = np.linspace(np.log(2e-4 * scale), np.log(600.0 * scale), 2501)
    log_sigma = np.linspace(np.log(scale / 3.0), np.log(16.0 * scale), 501)
    sd, sigma = np.meshgrid(np.exp(log_sd), np.exp(log_sigma), indexing="ij")
    total = sigma**2 + 5.0 * sd**2
    log_p = -24.0 * np.log(sigma) - 2.5 * np.log(total) - 0.5 * (within / sigma**2 + between / total)
    log_p += -2.5 * np.log1p((sd / scale) ** 2 / 4.0) + np.log(sd)
    weight = np.exp(log_p - log_p.max())
    return sd, sigma, weight / weight.sum()


def gram_of(text: str) -> Gram:
    gram, _ = gram_of_frame(one_way(text), "y", random=[Term(("batch",))])
    return gram


@pytest.mark.parametrize("text", [DYESTUFF, DYESTUFF2], ids=["dyestuff", "dyestuff2"])
def test_importance_sampling_against_quadrature(text: str) -> None:
    """Means of both sds within 1 % of two-dimensional quadrature, from 1024 draws, and the sds within 3 %."""
    gram = gram_of(text)
    scale = 0.5 * response_sd(gram)
    sd, sigma, weight = quadrature(text, scale)
    got = fit_bayes(gram, prior=half_t_prior(scale), sigma_floor=0.0, draws=1024)
    assert got.method == "importance"
    for true, draws in ((sd, got.raw_sds[:, 0]), (sigma, got.raw_sigma)):
        mean = float((weight * true).sum())
        spread = float(np.sqrt((weight * (true - mean) ** 2).sum()))
        sampled = float(got.raw_weights @ draws)
        assert sampled == pytest.approx(mean, rel=0.01)
        assert np.sqrt(got.raw_weights @ (draws - sampled) ** 2) == pytest.approx(spread, rel=0.03)


def test_the_floor_under_sigma_changes_nothing_where_batches_repeat() -> None:
    """With 24 degrees of freedom within batches the default floor moves no mean by a thousandth."""
    gram = gram_of(DYESTUFF)
    free, floored = fit_bayes(gram, sigma_floor=0.0), fit_bayes(gram)
    assert floored.raw_weights @ floored.raw_sigma == pytest.approx(
        free.raw_weights @ free.raw_sigma, rel=1e-3
    )


def test_dyes_as_published() -> None:
    """Within variance 2994 to 3 %, theta 1527 ± 22; the heap at zero between-batch variance is found."""
    got = fit_bayes(gram_of(DYESTUFF), prior=gamma_precisions(1e-3, 1e-3), sigma_floor=0.0, draws=512)
    w = got.raw_weights
    assert w @ got.raw_sigma**2 == pytest.approx(2994.0, rel=0.03)
    mean, cov = coefficient_posterior(got.gram, got.raw_sds, got.raw_sigma)
    assert mean[:, -1] == pytest.approx(np.zeros(len(mean)), abs=1e-9)
    order = np.argsort(got.raw_sds[:, 0])
    median = np.interp(0.5, np.cumsum(w[order]), got.raw_sds[order, 0] ** 2)
    assert median == pytest.approx(1375.0, rel=0.1)
    assert w @ (got.raw_sds[:, 0] < 1.0) == pytest.approx(0.089, abs=0.04)
    assert np.sqrt(w @ cov[:, -1, -1]) == pytest.approx(22.05, rel=0.1)

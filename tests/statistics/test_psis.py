"""Pareto smoothing: the tail's shape is found, the weights stay weights."""

import numpy as np
import pytest

from fleet.statistics.psis import pareto_shape, smooth_weights


@pytest.mark.parametrize("shape", [0.1, 0.3, 0.5, 0.7, 0.9, 1.2])
def test_shape_of_a_known_tail(shape: float) -> None:
    """Weights 1 / U^shape have a Pareto tail of that shape: mean estimate over 40 samples within 0.05."""
    rng = np.random.default_rng(1)
    found = [smooth_weights(-shape * np.log(rng.random(4000)))[1] for _ in range(40)]
    assert np.mean(found) == pytest.approx(shape, abs=0.05)
    assert np.std(found) < 0.15


@pytest.mark.parametrize(("shape", "scale"), [(0.2, 1.0), (0.6, 0.3), (-0.3, 2.0)])
def test_shape_and_scale_of_exact_quantiles(shape: float, scale: float) -> None:
    """From 2000 exact quantiles of a generalised Pareto law its own two parameters come back."""
    p = (np.arange(2000) + 0.5) / 2000
    x = scale * np.expm1(-shape * np.log1p(-p)) / shape
    k, sigma = pareto_shape(x)
    assert k == pytest.approx(shape, abs=0.03)
    assert sigma == pytest.approx(scale, rel=0.03)


def test_few_exceedances_lean_to_a_half() -> None:
    """The weak prior of the method pulls the estimate from ten values half-way to 0.5."""
    p = (np.arange(10) + 0.5) / 10
    assert 0.1 < pareto_shape(-np.log1p(-p))[0] < 0.45


def test_weights_sum_to_one_and_keep_their_order() -> None:
    """Smoothed weights sum to 1, rise with the raw ones, and the largest is not above the raw largest."""
    lw = 3.0 * np.random.default_rng(2).standard_normal(1000)
    weights, k = smooth_weights(lw)
    assert weights.sum() == pytest.approx(1.0)
    assert (np.diff(weights[np.argsort(lw)]) >= 0.0).all()
    assert k > 0.5
    below = np.argsort(lw)[:500]
    ratio = weights[below] / np.exp(lw[below])
    assert ratio == pytest.approx(np.full(500, ratio[0]))
    assert weights.max() / ratio[0] <= np.exp(lw.max()) * (1.0 + 1e-12)


def test_smoothing_lowers_the_error_of_a_heavy_tailed_mean() -> None:
    """Mean 1 of a normal by draws from one half as wide: smoothed weights err less than raw ones do."""
    rng = np.random.default_rng(3)
    errors = []
    for _ in range(200):
        x = 1.0 + 0.5 * rng.standard_normal(400)
        lw = -0.5 * (x - 1.0) ** 2 + 2.0 * (x - 1.0) ** 2
        raw = np.exp(lw - lw.max())
        second = (x - 1.0) ** 2
        smooth, _ = smooth_weights(lw)
        errors.append([raw @ second / raw.sum() - 1.0, smooth @ second - 1.0])
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert rms[1] < rms[0]


def test_equal_weights_have_no_tail() -> None:
    """Weights that are all the same stay the same, and k is not positive."""
    weights, k = smooth_weights(np.full(100, -7.0))
    assert weights == pytest.approx(np.full(100, 0.01))
    assert k <= 0.0


def test_impossible_draws_get_no_weight() -> None:
    """A log weight of minus infinity becomes a weight of exactly 0."""
    lw = np.random.default_rng(4).standard_normal(300)
    lw[[3, 50]] = -np.inf
    weights, _ = smooth_weights(lw)
    assert weights[[3, 50]].tolist() == [0.0, 0.0]
    assert np.isfinite(weights).all()

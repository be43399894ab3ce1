"""Pareto smoothing finds the tail's shape and leaves weights weights; the slice sampler finds known laws."""

import numpy as np
import pytest

from fleet.statistics.sampling import chain_ess, pareto_shape, slice_chain, smooth_weights


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


def test_a_correlated_normal() -> None:
    """Means, sds and correlation 0.7 of a normal in the plane, from a far start."""
    precision = np.linalg.inv(np.array([[1.0, 1.4], [1.4, 4.0]]))
    chain = slice_chain(
        lambda x: float(-0.5 * x @ precision @ x),
        np.array([8.0, -9.0]),
        np.ones(2),
        sweeps=6000,
        warm=100,
        rng=np.random.default_rng(1),
    )
    assert chain.mean(axis=0) == pytest.approx([0.0, 0.0], abs=0.12)
    assert chain.std(axis=0) == pytest.approx([1.0, 2.0], rel=0.06)
    assert np.corrcoef(chain.T)[0, 1] == pytest.approx(0.7, abs=0.04)


def test_a_density_with_an_edge() -> None:
    """An exponential law, impossible below 0: no draw there, quartiles as they must be."""
    chain = slice_chain(
        lambda x: -float(x[0]) if x[0] >= 0.0 else -np.inf,
        np.array([1.0]),
        np.array([0.3]),
        sweeps=8000,
        warm=100,
        rng=np.random.default_rng(2),
    )
    assert chain.min() >= 0.0
    expected = -np.log1p(-np.array([0.25, 0.5, 0.75]))
    assert np.quantile(chain[:, 0], [0.25, 0.5, 0.75]) == pytest.approx(expected, rel=0.08)


def test_two_hills_are_both_climbed() -> None:
    """Two normals four sds apart, weights 0.3 and 0.7: the share of time on each is right within 0.05."""

    def density(x: np.ndarray) -> float:
        return float(np.logaddexp(np.log(0.3) - 0.5 * x[0] ** 2, np.log(0.7) - 0.5 * (x[0] - 4.0) ** 2))

    chain = slice_chain(
        density, np.zeros(1), np.array([2.0]), sweeps=12000, warm=100, rng=np.random.default_rng(3)
    )
    assert (chain[:, 0] < 2.0).mean() == pytest.approx(0.3 * 0.97725 + 0.7 * 0.02275, abs=0.05)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, -0.5])
def test_effective_size_of_an_autoregression(rho: float) -> None:
    """n (1 - rho) / (1 + rho) for a first-order autoregression, never more than n."""
    rng = np.random.default_rng(4)
    n, found = 4000, []
    for _ in range(20):
        noise = rng.standard_normal(n)
        x = np.empty(n)
        x[0] = noise[0] / np.sqrt(1.0 - rho**2)
        for i in range(1, n):
            x[i] = rho * x[i - 1] + noise[i]
        found.append(chain_ess(x[:, None]))
    assert np.mean(found) == pytest.approx(min(n, n * (1.0 - rho) / (1.0 + rho)), rel=0.1)


def test_the_worst_coordinate_counts() -> None:
    """A sticky coordinate beside a free one: the sticky one's size is given, a constant passed over."""
    rng = np.random.default_rng(5)
    sticky = np.repeat(rng.standard_normal(100), 20)
    free = rng.standard_normal(2000)
    both = chain_ess(np.column_stack([sticky, free, np.zeros(2000)]))
    assert both == chain_ess(sticky[:, None])
    assert both < 250

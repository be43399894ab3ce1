"""The slice sampler finds known laws."""

import numpy as np
import pytest
from scipy.special import stdtrit

from fleet.statistics.sampling import T_DF, chain_ess, slice_chain, t_quantile


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


def test_quantiles_of_the_split_t_are_scipys() -> None:
    """From a chance of 1e-9 to its complement, to 1e-13 in the lower half; the middle is 0."""
    p = np.append(np.logspace(-9, -2, 200), np.linspace(0.01, 0.499, 200))
    np.testing.assert_allclose(t_quantile(p), stdtrit(T_DF, p), rtol=1e-13, atol=1e-14)
    np.testing.assert_allclose(t_quantile(1.0 - p), -t_quantile(p), rtol=1e-6)
    assert t_quantile(np.array([0.5]))[0] == 0.0

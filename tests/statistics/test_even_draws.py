"""Sobol points and the normal law are SciPy's own."""

import numpy as np
import pytest
from scipy import special, stats

from fleet.statistics.even_draws import normal_cdf, normal_quantile, sobol_points


@pytest.mark.parametrize(
    ("n", "dim", "seed"), [(1, 1, 1), (16, 2, 11), (512, 5, 3), (1024, 28, 0), (64, 32, 7)]
)
def test_the_points_are_those_of_a_known_library(n: int, dim: int, seed: int) -> None:
    """To the last bit those of SciPy's `qmc.Sobol`, scrambled with the same seed."""
    theirs = stats.qmc.Sobol(dim, scramble=True, rng=np.random.default_rng(seed)).random(n)
    assert np.array_equal(sobol_points(n, dim, seed), theirs)


def test_no_more_dimensions_than_the_table_has() -> None:
    """A dimension beyond the table is refused, not made up."""
    with pytest.raises(ValueError, match="at most 32"):
        sobol_points(8, 33, 0)


def test_the_chance_below_a_value_is_scipys() -> None:
    """From one end to the other, the same to a few units of the last place; and at no value."""
    x = np.concatenate([np.linspace(-37.5, 37.5, 20_001), [np.inf, -np.inf, np.nan]])
    np.testing.assert_allclose(normal_cdf(x), special.ndtr(x), rtol=3e-14, atol=5e-324)
    near = x[np.abs(x) < 5.0]
    np.testing.assert_allclose(normal_cdf(near), special.ndtr(near), rtol=1e-15)
    assert normal_cdf(0.0) == 0.5


def test_the_value_below_which_a_chance_lies_is_scipys() -> None:
    """In the middle, in both tails and beyond; what is no chance has none."""
    tails = np.exp(np.linspace(-700.0, np.log(0.2), 5_001))
    p = np.concatenate([np.linspace(0.0, 1.0, 20_001), tails, 1.0 - tails, [-0.1, 1.1, np.nan]])
    np.testing.assert_allclose(normal_quantile(p), special.ndtri(p), rtol=1e-15)

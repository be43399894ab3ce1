"""Sobol points are SciPy's own."""

import numpy as np
import pytest
from scipy import stats

from fleet.statistics.sobol import sobol_points


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

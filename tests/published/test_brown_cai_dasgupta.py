"""Exact coverage of intervals: Brown, Cai and DasGupta (2001), Statistical Science 16, 101-133.

Their erratic Wald coverages prove the way coverage is counted here; Wilson's, counted the same way, are
derived (exact binomial sums, recomputed independently to four decimals).
"""

import numpy as np
import pytest
from scipy.stats import binom
from statsmodels.stats.proportion import proportion_confint

from fleet.statistics.proportions import wilson

CASES = [
    # n, p, Wald (published, three decimals), Wilson (derived)
    (30, 0.2, 0.946, 0.9639),
    (98, 0.2, 0.928, 0.9576),
    (591, 0.005, 0.945, 0.9691),
    (592, 0.005, 0.792, 0.9688),
    (954, 0.005, 0.852, 0.9677),
    (100, 0.106, 0.952, 0.9509),
    (100, 0.107, 0.911, 0.9493),
    (17, 0.5, 0.951, None),
    (18, 0.5, 0.904, None),
]


def coverage(limits, n, p):
    """Chance that the interval of a binomial count holds the true p: an exact sum."""
    x = np.arange(n + 1)
    low, high = limits(x, n)
    return binom.pmf(x, n, p)[(low <= p) & (p <= high)].sum()


def wald(x, n):
    return proportion_confint(x, n, method="normal")


@pytest.mark.parametrize(("n", "p", "published", "derived"), CASES)
def test_wald_coverage_is_erratic_as_published(n, p, published, derived):
    """The published coverages of the 95 % Wald interval come out to their last digit."""
    assert coverage(wald, n, p) == pytest.approx(published, abs=5.1e-4)


@pytest.mark.parametrize(("n", "p", "published", "derived"), [c for c in CASES if c[3]])
def test_wilson_coverage_stays_near_nominal(n, p, published, derived):
    """Wilson's interval, as used for every rate here, holds about what it says in the same cases."""
    assert coverage(wilson, n, p) == pytest.approx(derived, abs=5.1e-5)

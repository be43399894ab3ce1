"""Wilson's interval against Newcombe (1998), Statistics in Medicine 17, 857-872, Table I, method 3."""

import numpy as np
import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from fleet.statistics.proportions import wilson

TABLE_I = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("met", "n", "low", "high"), TABLE_I)
def test_table_i(met, n, low, high):
    """All four cases agree to the four printed decimals."""
    assert np.round(wilson(met, n), 4) == pytest.approx((low, high), abs=1e-12)


def test_equals_two_independent_implementations():
    """Every count out of 1..40 agrees with scipy's and statsmodels' Wilson limits to 1e-12."""
    for n in (1, 2, 7, 40):
        x = np.arange(n + 1)
        low, high = wilson(x, n)
        other = proportion_confint(x, n, method="wilson")
        np.testing.assert_allclose((low, high), np.clip(other, 0, 1), rtol=0, atol=1e-12)
        theirs = [binomtest(int(k), n).proportion_ci(method="wilson") for k in x]
        np.testing.assert_allclose(low, [t.low for t in theirs], rtol=0, atol=1e-12)
        np.testing.assert_allclose(high, [t.high for t in theirs], rtol=0, atol=1e-12)

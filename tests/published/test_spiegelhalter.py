"""Funnel limits by Spiegelhalter (2005), Statistics in Medicine 24, 1185-1202, appendix A.1.1.

No published numeric example was found: the figures are derived from the definition with exact binomial
sums in plain Python fractions of the distribution function, and the definition itself is checked.
"""

from math import comb

import numpy as np
import pytest

from fleet.statistics.proportions import funnel, funnel_limits, overdispersion

DERIVED = [
    # n, centre, lower-tail probability, limit (derived to six decimals)
    (100, 0.1, 0.025, 0.040381),
    (100, 0.1, 0.975, 0.157719),
    (100, 0.1, 0.001, 0.014179),
    (100, 0.1, 0.999, 0.198357),
    (50, 0.1, 0.025, 0.013863),
    (50, 0.1, 0.975, 0.179723),
    (50, 0.1, 0.001, -0.016119),
    (50, 0.1, 0.999, 0.240128),
    (100, 0.3, 0.025, 0.206902),
    (100, 0.3, 0.975, 0.386912),
    (100, 0.3, 0.001, 0.160261),
    (100, 0.3, 0.999, 0.441563),
]


def by_definition(n, centre, tail):
    """r = smallest count with F(r) >= tail; limit = (r - (F(r) - tail) / (F(r) - F(r - 1))) / n."""
    cumulative = 0.0
    for r in range(n + 1):
        mass = comb(n, r) * centre**r * (1 - centre) ** (n - r)
        if cumulative + mass >= tail:
            return (r - (cumulative + mass - tail) / mass) / n
        cumulative += mass
    raise AssertionError("the distribution function ends at 1")


@pytest.mark.parametrize(("n", "centre", "tail", "limit"), DERIVED)
def test_limits(n, centre, tail, limit):
    """Limits equal the derived table to six decimals and the definition to twelve."""
    got = float(funnel_limits(n, centre, tail))
    assert got == pytest.approx(limit, abs=5.1e-7)
    assert got == pytest.approx(by_definition(n, centre, tail), abs=1e-12)


def test_overdispersion_is_the_winsorised_mean_square():
    """By hand: z = -3..3 has 10 % and 90 % points -2.4 and 2.4, so phi = (2*2.4^2 + 2*2^2 + 2*1) / 7."""
    assert overdispersion(np.arange(-3.0, 4.0)) == pytest.approx((2 * 2.4**2 + 8 + 2) / 7)
    assert overdispersion([0.1, -0.2, 0.05, 0.0, 0.1]) == 1.0


def test_funnel_flags_the_one_source_that_is_off():
    """Nine sources at the common rate and one far below: it alone lies outside the 99.8 % limits."""
    n = np.full(10, 100)
    met = np.array([60, 62, 58, 61, 59, 60, 63, 57, 60, 30])
    result = funnel(met, n)
    assert list(np.flatnonzero(result.rate < result.low998)) == [9]
    assert (result.rate <= result.high95).all()
    assert result.centre == pytest.approx(0.57)


def test_overdispersed_groups_widen_the_limits():
    """Where all groups scatter more than chance allows, the limits widen and z shrinks by the same factor."""
    met = np.array([40, 80, 45, 75, 50, 70, 42, 78, 44, 76])
    n = np.full(10, 100)
    plain, wide = funnel(met, n, allow_overdispersion=False), funnel(met, n)
    assert wide.overdispersion > 5
    assert (wide.high95 - wide.low95 > plain.high95 - plain.low95).all()
    np.testing.assert_allclose(wide.z * np.sqrt(wide.overdispersion), plain.z)


def test_a_rate_of_nought_or_all_has_no_funnel():
    """If nobody or everybody meets the target the limits collapse on the common rate; nothing is flagged."""
    result = funnel([0, 0], [5, 50])
    assert (result.low95 == 0).all()
    assert (result.high998 == 0).all()
    assert (result.z == 0).all()

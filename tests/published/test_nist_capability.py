"""Capability indices against the NIST/SEMATECH e-Handbook (6.1.6) and textbook intervals."""

import numpy as np
import pytest

from fleet.statistics.capability import capability_indices


def test_nist_example():
    """Limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667 = Cpu, Cpl 1.3333 (handbook 6.1.6)."""
    cp, *_, cpk, _, _ = capability_indices(16.0, 2.0, 50, 8.0, 20.0)
    assert cp == pytest.approx(1.0)
    assert cpk == pytest.approx(0.6667, abs=5e-5)
    assert capability_indices(16.0, 2.0, 50, None, 20.0)[3] == pytest.approx(0.6667, abs=5e-5)
    assert capability_indices(16.0, 2.0, 50, 8.0, None)[3] == pytest.approx(1.3333, abs=5e-5)


@pytest.mark.parametrize(
    ("n", "cp", "cpk"),
    [(50, (0.80248, 1.19713), (0.50555, 0.82778)), (100, (0.86083, 1.13894), (0.55313, 0.78021))],
)
def test_intervals_of_the_nist_example(n, cp, cpk):
    """Its 95 % intervals (derived: chi-square, and sqrt(1/(9n) + Cpk^2/(2(n-1))))."""
    got = capability_indices(16.0, 2.0, n, 8.0, 20.0)
    np.testing.assert_allclose(got[1:3], cp, atol=5.1e-6)
    np.testing.assert_allclose(got[4:6], cpk, atol=5.1e-6)


def test_textbook_intervals():
    """Montgomery, Introduction to Statistical Quality Control, ch. 8: n 20, s 1.75, limits 38 and 62 give
    Cp 2.29, interval 1.57 to 3.01 (printed from the rounded 2.29); Cpk 1.33 gives 0.88 to 1.78."""
    cp, cp_low, cp_high, *_ = capability_indices(50.0, 1.75, 20, 38.0, 62.0)
    assert cp == pytest.approx(2.29, abs=5e-3)
    assert (cp_low * 2.29 / cp, cp_high * 2.29 / cp) == pytest.approx((1.57, 3.01), abs=5e-3)
    *_, cpk, cpk_low, cpk_high = capability_indices(0.0, 1.0, 20, None, 3 * 1.33)
    assert (cpk, cpk_low, cpk_high) == pytest.approx((1.33, 0.88, 1.78), abs=5e-3)


@pytest.mark.parametrize(
    ("mean", "cpk", "risk"),
    [(10.0, 0.833333, 0.01242), (10.5, 0.416667, 0.10574), (12.0, -0.833333, 0.99379)],
)
def test_process_risk(mean, cpk, risk):
    """Limits 9 and 11, sd 0.4: index and share outside of a normal process (public test data of a risk
    tool)."""
    from scipy.stats import norm

    got = capability_indices(mean, 0.4, 100, 9.0, 11.0)[3]
    assert got == pytest.approx(cpk, abs=5e-7)
    assert norm.cdf(9, mean, 0.4) + norm.sf(11, mean, 0.4) == pytest.approx(risk, abs=5e-6)

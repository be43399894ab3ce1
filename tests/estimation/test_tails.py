"""The laws of sound residuals: their constants."""

from __future__ import annotations

import math

import numpy as np

from fleet.estimation.tails import student_log_norm


def test_the_constant_of_students_density_is_its_closed_form() -> None:
    """Γ(k + ½) / Γ(k) = √π k C(2k, k) / 4^k for a whole k, and 1 / π for one degree of freedom (derived)."""
    k = range(1, 300)
    exact = [math.log(n * math.comb(2 * n, n)) - n * math.log(4.0) - 0.5 * math.log(2.0 * n) for n in k]
    np.testing.assert_allclose(student_log_norm(np.array(k, dtype=float)), exact, rtol=2e-13)
    np.testing.assert_allclose(student_log_norm(np.array([0.5])), -math.log(math.pi), rtol=1e-14)

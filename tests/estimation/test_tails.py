"""The laws of sound residuals: their constants, and how heavy and skewed they are, learnt from the middle."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from fleet.estimation import tails
from fleet.estimation.tails import student_log_norm
from fleet.house_model.chain import JUDGED
from fleet.house_model.loo_residuals import Residuals


def test_the_constant_of_students_density_is_its_closed_form() -> None:
    """Γ(k + ½) / Γ(k) = √π k C(2k, k) / 4^k for a whole k, and 1 / π for one degree of freedom (derived)."""
    k = range(1, 300)
    exact = [math.log(n * math.comb(2 * n, n)) - n * math.log(4.0) - 0.5 * math.log(2.0 * n) for n in k]
    np.testing.assert_allclose(student_log_norm(np.array(k, dtype=float)), exact, rtol=2e-13)
    np.testing.assert_allclose(student_log_norm(np.array([0.5])), -math.log(math.pi), rtol=1e-14)


def residuals_of(law: str, m: int) -> Residuals:
    """Residuals of unit variance, most of it units' own scatter, one reading in ten missing."""
    rng, size = np.random.default_rng(5), (m, len(JUDGED))
    value = {
        "normal": rng.standard_normal(size),
        "heavy": rng.standard_t(4.0, size) / np.sqrt(2.0),
        "skewed": rng.gamma(4.0, 0.5, size) - 2.0,
    }[law]
    value[rng.random(size) < 0.1] = np.nan
    covariance = np.tile(np.eye(len(JUDGED)), (m, 1, 1))
    share, doubt = rng.uniform(0.5, 1.0, size), rng.uniform(0.0, 0.2, size)
    return Residuals(value, np.zeros(size), covariance, share, doubt, pd.DataFrame(index=range(m)), {})


@pytest.mark.long
@pytest.mark.parametrize("m", [0, 12, 3000])
@pytest.mark.parametrize("law", ["normal", "heavy", "skewed"])
def test_what_has_no_chance_need_not_be_tried(monkeypatch: pytest.MonkeyPatch, law: str, m: int) -> None:
    """Tails and skewness are those of a search through the whole grid, with fewer tried."""
    resid, tried = residuals_of(law, m), 0
    whole_likelihood = tails._log_likelihood

    def counted(own: tuple[np.ndarray, ...], tail: float, skew: float) -> float:
        nonlocal tried
        tried += 1
        return whole_likelihood(own, tail, skew)

    monkeypatch.setattr(tails, "_log_likelihood", counted)
    found, few = tails.learn_tails(resid), tried
    monkeypatch.setattr(tails, "NOTHING", np.inf)
    whole, every = tails.learn_tails(resid), tried - few
    for got, want in zip(found, whole, strict=True):
        assert got == pytest.approx(want, rel=1e-12, abs=1e-14)
    assert few <= every
    if m > 1000:
        assert few < 0.85 * every

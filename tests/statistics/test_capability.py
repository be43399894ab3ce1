"""Capability: indices, shares outside, and the caution about shape."""

import numpy as np
import pytest
from scipy.stats import norm

from fleet.errors import FleetError
from fleet.statistics.capability import capability


def test_normal_sample():
    """A normal sample gets no caution; counted and normal shares agree; the interval holds the true index."""
    sample = np.random.default_rng(1).normal(91.4, 0.5, 2_000)
    result = capability(sample, 90.5, 92.5)
    assert result.caution == ""
    assert result.cpk_low < 0.9 / 1.5 < result.cpk_high
    assert result.outside_normal == pytest.approx(norm.cdf(-1.8) + norm.sf(2.2), abs=0.01)
    assert result.outside_counted == pytest.approx(result.outside_normal, abs=0.01)
    assert "2000 values" in result.sentence


def test_two_heaps_are_cautioned():
    """Built rakes in two heaps are no normal distribution: the caution says to go by the count."""
    rng = np.random.default_rng(2)
    sample = np.concatenate([rng.normal(91, 0.1, 300), rng.normal(92, 0.1, 100), rng.normal(88, 0.1, 50)])
    result = capability(sample, 90.5, 92.5)
    assert "not normally distributed" in result.caution
    assert result.caution in result.sentence
    assert result.outside_counted == pytest.approx(50 / 450, abs=1e-12)
    assert result.shape_p < 0.01


def test_large_samples_have_a_shape_too():
    """Beyond 5 000 values the shape is still judged, both ways."""
    rng = np.random.default_rng(3)
    assert capability(rng.normal(20, 1, 20_000), high=22.0).caution == ""
    assert capability(rng.exponential(1, 20_000), high=22.0).caution != ""


def test_one_limit():
    """With an upper limit alone there is no Cp; Cpk is the distance to that limit."""
    sample = np.random.default_rng(4).normal(20, 1, 100)
    result = capability(np.append(sample, np.nan), high=22.0)
    assert np.isnan([result.cp, result.cp_low, result.cp_high]).all()
    assert result.cpk == pytest.approx((22 - sample.mean()) / (3 * sample.std(ddof=1)))
    assert result.n == 100


def test_intervals_hold_what_they_say():
    """In 2 000 samples of 30 the 95 % intervals hold the true Cp in 94 to 96 %, the true Cpk in 92 to
    98 %."""
    rng = np.random.default_rng(5)
    results = [capability(rng.normal(0.5, 1, 30), -3.0, 3.0) for _ in range(2_000)]
    assert 0.94 <= np.mean([r.cp_low <= 1.0 <= r.cp_high for r in results]) <= 0.96
    assert 0.92 <= np.mean([r.cpk_low <= 2.5 / 3 <= r.cpk_high for r in results]) <= 0.98


@pytest.mark.parametrize(
    ("values", "limits", "words"),
    [
        ([1.0] * 20, (None, None), "needs a lower or an upper limit"),
        ([1.0] * 20, (2.0, 1.0), "wrong way round"),
        ([1.0, 2.0], (0.0, 3.0), "needs 10 values, got 2"),
        ([1.0] * 20, (0.0, 3.0), "no spread"),
    ],
)
def test_refusals(values, limits, words):
    """Too little to go by is one clear line, not an index."""
    with pytest.raises(FleetError, match=words):
        capability(values, *limits)

"""Gauge studies against printed ones.

Data and figures: AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III section B, the study of
10 parts, 3 appraisers and 3 trials; sums of squares and percentages as a general statistics package prints
them for these data, sigmas as the manual does.  Components with more digits were computed apart from this
code, from the same mean squares. Pooling: NIST/SEMATECH e-Handbook, mpc444 (gauge study of resistivity
probes), public domain.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from fleet.bench_trust.gauge import Gauge, gauge
from fleet.statistics.gauge_anova import anova
from fleet.statistics.gauge_reml import reml

TRIALS = {
    "A": (
        (0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36),
        (0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25),
        (0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31),
    ),
    "B": (
        (0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68),
        (0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62),
        (0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50),
    ),
    "C": (
        (0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49),
        (-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77),
        (-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16),
    ),
}


@cache
def study() -> pd.DataFrame:
    rows = [
        (f"P{part + 1}", operator, trial + 1, value)
        for operator, trials in TRIALS.items()
        for trial, values in enumerate(trials)
        for part, value in enumerate(values)
    ]
    return pd.DataFrame(rows, columns=["unit", "operator", "trial", "reading"])


@cache
def judged() -> Gauge:
    return gauge(study(), "reading", tolerance=8.0)


def test_the_data_are_those_of_the_manual() -> None:
    """Grand mean of the 90 readings."""
    assert study()["reading"].mean() == pytest.approx(0.00144444, abs=1e-8)


def test_the_analysis_of_variance_as_printed() -> None:
    """Sums of squares, mean squares, F and p with the interaction kept, to the printed digits."""
    found = anova(study(), "reading", pool=False)
    table = found.table.set_index("source")
    assert table["df"].to_dict() == {
        "unit": 9, "operator": 2, "interaction": 18, "repeatability": 60, "total": 89
    }  # fmt: skip
    printed = [88.3619, 3.1673, 0.3590, 2.7589, 94.6471]
    np.testing.assert_allclose(table["ss"], printed, atol=5e-5)
    np.testing.assert_allclose(table["ms"].iloc[:4], [9.81799, 1.58363, 0.01994, 0.04598], atol=5e-6)
    np.testing.assert_allclose(table["f"].iloc[:3], [492.291, 79.406, 0.434], atol=5e-4)
    assert table.loc["interaction", "p"] == pytest.approx(0.974, abs=5e-4)
    computed = [1.0886721, 0.0521229, -0.0086796, 0.0459822]
    np.testing.assert_allclose(found.raw, computed, atol=5e-8)
    assert found.variances[2] == 0.0


def test_the_interaction_is_pooled_as_printed() -> None:
    """With p above 0.25 the interaction goes into repeatability: 78 degrees of freedom, 0.03997."""
    found = anova(study(), "reading")
    assert found.pooled
    row = found.table.set_index("source").loc["repeatability"]
    assert (row["df"], row["ms"]) == (78, pytest.approx(0.0399732764, abs=1e-10))
    unit, operator, mutual, repeat = found.variances
    assert (unit, operator, mutual) == (
        pytest.approx(1.0864466044, abs=1e-9), pytest.approx(0.0514552612, abs=1e-9), 0.0
    )  # fmt: skip
    assert repeat == pytest.approx(0.0399732764, abs=1e-9)


@pytest.mark.parametrize("method", ["anova", "reml"])
def test_the_manuals_sigmas_percentages_and_categories(method: str) -> None:
    """EV, AV, GRR, PV, TV; shares of variance, spread and a tolerance of 8; 4 categories; both methods."""
    found = judged()
    own = found.components[found.components["method"] == method].set_index("part")
    rows = own.loc[["repeatability", "reproducibility", "gauge", "unit"]]
    np.testing.assert_allclose(rows["sd"], [0.199933, 0.226838, 0.302373, 1.042327], atol=2.5e-6)
    assert own.loc["total", "sd"] == pytest.approx(1.08529956, abs=1e-6)
    np.testing.assert_allclose(100 * rows["of_variance"], [3.39, 4.37, 7.76, 92.24], atol=0.005)
    np.testing.assert_allclose(100 * rows["of_spread"], [18.42, 20.90, 27.86, 96.04], atol=0.005)
    assert 100 * rows.loc["gauge", "of_tolerance"] == pytest.approx(22.68, abs=0.005)
    assert 100 * rows.loc["unit", "of_tolerance"] == pytest.approx(78.17, abs=0.006)
    ndc = found.ndc["anova" if method == "anova" else "reml"][0]
    assert ndc == pytest.approx(4.861, abs=5e-4)
    assert "tells 4 distinct categories" in found.sentence


def test_the_likelihood_agrees_with_the_mean_squares() -> None:
    """Balanced, without interaction: restricted likelihood gives the pooled components; criterion 27.4238."""
    found = reml(study(), "reading")
    np.testing.assert_allclose(found.variances, [1.0864466, 0.0514553, 0.0, 0.0399733], atol=5e-7)
    assert found.criterion == pytest.approx(27.42381672, abs=1e-6)


def test_the_operators_of_the_manual() -> None:
    """Offsets are the printed appraiser means (0.1903, 0.0683, -0.2543) less their mean; C is off."""
    own = judged().habits.set_index("operator")
    means = np.array([0.1903, 0.0683, -0.2543])
    np.testing.assert_allclose(own["offset"], means - means.mean(), atol=1e-4)
    assert own["off"].to_dict() == {"A": True, "B": False, "C": True}


def test_pooling_of_the_handbooks_wafers() -> None:
    """Sums of squares 0.48115 .. 0.30076 of five wafers, 60 degrees of freedom each: pooled sd 0.1029.

    A study of five units and two operators with just these sums of squares has that repeatability.
    """
    squares = [0.48115, 0.69209, 0.48483, 1.21752, 0.30076]
    rng = np.random.default_rng(4)
    rows = []
    for wafer, ss in enumerate(squares):
        noise = rng.standard_normal((2, 31))
        noise -= noise.mean(axis=1, keepdims=True)
        noise *= np.sqrt(ss / (noise**2).sum())
        rows += [(f"W{wafer}", "AB"[who], value) for who in (0, 1) for value in noise[who]]
    frame = pd.DataFrame(rows, columns=["unit", "operator", "reading"])
    found = anova(frame, "reading", pool=False)
    row = found.table.set_index("source").loc["repeatability"]
    assert row["df"] == 300
    assert np.sqrt(row["ms"]) == pytest.approx(np.sqrt(3.17635 / 300), rel=1e-9)
    assert np.sqrt(row["ms"]) == pytest.approx(0.1029, abs=5e-5)

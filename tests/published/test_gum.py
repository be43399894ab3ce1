"""Uncertainty budgets against the worked examples of the GUM (JCGM 100:2008), annex H.

H.1, end gauge: contributions and degrees of freedom of table H.1, 32 nm, 16.7 cut to 16; its estimates, 93
nm at 99 % and 34 nm with terms of second order (H.1.7) from memory.  H.2, resistance and reactance: readings
of table H.2, results and correlations of tables H.3 and H.4 (those between results from memory; all computed
apart from this code as well). Tolerances are half of the last printed digit of the result.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from scipy import stats

from fleet.statistics.uncertainty_budget import Input, budget, coverage_factor, propagate, rectangular

NM_A_MM = 1e6
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000.0
PHASES = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def end_gauge(x: Mapping[str, float]) -> float:
    """Length at 20 °C, H.1: l = l_S + d - l_S (δα θ + α_S δθ), θ and d in parts [nm]."""
    theta = x["mean temperature"] + x["cycle"]
    d = x["difference"] + x["comparator, random"] + x["comparator, systematic"]
    return (
        x["standard"] + d - x["standard"] * (x["expansion, difference"] * theta + x["expansion"] * x["delta"])
    )


END_GAUGE = (
    Input("standard", 50.000623 * NM_A_MM, 25.0, 18),
    Input("difference", 215.0, 5.8, 24, "A"),
    Input("comparator, random", 0.0, 3.9, 5),
    Input("comparator, systematic", 0.0, 6.7, 8),
    Input("expansion", 11.5e-6, rectangular(2e-6)),
    Input("mean temperature", -0.1, 0.2),
    Input("cycle", 0.0, 0.35),
    Input("expansion, difference", 0.0, rectangular(1e-6), 50),
    Input("delta", 0.0, rectangular(0.05), 2),
)


def test_the_end_gauge() -> None:
    """50.000838 mm, u 32 nm, 16 degrees of freedom, 93 nm at 99 % (2.92 × 32 as printed, 92.5 unrounded)."""
    found = budget("length", end_gauge, END_GAUGE, unit=" nm", coverage=0.99)
    assert found.value / NM_A_MM == pytest.approx(50.000838, abs=5e-7)
    assert found.u == pytest.approx(32.0, abs=0.5)
    assert int(found.dof) == 16
    assert found.k == pytest.approx(2.92, abs=0.005)
    assert found.k * 32.0 == pytest.approx(93.0, abs=0.5)
    assert found.expanded == pytest.approx(92.5, abs=0.5)
    contribution = found.lines.set_index("input")["contribution"]
    printed = {"standard": 25.0, "difference": 5.8, "comparator, random": 3.9, "comparator, systematic": 6.7,
               "expansion, difference": 2.9, "delta": 16.6}  # fmt: skip
    for name, value in printed.items():
        assert contribution[name] == pytest.approx(value, abs=0.05)
    for name in ("expansion", "mean temperature", "cycle"):
        assert contribution[name] == pytest.approx(0.0, abs=1e-6)


def test_the_end_gauge_to_second_order() -> None:
    """Terms of second order raise it to 34 nm; they are 11.7 and 1.7 nm."""
    found = budget("length", end_gauge, END_GAUGE, unit=" nm", second_order=True)
    assert found.u == pytest.approx(34.0, abs=0.5)
    assert np.sqrt(found.second_order) == pytest.approx(np.hypot(11.7, 1.7), abs=0.1)


def test_degrees_of_freedom_are_cut_before_t_is_looked_up() -> None:
    """16.7 counts as 16: 2.920782 at 99 %, 2.119905 at 95 % (computed; printed 2.92, 2.12)."""
    assert coverage_factor(16.7, 0.99) == pytest.approx(2.920782, abs=1e-6)
    assert coverage_factor(16.7, 0.95) == pytest.approx(2.119905, abs=1e-6)
    assert coverage_factor(float("inf"), 0.95) == pytest.approx(stats.norm.ppf(0.975))


MODELS = {
    "R": lambda x: x["V"] / x["I"] * np.cos(x["phi"]),
    "X": lambda x: x["V"] / x["I"] * np.sin(x["phi"]),
    "Z": lambda x: x["V"] / x["I"],
}
SERIES = {"V": VOLTS, "I": AMPERES, "phi": PHASES}
INPUTS = [Input(n, float(x.mean()), float(x.std(ddof=1) / np.sqrt(5)), 4, "A") for n, x in SERIES.items()]
R = np.corrcoef(list(SERIES.values()))
CORRELATIONS = {("V", "I"): R[0, 1], ("V", "phi"): R[0, 2], ("I", "phi"): R[1, 2]}


def test_correlations_of_the_readings() -> None:
    """r(V, I) -0.36, r(V, φ) 0.86, r(I, φ) -0.65 as printed."""
    np.testing.assert_allclose(list(CORRELATIONS.values()), [-0.36, 0.86, -0.65], atol=0.005)


@pytest.mark.parametrize(
    ("name", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_resistance_and_reactance(name: str, value: float, u: float) -> None:
    """Printed results and uncertainties; X's u is 0.29558, which the guide prints as 0.295."""
    found = budget(name, MODELS[name], INPUTS, CORRELATIONS, unit=" Ω")
    assert found.value == pytest.approx(value, abs=5e-4)
    assert found.u == pytest.approx(u, abs=6e-4)
    assert found.dof == pytest.approx(4.0)


def test_each_set_by_itself_gives_about_the_same() -> None:
    """Approach 2 of H.2.4: the five sets evaluated one by one, their scatter (0.071, 0.295, 0.236)."""
    for name, model in MODELS.items():
        sets = [model({"V": v, "I": i, "phi": p}) for v, i, p in zip(VOLTS, AMPERES, PHASES, strict=True)]
        scatter = np.std(sets, ddof=1) / np.sqrt(5)
        assert budget(name, model, INPUTS, CORRELATIONS).u == pytest.approx(scatter, rel=0.004)


def test_correlations_of_the_results() -> None:
    """r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) 0.993 (table H.4)."""
    cov = propagate(MODELS, INPUTS, CORRELATIONS).to_numpy()
    sd = np.sqrt(np.diag(cov))
    r = cov / np.outer(sd, sd)
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [-0.588, -0.485, 0.993], atol=6e-4)


def test_without_correlations_it_would_be_wrong() -> None:
    """Taken as independent, R's uncertainty is 2.7 times too large, X's a third too small (computed)."""
    assert budget("R", MODELS["R"], INPUTS).u == pytest.approx(0.19454, abs=5e-6)
    assert budget("X", MODELS["X"], INPUTS).u == pytest.approx(0.20091, abs=5e-6)

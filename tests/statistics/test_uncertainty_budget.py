"""Uncertainty budgets: the engine's rules, and what cancels in a pickup's figures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.bench_trust.noise import Noise, repeat_noise
from fleet.bench_trust.pickup_budget import (
    QUANTITIES,
    Assumed,
    Typical,
    all_budgets,
    pickup_budget,
    typical_unit,
)
from fleet.errors import FleetError
from fleet.house_model.chain import READING_NOISE
from fleet.statistics.uncertainty_budget import Input, budget, covariance, propagate, rectangular
from fleet.words import quantity


def lines(quantity: str, **options: object) -> pd.DataFrame:
    return pickup_budget(quantity, None, **options).lines.set_index("input")  # type: ignore[arg-type]


def test_a_sum_and_a_product_by_hand() -> None:
    """u² of a sum adds; of a product the relative ones do (first order); Welch and Satterthwaite by hand."""
    a, b = Input("a", 3.0, 0.3, 5), Input("b", 4.0, 0.4, 10)
    both = budget("sum", lambda x: x["a"] + x["b"], [a, b])
    assert both.u == pytest.approx(0.5)
    assert both.dof == pytest.approx(0.5**4 / (0.3**4 / 5 + 0.4**4 / 10))
    assert both.k == pytest.approx(stats.t.ppf(0.975, int(both.dof)))
    assert both.lines["input"].tolist() == ["b", "a"]
    assert both.lines["share"].tolist() == pytest.approx([0.64, 0.36])
    product = budget("product", lambda x: x["a"] * x["b"], [a, b], second_order=True)
    assert product.second_order == pytest.approx((0.3 * 0.4) ** 2)
    assert product.u == pytest.approx(np.sqrt((0.3 * 4) ** 2 + (0.4 * 3) ** 2 + 0.12**2))


def test_the_law_against_draws() -> None:
    """Correlated inputs through a curved model: the law's u within 2 % of 200 000 draws (JCGM 101)."""
    inputs = [Input("a", 1.0, 0.05), Input("b", 2.0, 0.05), Input("c", 0.5, 0.02)]
    r = {("a", "b"): 0.6, ("b", "c"): -0.3}
    draws = np.random.default_rng(1).multivariate_normal([1.0, 2.0, 0.5], covariance(inputs, r), 200_000)
    out = np.sin(draws[:, 0]) * draws[:, 1] / draws[:, 2]
    found = budget("f", lambda x: float(np.sin(x["a"]) * x["b"] / x["c"]), inputs, r)
    assert found.u == pytest.approx(out.std(), rel=0.02)


def test_second_order_terms_of_a_square() -> None:
    """Variance of x² for normal x: 4 m² u² + 2 u⁴ exactly, and for x³ the guide's terms (closed forms)."""
    m, u = 0.4, 0.3
    square = budget("square", lambda x: x["x"] ** 2, [Input("x", m, u)], second_order=True)
    assert square.u**2 == pytest.approx(4 * m**2 * u**2 + 2 * u**4)
    cube = budget("cube", lambda x: x["x"] ** 3, [Input("x", m, u)], second_order=True)
    assert cube.second_order == pytest.approx(0.5 * (6 * m) ** 2 * u**4 + 3 * m**2 * 6 * u**4)


def test_what_cannot_be_is_refused() -> None:
    """Negative uncertainty, correlations that contradict each other or name nobody."""
    with pytest.raises(ValueError, match="u >= 0"):
        Input("a", 1.0, -0.1)
    three = [Input(n, 0.0, 1.0) for n in "abc"]
    with pytest.raises(ValueError, match="positive semidefinite"):
        covariance(three, {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9})
    with pytest.raises(ValueError, match="expected two of"):
        propagate({"f": lambda x: x["a"]}, three, {("a", "z"): 0.1})
    assert rectangular(1.0) == pytest.approx(1 / np.sqrt(3))


def test_what_two_readings_share_cancels() -> None:
    """The rake scale's zero is gone from the sag, the record's slope from the built-in angle."""
    sag, built_in, rake = lines("sag"), lines("built_in"), lines("sra_dynamic_deg")
    assert sag.loc["zero of the rake scale", "contribution"] == pytest.approx(0.0, abs=1e-9)
    assert sag.loc["slope of the record", "contribution"] == pytest.approx(0.0, abs=1e-9)
    assert built_in.loc["slope of the record", "contribution"] == pytest.approx(0.0, abs=1e-9)
    assert built_in.loc["tracking force", "contribution"] == pytest.approx(0.0, abs=1e-9)
    assert built_in.loc["zero of the rake scale", "contribution"] == pytest.approx(rectangular(0.1))
    assert rake.loc["slope of the record", "contribution"] == pytest.approx(rectangular(0.05))


def test_the_sag_of_a_typical_unit_by_hand() -> None:
    """Two readings' noise and the force's part: 0.8° / 18 mN per mN."""
    typical = Typical(sra_static_deg=91.5, sra_dynamic_deg=90.7, vtf_mn=18.0)
    found = pickup_budget("sag", None, typical=typical)
    noise2 = READING_NOISE["sra_static_deg"] ** 2 + READING_NOISE["sra_dynamic_deg"] ** 2
    assert found.value == pytest.approx(0.8)
    assert found.u == pytest.approx(np.sqrt(noise2 + (0.8 / 18.0 * rectangular(0.5)) ** 2))
    force = found.lines.set_index("input").loc["tracking force"]
    assert force["sensitivity"] == pytest.approx(0.8 / 18.0)


def test_repeats_shrink_only_what_repeats_show() -> None:
    """The mean of four readings halves the noise; zeros stay."""
    once, four = lines("zenith_deg"), lines("zenith_deg", readings=4)
    assert four.loc["repeated zenith", "u"] == pytest.approx(once.loc["repeated zenith", "u"] / 2)
    assert four.loc["zero of the zenith scale", "u"] == once.loc["zero of the zenith scale", "u"]


def test_the_tilt_brings_the_setting_in() -> None:
    """0.25 mm on 230 mm: 0.0623° a quarter millimetre, by the arm's own formula."""
    own = lines("rake_tilted")
    assert own.loc["arm height", "sensitivity"] == pytest.approx(np.degrees(1 / 230.0), rel=1e-6)
    longer = lines("rake_tilted", assumed=Assumed(arm_length_mm=300.0))
    assert longer.loc["arm height", "sensitivity"] == pytest.approx(np.degrees(1 / 300.0), rel=1e-6)


def test_a_roll_is_seen_as_a_turn() -> None:
    """The cantilever's stand takes in the roll by tan of the tracking angle: 0.404 at 22°."""
    own = lines("zenith_cantilever", typical=Typical(vta_dynamic_deg=22.0))
    assert own.loc["roll setting", "sensitivity"] == pytest.approx(np.tan(np.radians(22.0)), rel=1e-4)
    assert own.loc["repeated tracking angle", "contribution"] == pytest.approx(0.0, abs=1e-6)


def test_the_benchs_own_noise_is_used_with_its_degrees_of_freedom() -> None:
    """Repeats in daily work replace common practice, and operators' habits come in where there are some."""
    rng = np.random.default_rng(5)
    units = np.repeat(np.arange(150), 2)
    habit = np.tile([-0.2, 0.2], 150)
    sheets = pd.DataFrame(
        {"unit": units.astype(str), "bench": "main", "operator": np.tile(["A", "B"], 150), "purpose": "unit",
         "measured_on": pd.Timestamp("2024-01-01") + pd.to_timedelta(np.tile([0, 5], 150), "D"),
         "zenith_deg": rng.standard_normal(150)[units] + habit + 0.1 * rng.standard_normal(300)}
    )  # fmt: skip
    own = pickup_budget("zenith_deg", repeat_noise(sheets)).lines.set_index("input")
    assert own.loc["repeated zenith", "u"] == pytest.approx(0.1, rel=0.15)
    assert own.loc["repeated zenith", "evaluation"] == "A"
    assert own.loc["repeated zenith", "dof"] == pytest.approx(149, abs=1)
    assert own.loc["who reads the zenith", "u"] == pytest.approx(0.2 * np.sqrt(2), rel=0.1)
    assert own.loc["who reads the zenith", "dof"] == 1.0
    none = Noise(pd.DataFrame(), pd.DataFrame(), "")
    assert lines("zenith_deg").loc["repeated zenith", "u"] == READING_NOISE["zenith_deg"]
    assert pickup_budget("zenith_deg", none).u == pickup_budget("zenith_deg", None).u


def test_every_quantity_has_a_budget_and_a_sentence() -> None:
    """All of them, alone and in one table, with the same figures."""
    table = all_budgets(None).set_index("quantity")
    assert list(table.index) == list(QUANTITIES)
    for name in QUANTITIES:
        found = pickup_budget(name, None)
        assert found.expanded == table.loc[name, "expanded"]
        assert found.sentence.startswith(quantity(name).short[0].upper())
        assert f"k = {found.k:.2f}" in found.sentence


def test_assumed_figures_are_checked() -> None:
    """An unknown name and a negative figure are refused in one line; an unknown quantity too."""
    with pytest.raises(FleetError, match="no such figure"):
        Assumed().but({"zero": 0.1})
    with pytest.raises(FleetError, match="can't be"):
        Assumed().but({"level_deg": -0.1})
    with pytest.raises(FleetError, match="there is no budget of"):
        pickup_budget("wow", None)
    assert Assumed().but({"level_deg": 0.0}).level_deg == 0.0


def test_the_typical_unit_is_the_middle_one() -> None:
    """Medians of units, check pickups left out; what nobody read keeps its documented figure."""
    sheets = pd.DataFrame(
        {"purpose": ["unit", "unit", "unit", "reference"], "vtf_mn": [15.0, 18.0, 20.0, 99.0],
         "sra_dynamic_deg": [90.0, 91.0, np.nan, 50.0]}
    )  # fmt: skip
    found = typical_unit(sheets)
    assert (found.vtf_mn, found.sra_dynamic_deg, found.vta_dynamic_deg) == (18.0, 90.5, 22.0)

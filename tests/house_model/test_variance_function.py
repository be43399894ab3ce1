"""The variance function: noise + g_source × h_family × base, or growth × S²."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.house_model.variance_function import (
    PRIOR_BETWEEN,
    VarianceFunction,
    fit_variances,
    nearest_covariance,
)

S2 = np.array([0.25, 0.5, 0.8, 1.3, 2.0, 3.2, 5.0])


def squares(
    noise: float, base: float, growth: float, factors: dict[str, float], rows: int, seed: int = 1
) -> pd.DataFrame:
    """Mean squares of normal residuals per source and class, ``rows`` of each, all of one family."""
    rng = np.random.default_rng(seed)
    parts = []
    for source, g in factors.items():
        variance = noise + g * (base + growth * S2)
        m2 = variance * stats.chi2.rvs(rows, size=len(S2), random_state=rng) / rows
        classes = np.arange(len(S2))
        parts.append(
            pd.DataFrame(
                {"source": source, "family": "F", "scale_class": classes, "n": float(rows), "m2": m2}
            )
        )
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize(("base", "growth"), [(1.3, 0.0), (0.0, 0.3)])
def test_the_variance_and_the_sources_factors_are_found(base: float, growth: float) -> None:
    """Five sources of unequal spread, plenty of rows, with the sag scale and without: within 6 %."""
    true = {"a": 0.6, "b": 0.8, "c": 1.0, "d": 1.3, "e": 1.6}
    data = squares(0.17, base, growth, true, 4000)
    found = fit_variances(data, S2, noise=0.17, scaled=growth > 0.0)
    for source, g in true.items():
        got = found.unit_variance(S2, np.full(len(S2), source, dtype=object))
        assert got == pytest.approx(g * (base + growth * S2), rel=0.06)
    assert found.noise == 0.17


def test_units_scatter_with_the_sag_scale_or_without() -> None:
    """Either has just its own part."""
    data = squares(0.05, 0.5, 0.2, {"a": 1.0, "b": 1.0}, 500)
    assert fit_variances(data, S2, noise=0.05).growth == 0.0
    assert fit_variances(data, S2, noise=0.05, scaled=True).base == 0.0


def test_a_source_with_few_units_stays_near_the_others() -> None:
    """The same excess in a source is believed with many rows and mostly doubted with few."""
    steady = {f"s{i}": 1.0 for i in range(6)}
    many = squares(0.0, 1.0, 0.0, steady, 200)
    wild = squares(0.0, 1.0, 0.0, {"wild": 4.0}, 1, seed=3)
    wild["m2"] = 4.0
    few = fit_variances(pd.concat([many, wild.assign(n=0.5)]), S2, noise=0.0)
    lots = fit_variances(pd.concat([many, wild.assign(n=200.0)]), S2, noise=0.0)
    assert 0.0 < few.factors["wild"][0] < 0.4 * np.log(4.0)
    wild_source = np.full(len(S2), "wild", dtype=object)
    assert lots.unit_variance(S2, wild_source) == pytest.approx(np.full(len(S2), 4.0), rel=0.1)
    assert few.unit_variance(S2, wild_source).max() < 1.7


def test_equal_sources_are_pooled_and_unequal_ones_are_not() -> None:
    """The sd between sources follows the truth: small where they are alike, large where not."""
    alike = fit_variances(squares(0.0, 1.0, 0.0, {f"s{i}": 1.0 for i in range(6)}, 300), S2, noise=0.0)
    factors = {f"s{i}": float(np.exp(x)) for i, x in enumerate((-0.9, -0.5, -0.1, 0.2, 0.5, 0.8))}
    unlike = fit_variances(squares(0.0, 1.0, 0.0, factors, 300), S2, noise=0.0)
    assert alike.between < 0.2
    assert 0.45 < unlike.between < 0.9


def test_families_of_unequal_spread_are_told_apart_within_their_source() -> None:
    """Thirty families of one source: factors follow the truth; a family with a row or two stays near 1."""
    true = {f"f{i}": float(np.exp(x)) for i, x in enumerate(np.linspace(-1.2, 1.2, 30))}
    parts = [
        squares(0.1, 1.0, 0.0, {"a": h}, 20, seed=i).assign(family=name)
        for i, (name, h) in enumerate(true.items())
    ]
    thin = squares(0.1, 1.0, 0.0, {"a": 9.0}, 1, seed=50).assign(family="thin", n=0.2)
    found = fit_variances(pd.concat([*parts, thin]), S2, noise=0.1)
    got = np.array([found.families[name][0] for name in true])
    assert np.corrcoef(got, np.log(list(true.values())))[0, 1] > 0.97
    assert 0.5 < found.between_families < 0.9
    assert abs(found.families["thin"][0]) < 1.0
    names = np.array(["a"], dtype=object), np.array(["never seen"], dtype=object)
    log_factor, sd = (x[0] for x in found.log_factors(*names))
    assert log_factor == pytest.approx(found.factors["a"][0])
    assert sd == pytest.approx(np.hypot(found.factors["a"][1], found.between_families))


def test_families_that_scatter_alike_are_taken_to() -> None:
    """Thirty families of one spread: no factor is far from 1."""
    parts = [squares(0.1, 1.0, 0.0, {"a": 1.0}, 10, seed=i).assign(family=f"f{i}") for i in range(30)]
    found = fit_variances(pd.concat(parts), S2, noise=0.1)
    assert found.between_families < 0.2
    assert max(abs(h) for h, _ in found.families.values()) < 0.15


def test_a_spread_comes_back_from_its_list() -> None:
    """Also from the list of an older version, which knows no families."""
    whole = VarianceFunction(0.1, 1.0, 0.2, {"a": (0.3, 0.1)}, 0.4, {"F": (0.2, 0.1)}, 0.3)
    assert VarianceFunction.of_list(whole.to_list()) == whole
    older = VarianceFunction.of_list(whole.to_list()[:5])
    assert older.families == {}
    assert older.factors == whole.factors


def test_a_source_never_seen_is_drawn_from_the_spread_between_sources() -> None:
    """Its factor is 1 on average, as uncertain as sources differ; with one source, as the prior says."""
    spread = VarianceFunction(0.1, 1.0, 0.0, {"a": (0.3, 0.1)}, 0.4)
    new = np.array(["never seen"], dtype=object)
    assert [x[0] for x in spread.log_factors(new, new)] == [0.0, 0.4]
    assert spread.total(np.ones(2), np.array(["a", "new"], dtype=object)) == pytest.approx(
        [0.1 + np.exp(0.3), 1.1]
    )
    alone = fit_variances(squares(0.0, 1.0, 0.0, {"only": 1.0}, 50), S2, noise=0.0)
    assert alone.between == PRIOR_BETWEEN
    assert alone.factors["only"][0] == 0.0


def test_noise_above_the_scatter_leaves_no_negative_variance() -> None:
    """Where the residuals scatter less than the readings should, the unit spread is nearly nothing."""
    found = fit_variances(squares(0.0, 0.1, 0.0, {"a": 1.0, "b": 1.0}, 100), S2, noise=0.5)
    assert 0.0 < found.base < 1e-3


def test_a_belief_counts_for_its_rows_and_no_more() -> None:
    """Without data the belief stands; against thousands of rows it weighs nothing."""
    nothing = pd.DataFrame({n: [] for n in ("source", "family", "scale_class", "n", "m2")})
    cold = fit_variances(nothing, S2, noise=0.1, prior=(1.4, 4.0))
    assert (cold.base, cold.growth, cold.between) == (1.4, 0.0, PRIOR_BETWEEN)
    data = squares(0.1, 0.5, 0.0, {"a": 1.0, "b": 1.0}, 3000)
    with_belief = fit_variances(data, S2, noise=0.1, prior=(1.4, 4.0))
    assert with_belief.base == pytest.approx(fit_variances(data, S2, noise=0.1).base, rel=2e-3)


def test_the_nearest_covariance_keeps_what_is_sound() -> None:
    """A sound matrix comes back as it is; one with a negative direction comes back without it."""
    sound = np.array([[2.0, 0.6], [0.6, 1.0]])
    assert nearest_covariance(sound) == pytest.approx(sound)
    mended = nearest_covariance(np.array([[1.0, 1.2], [1.2, 1.0]]))
    assert np.linalg.eigvalsh(mended).min() == pytest.approx(0.0, abs=1e-12)
    assert mended == pytest.approx(np.full((2, 2), 1.1))

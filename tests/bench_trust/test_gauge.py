"""Gauge studies: unbalanced ones, edges, words; and components against truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.bench_trust.gauge import gauge, habits
from fleet.errors import FleetError
from fleet.statistics.gauge_anova import anova
from fleet.statistics.gauge_reml import reml
from synthetic_data.spec import WorldSpec
from synthetic_data.watch import gauge_study

RAKE = "sra_dynamic_deg"


def test_unbalanced_components_are_unbiased() -> None:
    """A third of the readings missing: the mean over studies of each raw component is its true variance.

    40 studies of 12 units and 4 operators; tolerance four standard errors of that mean.
    """
    true = np.array([1.0, 0.2**2, 0.15**2])
    found = []
    for seed in range(40):
        study, truth = gauge_study(
            WorldSpec(seed=1), units=12, operators=4, trials=3, operator_sd_deg=0.2, interaction_sd_deg=0.15,
            unit_sd_deg=1.0, missing_share=0.33, stream=seed,
        )  # fmt: skip
        found.append(anova(study, RAKE, pool=False).raw)
    wanted = np.append(true, truth.repeatability_deg**2)
    mean, error = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(len(found))
    assert (np.abs(mean - wanted) < 4 * error).all(), (mean, wanted, error)


def test_an_unbalanced_study_is_judged_by_both_methods() -> None:
    """Both methods are near each other and the truth; the caution says which to go by."""
    study, truth = gauge_study(
        WorldSpec(seed=3), units=12, operators=4, trials=3, operator_sd_deg=0.3, missing_share=0.2
    )
    found = gauge(study, RAKE)
    for method in ("anova", "reml"):
        row = found.part("repeatability", method)  # type: ignore[arg-type]
        assert row["sd_low"] < truth.repeatability_deg < row["sd_high"]
        assert found.part("operator", method)["sd_low"] > 0.05  # type: ignore[arg-type]
    assert any("go by REML" in c for c in found.cautions)
    assert found.trials[0] < found.trials[1]


@pytest.mark.long
def test_the_order_of_rows_and_a_shift_change_nothing() -> None:
    """Shuffled rows, and readings moved by 1000°, give the same components."""
    study, _ = gauge_study(WorldSpec(seed=4), missing_share=0.1)
    moved = study.sample(frac=1.0, random_state=0).assign(sra_dynamic_deg=lambda d: d[RAKE] + 1000.0)
    np.testing.assert_allclose(anova(moved, RAKE).raw, anova(study, RAKE).raw, rtol=1e-7, atol=1e-12)
    np.testing.assert_allclose(reml(moved, RAKE).variances, reml(study, RAKE).variances, rtol=1e-4, atol=1e-8)


def test_one_trial_a_cell() -> None:
    """Read once each, the interaction can't be told from repeatability: both are one, by both methods."""
    study, _ = gauge_study(WorldSpec(seed=6), trials=3)
    once = study[study["trial"] == 1]
    found = gauge(once, RAKE)
    assert found.pooled
    assert np.isnan(found.interaction_p)
    assert found.part("interaction")["sd"] == 0.0
    assert found.part("repeatability")["sd"] == pytest.approx(
        found.part("repeatability", "anova")["sd"], rel=1e-4
    )
    with pytest.raises(FleetError, match="read some units twice"):
        anova(once, RAKE, pool=False)


def test_studies_that_tell_nothing_are_refused() -> None:
    """One operator; operators with units of their own."""
    study, _ = gauge_study(WorldSpec(seed=6), units=4, operators=2, trials=2)
    with pytest.raises(FleetError, match="2 units and 2 operators"):
        gauge(study[study["operator"] == "A"], RAKE)
    apart = study[(study["operator"] == "A") == study["unit"].isin(["G01", "G02"])]
    with pytest.raises(FleetError, match="can't be told apart"):
        gauge(apart, RAKE)


def test_an_operator_who_reads_high_is_named() -> None:
    """0.4° on one of three operators: off by two thirds of it from the mean of the three."""
    study, _ = gauge_study(WorldSpec(seed=8), operator_sd_deg=0.0)
    study.loc[study["operator"] == "B", RAKE] += 0.4
    found = gauge(study, RAKE)
    row = found.habits.set_index("operator").loc["B"]
    assert row["off"]
    assert row["offset_low"] < 0.4 * 2 / 3 < row["offset_high"]
    assert "B reads +0." in found.sentence


def test_habits_hold_at_once() -> None:
    """With no habits at all, few of 100 studies call anyone off (5 % promised, at most 11 by chance)."""
    called = 0
    for seed in range(100):
        study, _ = gauge_study(WorldSpec(seed=9), operator_sd_deg=0.0, stream=seed)
        called += bool(habits(study, RAKE, pooled=True)["off"].any())
    assert called <= 11


@pytest.mark.long
def test_how_often_to_read() -> None:
    """n readings by one operator: u² = operators + repeat / n; what can't be reached is said."""
    study, _ = gauge_study(WorldSpec(seed=8), operator_sd_deg=0.3, operators=4)
    found = gauge(study, RAKE, within=0.02)
    sd = {name: found.part(name)["sd"] for name in ("operator", "interaction", "repeatability")}
    shared = sd["operator"] ** 2 + sd["interaction"] ** 2
    row = found.repeats.set_index("readings").loc[4]
    one = 1.959964 * np.sqrt(shared + sd["repeatability"] ** 2 / 4)
    assert row["one_operator"] == pytest.approx(one, rel=1e-5)
    turns = 1.959964 * np.sqrt((shared + sd["repeatability"] ** 2) / 4)
    assert row["operators_in_turn"] == pytest.approx(turns, rel=1e-5)
    assert found.needed == {"one_operator": None, "operators_in_turn": None}
    assert "the reading itself must get better" in found.sentence
    assert "no second reading" in gauge(study, RAKE, within=5.0).sentence


def test_nothing_between_units_is_one_category() -> None:
    """Units that don't differ: one category at best, and the caution says so."""
    study, _ = gauge_study(WorldSpec(seed=8), unit_sd_deg=0.0, operator_sd_deg=0.1)
    found = gauge(study, RAKE)
    assert found.ndc["reml"][0] < 2
    assert "tells 1 distinct category" in found.sentence
    assert any("doesn't sort" in c for c in found.cautions)


def test_intervals_of_the_likelihood_are_those_of_its_profile() -> None:
    """At each end the best criterion with that value is the lowest plus 3.84 (another search)."""
    from scipy import optimize

    from fleet.statistics.gauge_reml import TERMS
    from fleet.statistics.reml import criterion, gram_of_frame

    study, _ = gauge_study(WorldSpec(seed=8), operator_sd_deg=0.2)
    found = reml(study, RAKE)
    gram, _ = gram_of_frame(study.astype({"unit": str, "operator": str}), RAKE, random=TERMS)
    for end in found.intervals["gauge"]:

        def lowest(x: np.ndarray, end: float = end) -> float:
            between, mutual = 1 / (1 + np.exp(-x[1:]))
            v = np.array([np.exp(x[0]), end**2 * between * (1 - mutual), end**2 * between * mutual])
            sigma = end * np.sqrt(1 - between)
            return criterion(gram, np.sqrt(v) / sigma, sigma=sigma)

        best = min(
            optimize.minimize(lowest, [np.log(found.variances[0]), a, b], method="Nelder-Mead",
                              options={"maxiter": 2000, "xatol": 1e-5, "fatol": 1e-7}).fun
            for a in (-1.0, 1.0) for b in (-3.0, 0.0)
        )  # fmt: skip
        assert best - found.criterion == pytest.approx(3.841, abs=0.02)


def test_rows_without_a_reading_are_left_out() -> None:
    """An empty cell is no reading."""
    study, _ = gauge_study(WorldSpec(seed=8))
    holed = study.copy()
    holed.loc[[0, 5], RAKE] = np.nan
    assert gauge(holed, RAKE).readings == len(study) - 2
    assert isinstance(gauge(holed, RAKE).components, pd.DataFrame)


def test_the_search_goes_by_the_true_slopes() -> None:
    """Slopes of the criterion by theta² and by sigma² are those of differences."""
    from fleet.statistics.gauge_reml import TERMS
    from fleet.statistics.reml import criterion, criterion_slopes, gram_of_frame

    study, _ = gauge_study(WorldSpec(seed=8), operator_sd_deg=0.2)
    gram, _ = gram_of_frame(study.astype({"unit": str, "operator": str}), RAKE, random=TERMS)
    at, step = np.array([30.0, 1.5, 0.4, 0.03]), np.diag(1e-5 * np.array([30.0, 1.5, 0.4, 0.03]))

    def value(x: np.ndarray) -> float:
        return criterion(gram, np.sqrt(x[:3]), sigma=float(np.sqrt(x[3])))

    found, by_theta, by_sigma = criterion_slopes(gram, np.sqrt(at[:3]), float(np.sqrt(at[3])))
    assert found == pytest.approx(value(at), rel=1e-12)
    differences = [(value(at + s) - value(at - s)) / (2.0 * s.max()) for s in step]
    np.testing.assert_allclose([*by_theta, by_sigma / at[3]], differences, rtol=1e-4)

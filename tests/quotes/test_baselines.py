"""Rival forecasters: by hand where they are simple, by closed form and coverage where they are not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.policy.policy import Policy
from fleet.quotes import baselines
from fleet.quotes.outcomes import SCORED_BY_RIVALS, policy_text
from fleet.quotes.recalibration import conformal_factor
from fleet.statistics.quantile_forecasts import GRID, LEVELS, central_interval

TAUGHT = pd.DataFrame(
    {
        "body_family": ["F1"] * 3 + ["F2"] * 2 + ["F3"] * 4,
        "stylus_profile": ["elliptical"] * 5 + ["line_contact"] * 4,
        "cantilever_material": ["boron"] * 9,
        "sra_static_deg": [92.0, 93.0, 94.0, 91.0, 91.0, 89.0, 90.0, 91.0, 92.0],
        "sra_dynamic_deg": [91.0, 92.0, 93.0, 90.0, 90.0, 88.0, 89.0, 90.0, 91.0],
        "vta_dynamic_deg": [20.0, 21.0, 22.0, 20.0, 20.0, 23.0, 24.0, 25.0, 26.0],
        "tilt_room_deg": 3.0,
        "bench_minutes": 60.0,
    }
)
READ = TAUGHT["sra_dynamic_deg"].to_numpy()
MIDDLE = LEVELS.index(0.5)


def asked(*rows: dict[str, object]) -> pd.DataFrame:
    return pd.DataFrame(list(rows)).reindex(columns=["body_family", "stylus_profile", "cantilever_material"])


def test_a_family_is_foretold_by_its_own_past() -> None:
    """Quantiles of its own three readings."""
    found = baselines.own_past(TAUGHT, asked({"body_family": "F1"}), READ)
    assert found[0] == pytest.approx(np.quantile([91.0, 92.0, 93.0], GRID))


def test_with_too_little_past_the_kind_speaks_and_then_all() -> None:
    """Two readings of F2: its kind; a family never seen of no kind told: all; a kind never seen: all."""
    kind = {"stylus_profile": "elliptical", "cantilever_material": "boron"}
    found = baselines.own_past(
        TAUGHT,
        asked({"body_family": "F2", **kind}, {"body_family": "F9"}, {"stylus_profile": "spherical"}),
        READ,
    )
    assert found[0] == pytest.approx(np.quantile(READ[:5], GRID))
    assert found[1] == pytest.approx(np.quantile(READ, GRID))
    assert found[2] == pytest.approx(np.quantile(READ, GRID))


def test_all_sheets_together_say_the_same_to_everyone() -> None:
    """One forecast, whatever is asked."""
    found = baselines.together(TAUGHT, asked({}, {}), READ)
    assert (found == np.quantile(READ, GRID)).all() or found[0] == pytest.approx(np.quantile(READ, GRID))


def test_past_rates_are_shares_half_a_case_added() -> None:
    """Two of three: (2 + .5) / (3 + 1)."""
    happened = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert baselines.past_rate(TAUGHT, asked({"body_family": "F1"}), happened)[0, 0] == pytest.approx(
        2.5 / 4.0
    )


def test_scores_come_for_every_rival_and_figure() -> None:
    """CRPS of readings and squared errors of chances, one an enquiry."""
    ask = asked({"body_family": "F1"}, {"body_family": "F3"})
    read = {q: x[:2] for q, x in baselines.readings(TAUGHT).items()}
    text = pd.Series([policy_text(Policy())] * 2)
    happened = {"both_met": np.array([1.0, 0.0]), "wedge_made": np.array([0.0, np.nan])}
    found = baselines.reference_scores(TAUGHT, ask, read, text, happened, boosting=False)
    assert set(found) == {baselines.FAMILY, baselines.POOLED}
    for own in found.values():
        assert set(own) == set(SCORED_BY_RIVALS)
    assert np.isnan(found[baselines.FAMILY]["wedge_made"]).tolist() == [False, True]
    assert (found[baselines.FAMILY]["both_met"] <= 1.0).all()


def world(n: int, seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    rng = np.random.default_rng(seed)
    family = rng.integers(0, 8, n)
    frame = pd.DataFrame(
        {"body_family": [f"F{f}" for f in family], "vtf_mn": np.where(rng.random(n) < 0.3, np.nan, 20.0)}
    )
    return frame, 90.0 + family + rng.standard_normal(n)


def test_boosting_of_too_few_sheets_tells_them_together() -> None:
    """Where there are fewer sheets than the outermost interval needs, all of them answer as one."""
    taught, read = world(12, 1)
    found = baselines.boosting_quantiles(taught, taught, read)
    np.testing.assert_array_equal(found, baselines.together(taught, taught, read))


def test_boosting_finds_the_families_and_holds_its_intervals() -> None:
    """With families a degree apart it beats all sheets together; 90 % intervals hold about nine tenths."""
    pytest.importorskip("mapie")
    taught, read = world(240, 1)
    new, came = world(200, 2)
    found = baselines.boosting_quantiles(taught, new, read)
    assert (np.diff(found, axis=1) >= 0.0).all()
    assert np.corrcoef(found[:, MIDDLE], came)[0, 1] > 0.85
    low, high = central_interval(found, 0.9)
    assert 0.84 < np.mean((came >= low) & (came <= high)) < 0.98
    hidden = baselines.boosting_quantiles(taught, new.assign(body_family=None), read)
    assert np.ptp(hidden[:, MIDDLE]) < 1.0
    assert (central_interval(hidden, 0.9)[1] - central_interval(hidden, 0.9)[0]).mean() > 1.4 * (
        high - low
    ).mean()


def test_mapies_split_conformal_is_the_closed_form() -> None:
    """Its half-width is the ceil((n + 1) 0.9)-th smallest absolute residual, as our own factor is."""
    regression = pytest.importorskip("mapie.regression")
    from sklearn.linear_model import LinearRegression

    rng = np.random.default_rng(3)
    x, y = rng.standard_normal((119, 1)), rng.standard_normal(119)
    fitted = LinearRegression().fit(x[:20], y[:20])
    theirs = regression.SplitConformalRegressor(fitted, confidence_level=0.9, prefit=True)
    theirs.conformalize(x[20:], y[20:])
    middle, span = theirs.predict_interval(x[:5])
    residual = y[20:] - fitted.predict(x[20:])
    ones = np.ones(len(residual))
    assert span[:, 1, 0] - middle == pytest.approx(
        np.full(5, conformal_factor(residual, -ones, 0.0 * ones, ones))
    )


def test_without_the_libraries_the_others_still_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the extra isn't installed, gradient boosting is left out and nothing else changes."""
    monkeypatch.setattr(baselines, "find_spec", lambda name: None)
    assert not baselines.have_boosting()
    found = baselines.reference_quantiles(
        pd.concat([TAUGHT] * 5, ignore_index=True), asked({"body_family": "F1"})
    )
    assert set(found) == {baselines.FAMILY, baselines.POOLED}

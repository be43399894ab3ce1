"""How noisy readings were in each quarter: noisy years are found, steady ones left alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import pytest

from fleet.estimation.noise_periods import NoisePeriods, learn_periods, of_late
from fleet.house_model.chain import JUDGED, RAKE, READING_NOISE, noise_matrix
from fleet.house_model.loo_residuals import Residuals

SHEETS, YEARS = 1600, 4
UNIT_SD = np.array([1.15, 0.95, 0.15, 1.1, 0.6, 0.6, 0.36, 1.5])
NOISE = noise_matrix(JUDGED, READING_NOISE)
TRACKING, BUILT_IN, SAG = (JUDGED.index(n) for n in ("tracking", "built_in", "sag"))


def bench(times: Mapping[str, float], *, seed: int = 3, faulty: float = 0.05) -> Residuals:
    """Sheets of four years whose readings were so many times as noisy in the second of them.

    Their covariances are those that one noise for all time gives.
    """
    rng = np.random.default_rng(seed)
    years = -np.floor(rng.uniform(0.0, 12.0 * YEARS, SHEETS)) / 12.0
    noisy = (years > -3.0) & (years <= -2.0)
    units = rng.standard_normal((SHEETS, len(JUDGED))) * UNIT_SD
    wide = noise_matrix(JUDGED, {r: sd * times.get(r, 1.0) for r, sd in READING_NOISE.items()})
    value = units + np.where(
        noisy[:, None],
        rng.multivariate_normal(np.zeros(len(JUDGED)), wide, SHEETS),
        rng.multivariate_normal(np.zeros(len(JUDGED)), NOISE, SHEETS),
    )
    value[rng.random(SHEETS) < faulty] += 6.0
    value[:, JUDGED.index(RAKE)] = np.nan
    value[rng.random(value.shape) < 0.1] = np.nan
    covariance = np.tile(np.diag(UNIT_SD**2) + NOISE, (SHEETS, 1, 1))
    share = np.tile(UNIT_SD**2 / (UNIT_SD**2 + np.diag(NOISE)), (SHEETS, 1))
    observed = pd.DataFrame({"years": years, "bench": "main"})
    return Residuals(value, np.zeros_like(value), covariance, share, 0.0 * share, observed, {})


def of_years(found: NoisePeriods) -> tuple[np.ndarray, np.ndarray]:
    """Mean factors of the noisy year's quarters and of the others'."""
    quarter = np.array([quarter for _, quarter in found.quarters])
    noisy = (quarter > -12) & (quarter <= -8)
    return found.times[noisy].mean(axis=0), found.times[~noisy].mean(axis=0)


def test_a_year_of_doubled_noise_is_found_in_every_reading() -> None:
    """Variance four times as large: learnt within a third, also of zenith, which hardly shows it."""
    noisy, other = of_years(learn_periods(READING_NOISE, bench(dict.fromkeys(READING_NOISE, 2.0))))
    assert np.abs(np.log(noisy / 4.0)).max() < np.log(4.0 / 3.0), noisy
    assert np.abs(np.log(other)).max() < 0.2, other


def test_steady_noise_is_left_alone() -> None:
    """No variance of a residual changes by more than a thirtieth on average."""
    resid = bench({})
    after = learn_periods(READING_NOISE, resid).apply(resid)
    ratio = np.einsum("mii->mi", after.covariance) / np.einsum("mii->mi", resid.covariance)
    assert np.abs(ratio - 1.0).mean(axis=0).max() < 1.0 / 30.0
    assert not np.array_equal(ratio, np.ones_like(ratio))


def test_one_reading_may_become_noisy_by_itself() -> None:
    """Tracking angles read three times as badly: seen in both links that they are in, not in the sag."""
    noisy, _ = of_years(learn_periods(READING_NOISE, bench({"vta_dynamic_deg": 3.0})))
    assert noisy[[TRACKING, BUILT_IN]].min() > 2.5, noisy
    assert noisy[SAG] < 1.5, noisy


def test_now_is_the_last_half_year_beside_the_whole() -> None:
    """After a noisy year readings are better than on the whole; steady ones stay within a fortieth."""
    after = learn_periods(READING_NOISE, bench(dict.fromkeys(READING_NOISE, 2.0))).now()
    assert all(0.7 < times < 0.95 for times in after.values()), after
    steady = learn_periods(READING_NOISE, bench({})).now()
    assert all(abs(times - 1.0) < 0.025 for times in steady.values()), steady
    old = bench({})
    old.observed["years"] -= 1.0
    assert learn_periods(READING_NOISE, old).now() == {}


def test_what_units_differ_by_stays_theirs() -> None:
    """The part of a variance that is units' own scatter is smaller by as much as the whole is larger."""
    resid = bench(dict.fromkeys(READING_NOISE, 2.0))
    after = learn_periods(READING_NOISE, resid).apply(resid)
    own = [x.share * np.einsum("mii->mi", x.covariance) for x in (resid, after)]
    np.testing.assert_allclose(own[1], own[0], rtol=1e-12)
    np.linalg.cholesky(after.covariance)


def test_a_quarter_never_seen_is_taken_as_the_whole() -> None:
    """And where all sheets are of one quarter, or none reads anything, nothing is learnt."""
    found, later = learn_periods(READING_NOISE, bench({})), bench({})
    later.observed["years"] = 1.0
    np.testing.assert_allclose(found.apply(later).covariance, later.covariance)
    assert learn_periods(READING_NOISE, later).apply(later) is later
    blank = bench({})
    blank.value[:] = np.nan
    np.testing.assert_allclose(learn_periods(READING_NOISE, blank).times, 1.0, atol=0.1)


@pytest.mark.parametrize("part", [slice(0, 0), slice(0, 1), slice(0, 5)])
def test_hardly_a_sheet_is_enough(part: slice) -> None:
    """None, one or five sheets: factors stay near 1."""
    resid = bench({}).take(np.arange(SHEETS)[part])
    assert np.abs(np.log(learn_periods(READING_NOISE, resid).times)).max(initial=0.0) < 0.25


def test_sheets_of_late_have_the_noise_of_late() -> None:
    """Noise doubled: three times its variance is added to the last half year's sheets, to no other's."""
    resid, late = bench({}), {reading: 2.0 * sd for reading, sd in READING_NOISE.items()}
    added = of_late(resid, READING_NOISE, late).covariance - resid.covariance
    recent = resid.observed["years"].to_numpy() > -0.5
    assert 0.05 < recent.mean() < 0.2
    np.testing.assert_allclose(added[recent], np.tile(3.0 * NOISE, (recent.sum(), 1, 1)), atol=1e-12)
    assert not added[~recent].any()
    assert of_late(resid, READING_NOISE, READING_NOISE) is resid

"""Residuals without the sheet's own unit: the closed form against fitting again without it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from worlds import Fleet, bench

from fleet.house_model.chain import FACTORS, JUDGED, LINK, PAIR, PAIRED, RAKE, noise_matrix
from fleet.house_model.house import House, LinkFit
from fleet.house_model.loo_residuals import LARGEST_LEVERAGE, Residuals, _remove, residuals, unit_variance
from fleet.house_model.variance_function import cholesky_factors
from fleet.statistics.bayes import Posterior, coefficient_posterior
from fleet.statistics.gram import Gram

ALONE = tuple(n for n in JUDGED if n not in (*PAIRED, RAKE))


def with_one_draw(house: House) -> House:
    """The same house with its standard deviations known: one draw, the means of the posterior.

    Sheets that read one angle alone are weighted by the root mean square of all draws; it is kept.
    """
    links = {}
    for name, fit in house.links.items():
        sds = fit.posterior.sds.mean(axis=0)[None]
        sigma = np.sqrt((fit.posterior.sigma**2).mean())[None]
        links[name] = replace(fit, posterior=replace(fit.posterior, sds=sds, sigma=sigma))
    return replace(house, links=links)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def house(fleet: Fleet) -> House:
    return with_one_draw(fleet.house)


@pytest.fixture(scope="module")
def judged(fleet: Fleet, house: House) -> Residuals:
    return residuals(house, fleet.current, taught=fleet.current["newest"].to_numpy())


def row_of(fit: LinkFit, sheet: pd.Series) -> np.ndarray:
    """The sheet's row of [Z X]."""
    design = fit.gram.design
    levels = {f: np.array([sheet[f]], dtype=object) for f in FACTORS}
    x = np.zeros(design.q + len(design.fixed))
    for term, column in zip(design.terms, design.columns_of(levels, 1)[:, 0], strict=True):
        x[column] += 1.0 if term.covariate == "1" else sheet[term.covariate]
    for j, name in enumerate(design.fixed):
        x[design.q + j] = 1.0 if name == "1" else sheet[name]
    return x


def weight_of(house: House, fit: LinkFit, sheet: pd.Series) -> float:
    s2 = house.scale_s2[int(sheet["scale_class"])]
    labels = (np.array([sheet[f]], dtype=object) for f in ("source", "family"))
    return float(1.0 / fit.spread.total(np.array([s2]), *labels)[0])


def without(house: House, fit: LinkFit, sheet: pd.Series, y: float) -> tuple[float, float]:
    """Expectation (centre included) and its variance from the Gram with the sheet's row taken out."""
    x, w = row_of(fit, sheet), weight_of(house, fit, sheet)
    gram: Gram = replace(fit.gram, a=fit.gram.a - w * np.outer(x, x), b=fit.gram.b - w * x * y)
    mean, cov = coefficient_posterior(gram, fit.posterior.sds, fit.posterior.sigma)
    return float(x @ mean[0]), float(x @ cov[0] @ x)


def sound_teachers(fleet: Fleet, judged: Residuals) -> np.ndarray:
    """Sheets that taught and lie well inside every cut."""
    z = np.abs(judged.value) / np.sqrt(np.einsum("mii->mi", judged.covariance))
    return np.flatnonzero(fleet.current["newest"].to_numpy() & (np.nan_to_num(z) < 2.5).all(axis=1))


@pytest.mark.parametrize("name", ALONE)
def test_leaving_out_is_fitting_without(fleet: Fleet, house: House, judged: Residuals, name: str) -> None:
    """At the same standard deviations the closed form equals a fit from sums without the sheet, to 1e-8."""
    j, fit = JUDGED.index(name), house.links[name]
    tried = 0
    for i in sound_teachers(fleet, judged)[::9]:
        sheet = judged.observed.iloc[i]
        y = sheet[f"y_{name}"]
        if np.isnan(y):
            continue
        expected, variance = without(house, fit, sheet, y - LINK[name].centre)
        assert judged.expected[i, j] == pytest.approx(expected + LINK[name].centre, abs=1e-8)
        own = unit_variance(house, judged.observed.iloc[[i]])[0][0, j]
        assert judged.covariance[i, j, j] - own == pytest.approx(variance, abs=1e-8)
        tried += 1
    assert tried > 15


def joint_without(
    house: House, sheet: pd.Series, readings: list[tuple[np.ndarray, float, str]]
) -> tuple[np.ndarray, np.ndarray]:
    """Tracking and built-in angle expected, and their covariance, from dense equations without these rows."""
    joint = house.angles
    mean, cov = (x[0] for x in joint.coefficients)
    precision = np.linalg.inv(cov)
    told = precision @ mean
    x = row_of(replace(house.links[PAIR[0]], posterior=replace_design(house)), sheet)
    for loading, y, name in readings:
        row = np.kron(loading, x)
        fit = house.links[name]
        weight = weight_of(house, fit, sheet) / float((fit.posterior.sigma**2).mean())
        precision = precision - weight * np.outer(row, row)
        told = told - weight * y * row
    rows = np.kron(np.linalg.inv(house.turn), x)
    left = np.linalg.inv(precision)
    return rows @ left @ told, rows @ left @ rows.T


def replace_design(house: House) -> Posterior:
    """The first combination's posterior with the columns of both together."""
    posterior = house.links[PAIR[0]].posterior
    return replace(posterior, gram=replace(posterior.gram, design=house.angles.design))


@pytest.mark.parametrize("pattern", ["both", "tracking", "rake"])
def test_leaving_out_of_the_angles_is_solving_for_both_without(
    fleet: Fleet, house: House, judged: Residuals, pattern: str
) -> None:
    """Tracking and built-in angle come back from equations without the sheet, whatever it reads of them."""
    centres = np.array([LINK[n].centre for n in PAIRED])
    joint, tried = house.angles, 0
    for i in sound_teachers(fleet, judged):
        sheet = judged.observed.iloc[i]
        t, b, r = (float(sheet[f"y_{n}"]) - LINK[n].centre for n in (*PAIRED, RAKE))
        read = "both" if not np.isnan(b) else "tracking" if not np.isnan(t) else "rake"
        if read != pattern or np.isnan([t, r]).all() or tried > 20:
            continue
        told = {
            "both": [(np.eye(2)[k], float(house.turn[k] @ [t, b]), PAIR[k]) for k in range(2)],
            "tracking": [(joint.loading(np.array([1.0, 0.0])), t, "tracking")],
            "rake": [(joint.loading(np.array([1.0, 1.0])), r, RAKE)],
        }[pattern]
        expected, known = joint_without(house, sheet, told)
        assert judged.expected[i, :2] == pytest.approx(expected + centres, abs=1e-6)
        assert judged.expected[i, -1] == pytest.approx(expected.sum() + LINK[RAKE].centre, abs=1e-6)
        unit = unit_variance(house, judged.observed.iloc[[i]])[0][0, :2]
        scatter = house.correlation[:2, :2] * np.sqrt(np.outer(unit, unit))
        assert judged.covariance[i, :2, :2] - scatter == pytest.approx(known, abs=1e-6)
        tried += 1
    assert tried > 3


def test_keeping_oneself_in_ones_reference_hides_part_of_the_departure(
    fleet: Fleet, house: House, judged: Residuals
) -> None:
    """Without leaving out, every residual of a teacher is smaller; most so in the smallest family."""
    inside = residuals(house, fleet.current)
    rows = sound_teachers(fleet, judged)
    j = JUDGED.index("zenith")
    ratio = np.abs(inside.value[rows, j]) / np.abs(judged.value[rows, j])
    assert np.nanmax(ratio) < 1.0
    count = fleet.current.iloc[rows]["body_family"].map(fleet.current["body_family"].value_counts())
    small, large = count <= count.quantile(0.1), count >= count.quantile(0.9)
    assert np.nanmean(ratio[small.to_numpy()]) < np.nanmean(ratio[large.to_numpy()]) - 0.02


def test_a_sheet_that_did_not_teach_is_judged_by_the_whole_fleet(fleet: Fleet, house: House) -> None:
    """The same readings on a new sheet meet the expectation of the fit as it is."""
    j, fit = JUDGED.index("zenith"), house.links["zenith"]
    found = residuals(house, fleet.current.iloc[:40])
    for i in range(40):
        sheet = found.observed.iloc[i]
        mean, _ = fit.posterior.coefficients()
        assert found.expected[i, j] == pytest.approx(row_of(fit, sheet) @ mean[0], abs=1e-9)


def test_what_was_not_read_has_no_residual(fleet: Fleet, judged: Residuals) -> None:
    """A spherical stylus has no built-in, sag or zenith residual; a missing angle none of its own."""
    round_tip = (fleet.current["stylus_profile"] == "spherical").to_numpy()
    assert round_tip.sum() > 10
    rake = [JUDGED.index(n) for n in ("built_in", "sag", "zenith")]
    assert np.isnan(judged.value[np.ix_(round_tip, rake)]).all()
    unread = fleet.current["vta_dynamic_deg"].isna().to_numpy()
    assert unread.any()
    assert np.isnan(judged.value[unread, :2]).all()
    assert not np.isnan(judged.value[unread & ~round_tip, JUDGED.index("sag")]).any()


def test_an_unknown_family_is_judged_more_widely(fleet: Fleet, house: House) -> None:
    """At least the variance between families is added, so the same readings are less surprising.

    In no reading is it judged more narrowly than a family whose units scatter as a new one's are supposed to.
    """
    sheet = fleet.current[fleet.current["stylus_profile"] != "spherical"].iloc[[3]]
    new = sheet.assign(body_family="NEW")
    links = {n: replace(f, spread=replace(f.spread, families={})) for n, f in house.links.items()}
    known, unknown = residuals(replace(house, links=links), sheet), residuals(house, new)
    narrow, wide = (np.einsum("mii->mi", r.covariance)[0] for r in (known, unknown))
    joint, back = house.angles, np.linalg.inv(house.turn)
    family = [t.factors for t in joint.design.terms].index(("family",))
    between = float((back @ joint.centre[2][:, :, family] @ back.T)[0, 0])
    assert (wide - narrow)[JUDGED.index("tracking")] >= between > 0.1
    assert (wide > 0.998 * narrow).all()
    assert not unknown.seen["family"][0]
    assert known.seen["family"][0]


def test_covariances_are_sound_and_hold_the_reading_noise(
    fleet: Fleet, judged: Residuals, house: House
) -> None:
    """Symmetric, positive definite in what was read, and never below the noise of the readings."""
    cov = judged.covariance
    assert cov == pytest.approx(np.swapaxes(cov, 1, 2))
    for value, own in zip(judged.value, cov, strict=True):
        read = np.flatnonzero(~np.isnan(value))
        assert np.linalg.eigvalsh(own[np.ix_(read, read)]).min(initial=1.0) > 0.0
    noise = np.diag(noise_matrix(JUDGED, dict(house.noise)))
    assert (np.einsum("mii->mi", cov) > 0.7 * noise).all()


def test_sound_residuals_are_standard(fleet: Fleet, judged: Residuals) -> None:
    """Over sound newest sheets each standardised residual has mean about 0 and sd about 1.

    About is four standard errors of the mean; of the sd three, or 0.15 where units are many.
    """
    sound = (fleet.fault == "healthy").to_numpy() & fleet.current["newest"].to_numpy()
    z = (judged.value / np.sqrt(np.einsum("mii->mi", judged.covariance)))[sound]
    n = (~np.isnan(z)).sum(axis=0)
    assert np.all(np.abs(np.nanmean(z, axis=0)) < 4.0 / np.sqrt(n))
    off = np.abs(np.nanstd(z, axis=0) - 1.0)
    assert np.all(off < np.maximum(0.15, 3.0 / np.sqrt(2.0 * n)))


def test_whitening_takes_the_covariance_out() -> None:
    """L L' is the covariance; one that is not quite positive comes back mended."""
    rng = np.random.default_rng(1)
    a = rng.normal(size=(5, 3, 3))
    cov = a @ np.swapaxes(a, 1, 2) + np.eye(3)
    factor = cholesky_factors(cov)
    assert factor @ np.swapaxes(factor, 1, 2) == pytest.approx(cov, rel=1e-6)
    flat = np.array([[[1.0, 1.0001], [1.0001, 1.0]]])
    again = cholesky_factors(flat)
    assert again @ np.swapaxes(again, 1, 2) == pytest.approx(flat, abs=1e-3)


def test_a_sheet_that_came_in_later_is_no_teacher(fleet: Fleet, house: House) -> None:
    """By its intake, its day or factors the model never met: judged by the fit as it is."""
    sheets = fleet.current.iloc[:30]
    everyone = np.ones(30, dtype=bool)
    plain = residuals(house, sheets).value
    left_out = residuals(house, sheets, taught=everyone).value
    assert not np.allclose(plain, left_out, equal_nan=True)
    later = sheets.assign(intake_id=house.last_intake + 1)
    assert np.array_equal(residuals(house, later, taught=everyone).value, plain, equal_nan=True)
    early = replace(house, span=("", "2000-01-01"))
    assert np.array_equal(residuals(early, sheets, taught=everyone).value, plain, equal_nan=True)
    whole = replace(house, span=("2000-01-01", "2100-01-01"))
    assert np.array_equal(residuals(whole, sheets, taught=everyone).value, left_out, equal_nan=True)
    new = sheets.assign(generator="other")
    inside, outside = (residuals(house, new, taught=t).value for t in (everyone, ~everyone))
    assert np.array_equal(inside, outside, equal_nan=True)


@pytest.mark.parametrize("name", ["zenith", "balance"])
def test_a_family_never_seen_adds_the_variance_between_families(
    fleet: Fleet, house: House, name: str
) -> None:
    """Beside x'Cx of what is known, each term that names the family adds the square of its own sd."""
    j, fit = JUDGED.index(name), house.links[name]
    sheet = fleet.current[fleet.current["stylus_profile"] != "spherical"].iloc[[3]]
    found = residuals(house, sheet.assign(body_family="NEW"))
    x = np.zeros(len(fit.gram.b))
    sds, unseen = fit.posterior.sds[0], 0.0
    own, offset = found.observed.iloc[0], 0
    for t, (term, keys) in enumerate(zip(fit.gram.design.terms, fit.gram.design.levels, strict=True)):
        key = tuple(str(own[f]) for f in term.factors)
        if key in keys:
            x[offset + keys.index(key)] = 1.0 if term.covariate == "1" else own[term.covariate]
        else:
            unseen += sds[t] ** 2
        offset += len(keys)
    for k, column in enumerate(fit.gram.design.fixed):
        x[offset + k] = 1.0 if column == "1" else own[column]
    cov = fit.posterior.coefficients()[1][0]
    unit = unit_variance(house, found.observed)[0][0, j]
    assert unseen > 0.0
    assert found.covariance[0, j, j] - unit == pytest.approx(x @ cov @ x + unseen, abs=1e-9)


def test_units_scatter_by_the_square_of_the_residual_sd(house: House, judged: Residuals) -> None:
    """With every residual sd three times as large, a sound unit's variance is nine times as large."""
    links = {
        n: replace(f, posterior=replace(f.posterior, sigma=3.0 * f.posterior.sigma))
        for n, f in house.links.items()
    }
    some = judged.observed.iloc[:20]
    plain, wide = (unit_variance(h, some) for h in (house, replace(house, links=links)))
    for one, nine in zip(plain[:2], wide[:2], strict=True):
        assert nine == pytest.approx(np.where(one == 1.0, 1.0, 9.0 * one))


def test_no_sheet_outweighs_all_others() -> None:
    """By hand: a reading that alone tells of a combination is taken to have 95 % of the say, not more."""
    mean, cov = np.array([[3.0], [0.0]]), np.diag([100.0, 1.0])[:, :, None]
    _remove(mean, cov, np.array([1.0, 0.0]), np.array([5.0]), np.array([1.0]), np.array([True]))
    free = (1.0 / LARGEST_LEVERAGE - 1.0) * 100.0
    assert mean[:, 0] == pytest.approx([3.0 - 100.0 * 2.0 / free, 0.0])
    assert cov[:, :, 0] == pytest.approx(np.diag([100.0 + 100.0**2 / free, 1.0]))

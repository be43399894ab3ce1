"""How wide predictive draws are: every part of the spread is in them, each by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fleet.estimation.prior_only import prior_house
from fleet.house_model.chain import ANGLES, JUDGED, SAG_READ, shared_by_rakes
from fleet.house_model.expectation import Predictor
from fleet.house_model.house import House
from fleet.house_model.predict import TYPICAL_SCALE_DEG, Draws, Forecaster
from fleet.physics.sag import sag_scale_deg
from fleet.policy.policy import Policy

TOLD = {
    "body_family": "F001",
    "stylus_profile": "line_contact",
    "cantilever_material": "boron",
    "generator": "moving_coil",
    "assembly_source": "S01",
    "vtf_mn": 18.0,
    "compliance_um_per_mn": 15.0,
    "compliance_frequency_hz": "10",
    "cantilever_length_mm": 6.0,
}


def drawn(house: House, **told: object) -> tuple[Forecaster, Draws]:
    """4096 draws of one enquiry that tells everything, but for what is said otherwise."""
    forecaster = Forecaster(house, n_draws=4096)
    return forecaster, forecaster.draw(pd.DataFrame([{**TOLD, **told}]))


def parts(
    house: House, d: Draws, link: str, **covariates: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw by draw: expectation of a link, its variance, and the variance between units."""
    fit = house.links[link]
    given = {n: np.full(len(d.rows["family"]), v) for n, v in covariates.items()}
    mean, doubt = (x[d.parameters, d.row][0] for x in Predictor(fit).mean_and_variance(d.rows, given))
    return mean, doubt, fit.posterior.sigma[d.parameters[0]] ** 2 * fit.spread.plain(np.ones(1))[0]


def with_faults(link: str, size: float) -> House:
    """A house of which two fifths of the sheets were beyond a link's cut, by this size at the median."""
    house = prior_house()
    fit = replace(house.links[link], rows=100.0, cut=40.0, cut_size=size)
    return replace(house, links={**house.links, link: fit})


def with_unit_spread(link: str, base: float) -> House:
    """A house in which units' variance about their kind is this in one link."""
    house = prior_house()
    fit = house.links[link]
    return replace(house, links={**house.links, link: replace(fit, spread=replace(fit.spread, base=base))})


def test_minutes_scatter_by_their_mean_and_by_the_unit() -> None:
    """The variance of log minutes is that of the expectation, of its coefficients and of units, added up."""
    house = prior_house()
    forecaster, d = drawn(house)
    level, none = np.ones(d.sag.shape), np.zeros(d.sag.shape, dtype=bool)
    mean, doubt, unit = parts(house, d, "minutes", tilted=1.0)
    expected = mean.var() + doubt.mean() + unit.mean()
    assert min(doubt.mean(), unit.mean()) > 0.08 * expected, "each part must matter here"
    assert np.log(forecaster.minutes(d, level, none)).var() == pytest.approx(expected, rel=0.04)
    tilted, both = parts(house, d, "minutes", tilted=4.0, conflict=1.0)[0], ~none
    assert np.log(forecaster.minutes(d, -4.0 * level, both)).mean() == pytest.approx(tilted.mean(), abs=0.01)


def test_room_scatters_by_its_mean_and_by_the_unit() -> None:
    """From the median to one in ten above, room spreads as such normals drawn afresh do; never below 0."""
    house = with_unit_spread("tilt_room", 2.0)
    _, d = drawn(house)
    mean, doubt, unit = parts(house, d, "tilt_room")
    assert min(doubt.mean(), unit.mean()) > 0.4 * (doubt + unit).mean(), "each part must matter here"
    afresh = mean + np.sqrt(doubt + unit) * np.random.default_rng(3).standard_normal(len(mean))
    found, expected = (np.quantile(x, [0.5, 0.9]) for x in (d.tilt_room[0], np.maximum(afresh, 0.0)))
    assert found == pytest.approx(expected, rel=0.06)
    assert d.tilt_room.min() >= 0.0


def test_sag_scatters_by_the_doubt_about_its_slope_and_by_the_unit() -> None:
    """Median and one in ten above of sag over its scale: those of such normals drawn afresh."""
    house = prior_house()
    _, d = drawn(house, stylus_profile="spherical")
    scale = sag_scale_deg(18.0, 15.0, 6.0, d.vta_true + d.sag)
    mean, doubt, _ = parts(house, d, "sag", s=1.0, s_warm=0.0, s_aged=0.0)
    unit = house.links["sag"].spread.growth  # all of a unit's part, over the scale's square
    afresh = mean + np.sqrt(doubt + unit) * np.random.default_rng(3).standard_normal(len(mean))
    assert np.quantile(d.sag / scale, [0.5, 0.9]) == pytest.approx(np.quantile(afresh, [0.5, 0.9]), rel=0.05)


def test_true_units_go_together_as_readings_do_less_their_noise() -> None:
    """Readings that covary as units and noise do together give back the units' own correlations."""
    house = prior_house()
    spreads = [house.links[n].spread for n in ANGLES]
    sd = np.sqrt([s.plain(np.full(1, TYPICAL_SCALE_DEG**2))[0] for s in spreads])
    corr = np.array([[1.0, -0.4, 0.3], [-0.4, 1.0, 0.2], [0.3, 0.2, 1.0]])
    unit = corr * np.outer(sd, sd)
    read = unit + house.noise_covariance(ANGLES)
    whole = np.sqrt(np.diag(read))
    places = [JUDGED.index(n) for n in ANGLES]
    among = house.correlation.copy()
    among[np.ix_(places, places)] = read / np.outer(whole, whole)
    turn = np.eye(3)
    turn[:2, :2] = house.turn
    turned = turn @ unit @ turn.T
    size = np.sqrt(np.diag(turned))
    factor = Forecaster(replace(house, correlation=among))._unit_factor
    assert factor @ factor.T == pytest.approx(turned / np.outer(size, size), abs=1e-6)


def test_a_tracking_angle_told_leaves_of_the_built_in_what_goes_with_it() -> None:
    """Variance of the built-in angle given the reading: that of a normal pair (closed form)."""
    house = with_unit_spread("pair_2", 20.0)
    _, d = drawn(house)
    built_in, tracking = (d.sra_true - d.vta_true)[0], d.vta_true[0]
    sd = Policy().told_sd_deg("vta_dynamic_deg", "photo")
    assert sd is not None
    cov = np.cov(built_in, tracking)
    _, told = drawn(house, vta_dynamic_deg=float(np.median(tracking)), vta_dynamic_read_by="photo")
    expected = cov[0, 0] - cov[0, 1] ** 2 / (cov[1, 1] + sd**2)
    assert (told.sra_true - told.vta_true)[0].var() == pytest.approx(expected, rel=0.05)


def test_a_reading_far_off_is_told_by_a_fault() -> None:
    """Where two units in five are 20° off in tracking, a rake 20° off leaves the built-in angle as it was."""
    house = with_faults("tracking", 20.0)
    _, before = drawn(house)
    rake = float(np.median(before.sra_true + before.sag))
    _, told = drawn(house, sra_static_deg=rake + 20.0)
    moved = [np.median(told.vta_true) - np.median(before.vta_true)]
    moved += [np.median(told.built_in) - np.median(before.built_in)]
    assert moved == pytest.approx([19.0, 0.0], abs=1.0)


def test_a_force_not_told_widens_the_sag_by_how_forces_differ() -> None:
    """Sag goes with force: draw by draw it moves as the log of a force that is not told."""
    house = prior_house()
    _, told = drawn(house, stylus_profile="spherical")
    _, untold = drawn(house, stylus_profile="spherical", vtf_mn=np.nan)
    sd = house.facts.specs["vtf_mn"].predict(untold.rows)[1][0]
    assert np.log(untold.sag / told.sag).std() == pytest.approx(sd, rel=0.05)


def test_each_reading_has_an_error_of_its_own() -> None:
    """Errors of both readings with the record turning are as large as their noise, and go with nothing."""
    house = prior_house()
    _, d = drawn(house)
    rake, tracking = (d.sra_dynamic - d.sra_true)[0], (d.vta_dynamic - d.vta_true)[0]
    assert rake.std() == pytest.approx(house.noise["sra_dynamic_deg"], rel=0.03)
    assert tracking.std() == pytest.approx(house.noise["vta_dynamic_deg"], rel=0.03)
    assert abs(np.corrcoef(rake, tracking)[0, 1]) < 0.05
    sag_and_error = (d.sra_static - d.sra_true)[0]
    assert abs(np.corrcoef(sag_and_error, tracking)[0, 1]) < 0.05
    half_shared = {**house.noise, SAG_READ: 0.15}
    assert shared_by_rakes(half_shared) == pytest.approx(0.5, abs=0.02)
    _, d = drawn(replace(house, noise=half_shared))
    assert (d.sra_dynamic - d.sra_true)[0].std() == pytest.approx(house.noise["sra_dynamic_deg"], rel=0.03)


@pytest.mark.parametrize("link", ["tracking", "built_in"])
def test_faults_jump_as_often_and_as_far_as_was_found(link: str) -> None:
    """Two fifths of the draws are off, half of them either way, by the median size beyond the cut."""
    told = {"stylus_profile": "spherical"} if link == "tracking" else {}
    faulty, sound = (drawn(h, **told)[1] for h in (with_faults(link, 20.0), prior_house()))
    angle = [d.vta_true + d.sag if link == "tracking" else d.built_in for d in (faulty, sound)]
    jump = (angle[0] - angle[1])[0]
    off = np.abs(jump) > 1.0
    assert off.mean() == pytest.approx(0.4, abs=0.01)
    assert (jump[off] > 0.0).mean() == pytest.approx(0.5, abs=0.03)
    assert np.median(np.abs(jump[off])) == pytest.approx(20.0, rel=0.03)


def test_faults_of_the_sag_come_on_top() -> None:
    """A fifth of the draws sag further by the median size found, a fifth less, but never below nothing."""
    faulty, sound = (
        drawn(h, stylus_profile="spherical")[1] for h in (with_faults("sag", 3.0), prior_house())
    )
    more = (faulty.sag - sound.sag)[0]
    assert (more > 0.5).mean() == pytest.approx(0.2, abs=0.02)
    assert np.median(more[more > 0.5]) == pytest.approx(3.0, rel=0.05)
    assert faulty.sag.min() >= 0.0


def test_every_draw_of_the_parameters_is_used() -> None:
    """No kept draw of the model's parameters is left out of the forecast."""
    house = prior_house()
    _, d = drawn(house)
    kept = min(len(fit.posterior.sigma) for fit in house.links.values())
    assert set(np.unique(d.parameters)) == set(range(kept))

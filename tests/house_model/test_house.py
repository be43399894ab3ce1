"""The fitted house: what it recovers, what it leaves out, what it says of itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from worlds import Fleet, bench, fleet_of, house_of, ideal, in_memory, lines, tallied

from fleet.estimation.fit import FEW_ROWS, KEPT_VARIANCE, fit_house
from fleet.house_model.chain import ANGLES, JUDGED, LINK, LINKS, PAIR, READING_NOISE, noise_matrix
from fleet.house_model.house import CUT_SIGMAS, House
from fleet.physics import sag
from fleet.statistics import reml


@cache
def large() -> Fleet:
    """Three thousand sheets without fault: what is true shows."""
    return fleet_of(ideal(11, n_families=24, n_sources=6, fault_share=0.0, slip_share=0.0), 3000)


def unit_sd(house: House, name: str, source: str = "") -> float:
    """Standard deviation between units at a typical sag scale, for one source or a plain one."""
    fit = house.links[name]
    s2 = np.array([house.scale_s2[5]])
    g = fit.spread.unit_variance(s2, np.array([source], dtype=object)) if source else fit.spread.plain(s2)
    return float(np.sqrt(g[0] * (fit.posterior.sigma**2).mean()))


def test_every_link_is_fitted_and_well_sampled() -> None:
    """All links and the pair are there; importance sampling is healthy in each."""
    house = bench().house
    assert set(house.links) == {*LINK, *PAIR}
    for name, fit in house.links.items():
        assert fit.posterior.ess > 100.0, name
    assert house.units == bench().current["newest"].sum()


@pytest.mark.long
def test_a_large_fleet_shows_the_worlds_own_spreads() -> None:
    """Unit sds of zenith and balance, known to the world's numbers, within 4 % (plus their reading noise)."""
    house, spread = large().house, large().world.spec.spread
    assert unit_sd(house, "balance") == pytest.approx(spread.balance_unit_db, rel=0.04)
    generator = np.hypot(spread.generator_roll_unit_deg, spread.assembly_roll_unit_deg)
    cant = large().world.catalogue.cant_to_electrical * spread.cant_unit_deg
    assert unit_sd(house, "azimuth_electrical") == pytest.approx(np.hypot(generator, cant), rel=0.08)


@pytest.mark.long
def test_sources_of_unequal_spread_are_told_apart() -> None:
    """The zenith spread of each source follows the world's own factor (within 12 %)."""
    house, catalogue = large().house, large().world.catalogue
    true = pd.Series(catalogue.unit_spread, index=catalogue.frame["assembly_source"]).groupby(level=0).first()
    units = large().current["assembly_source"].value_counts()
    wanted = [s for s in true.index if units.get(s, 0) >= 200]
    assert len(wanted) >= 4
    for source in wanted:
        got = unit_sd(house, "zenith", source)
        assert got == pytest.approx(1.1 * true[source], rel=0.12), source


def test_sag_per_scale_is_the_worlds_own() -> None:
    """The fitted slope of each common line is that of its true sag on its true sag scale, within 8 %."""
    fleet = large()
    fit = fleet.house.links["sag"]
    mean, _, _ = fit.centre
    design = fit.gram.design
    ratios = []
    for line in lines(fleet.world):
        if line["share"] < 0.03:
            continue
        truth = fleet.world.draws({"body_family": line["body_family"]}, 3000, faults=False)
        scale = sag.sag_scale_deg(
            line["vtf_mn"],
            line["compliance_um_per_mn"],
            line["cantilever_length_mm"],
            truth["true_vta_static_deg"].to_numpy(),
        )
        true = (truth["true_sag_deg"] * scale).sum() / (scale**2).sum()
        levels = {
            "source": line["assembly_source"],
            "family": line["body_family"],
            "profile": line["stylus_profile"],
            "frequency": f"{line['compliance_frequency_hz']:g}",
        }
        found = design.columns_of({k: np.array([v], dtype=object) for k, v in levels.items()}, 1)[:, 0]
        ratios.append((mean[design.q + design.fixed.index("s")] + mean[found].sum()) / true)
    assert len(ratios) >= 8
    assert np.abs(np.log(ratios)).max() < 0.08
    assert np.std(np.log(ratios)) < 0.03


@pytest.mark.long
def test_faulty_units_do_not_teach() -> None:
    """One unit in ten grossly off: spreads stay within 10 % of the clean fit, and do not without the cut."""
    world = ideal(21, n_families=24, fault_share=0.0, slip_share=0.0, repeat_share=0.0)
    sheets, _ = world.sheets(1200)
    clean = house_of(sheets)
    rng = np.random.default_rng(1)
    spoilt = sheets.copy()
    bad = rng.random(len(sheets)) < 0.1
    sign = np.where(rng.random(len(sheets)) < 0.5, -1.0, 1.0)
    for name, low, high in (
        ("zenith_deg", 7.0, 14.0), ("azimuth_optical_deg", 4.0, 9.0), ("azimuth_electrical_deg", 4.0, 9.0),
        ("channel_balance_db", 2.5, 5.0), ("sra_dynamic_deg", 7.0, 13.0),
    ):  # fmt: skip
        spoilt.loc[bad, name] += (sign * rng.uniform(low, high, len(sheets)))[bad]
    spoilt.loc[bad, "sra_static_deg"] += (spoilt["sra_dynamic_deg"] - sheets["sra_dynamic_deg"])[bad]
    robust = house_of(spoilt)
    with in_memory(spoilt.assign(unit=spoilt["sheet_no"])) as con:
        tallier, facts = tallied(con)
        trusting = fit_house(tallier, facts, READING_NOISE, robust=False)
    for name in ("zenith", "azimuth_seen", "azimuth_electrical", "balance", "built_in", "tracking", "sag"):
        ratio = unit_sd(robust, name) / unit_sd(clean, name)
        assert ratio == pytest.approx(1.0, abs=0.1), name
        if name not in {"sag", "tracking"}:
            assert unit_sd(trusting, name) / unit_sd(clean, name) > 1.4, name
            assert robust.links[name].cut_share == pytest.approx(0.1, abs=0.02), name
            assert clean.links[name].cut_share < 0.01, name


def test_the_cut_and_its_size_are_kept_for_quotes() -> None:
    """Beyond the cut lies what was put there: how many, and the median size of their residuals."""
    world = ideal(22, n_families=12, fault_share=0.0, slip_share=0.0, repeat_share=0.0)
    sheets, _ = world.sheets(600)
    bad = np.arange(600) % 20 == 0
    sheets.loc[bad, "zenith_deg"] += np.where(np.arange(600) % 40 == 0, 10.0, -10.0)[bad]
    fit = house_of(sheets).links["zenith"]
    assert (fit.rows, fit.cut) == (600.0, 30.0)
    assert fit.cut_size == pytest.approx(10.0, abs=0.8)


def test_the_share_faulty_is_pooled_by_hand() -> None:
    """(own bad + 40 × fleet) / (own units + 40), the fleet's share (bad + 1) / (units + 20)."""
    house = replace(bench().house, faulty={"S1": (100.0, 9.0), "S2": (60.0, 0.0)})
    fleet = 10.0 / 180.0
    assert house.share_faulty("S1") == pytest.approx((9.0 + 40.0 * fleet) / 140.0)
    assert house.share_faulty("S2") == pytest.approx(40.0 * fleet / 100.0)
    assert house.share_faulty("new") == pytest.approx(fleet)
    assert replace(house, faulty={}).share_faulty("S1") == pytest.approx(0.05)


def test_every_source_is_counted_for_its_faults() -> None:
    """Units per source add up to the fleet; those beyond a cut are few."""
    fleet = bench()
    units = {s: n for s, (n, _) in fleet.house.faulty.items()}
    teaching = fleet.current[fleet.current["newest"]]
    assert units == teaching["assembly_source"].value_counts().astype(float).to_dict()
    bad = sum(b for _, b in fleet.house.faulty.values())
    assert 0.01 < bad / sum(units.values()) < 0.12


def test_residuals_of_links_that_share_a_reading_go_together() -> None:
    """A rake reading error raises sag's and lowers built-in's residual: the correlations have those signs."""
    house = bench().house
    assert house.correlation == pytest.approx(house.correlation.T)
    assert np.linalg.eigvalsh(house.correlation).min() > 0.0
    i = {n: JUDGED.index(n) for n in JUDGED}
    assert house.correlation[i["azimuth_seen"], i["azimuth_electrical"]] > 0.1
    assert abs(house.correlation[i["zenith"], i["balance"]]) < 0.2
    want = noise_matrix(ANGLES, dict(house.noise))
    assert house.noise_covariance() == pytest.approx(want)


def test_a_small_fleet_says_what_common_practice_still_speaks_along_in() -> None:
    """With a dozen sheets every link says so; with some hundred none does."""
    small = house_of(ideal(31, n_families=6).sheets(12)[0])
    assert len(small.notes) == len(LINKS)
    assert all("common practice" in note for note in small.notes)
    assert bench().house.notes == ()
    assert FEW_ROWS > 12


def test_a_search_that_ended_early_is_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Searches of one step leave notes of links that are left above the bottom; whole ones leave none."""
    monkeypatch.setattr(reml, "MOST_STEPS", 1)
    monkeypatch.setattr(reml, "TRIALS", 0)
    notes = house_of(ideal(31, n_families=6).sheets(60)[0]).notes
    assert any("the search for its spreads ended early" in note for note in notes)
    assert not any("ended early" in note for note in bench().house.notes)


def test_one_sheet_alone_makes_a_model() -> None:
    """The smallest fleet there is neither fails nor forgets that it knows little."""
    sheets, _ = ideal(32, n_families=5).sheets(1)
    house = house_of(sheets)
    assert house.units == 1.0
    assert unit_sd(house, "tracking") > 0.8


def test_the_variance_that_a_cut_leaves() -> None:
    """A standard normal inside ±3.5 has this variance (numeric integration)."""
    z = np.linspace(-CUT_SIGMAS, CUT_SIGMAS, 400_001)
    density = np.exp(-0.5 * z**2)
    kept = (z**2 * density).sum() / density.sum()
    assert kept == pytest.approx(KEPT_VARIANCE, abs=2e-6)

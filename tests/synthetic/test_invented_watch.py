"""Check pickups and gauge studies carry the truth that they are drawn with."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet import columns
from fleet.errors import FleetError
from synthetic_data.spec import Noise, WorldSpec
from synthetic_data.watch import check_pickup, check_readings_deg, gauge_study
from synthetic_data.world import World

WORLD = World(WorldSpec(seed=2))


def test_check_pickup_is_one_unit_week_after_week() -> None:
    """Weekly reference sheets of one serial in canonical columns, scattered by the reading noise."""
    sheets = check_pickup(WORLD, 400)
    assert set(sheets.columns) <= set(columns.COLUMNS)
    assert set(sheets["purpose"]) == {"reference"}
    assert set(sheets["serial"]) == {"CHECK0002.0"}
    assert (sheets["measured_on"].diff().dropna() == pd.Timedelta(days=7)).all()
    noise = WORLD.spec.noise
    assert abs(sheets["zenith_deg"].std() / noise.zenith_deg - 1.0) < 0.15
    assert 0.9 * noise.sra_static_deg < sheets["sra_static_deg"].std() < 1.5 * noise.sra_static_deg


def test_creep_and_step_sit_on_the_rake_from_their_week_on() -> None:
    """With creep or step the rake readings differ from the plain ones by exactly that, rounded."""
    plain = check_pickup(WORLD, 100)
    moved = check_pickup(WORLD, 100, drift_deg_per_week=0.02, drift_from_week=60, step_deg=0.4, step_week=80)
    week = np.arange(100)
    expected = 0.02 * np.maximum(week - 60, 0) + 0.4 * (week >= 80)
    for name in ("sra_static_deg", "sra_dynamic_deg"):
        assert np.allclose(moved[name] - plain[name], expected, atol=0.026)
    pd.testing.assert_series_equal(moved["vta_dynamic_deg"], plain["vta_dynamic_deg"])


def test_many_series_at_once_have_the_asked_noise_and_creep() -> None:
    """Series for run lengths: sd of the noise, straight creep from its first week."""
    series = check_readings_deg(
        np.random.default_rng(1), 4000, 30, drift_deg_per_week=0.1, drift_from_week=20
    )
    assert series.shape == (4000, 30)
    assert abs(series[:, :20].std() / 0.17 - 1.0) < 0.02
    assert np.allclose(series.mean(axis=0)[20:] - 90.6, 0.1 * np.arange(1, 11), atol=0.015)


def test_gauge_study_recovers_its_own_sds_by_plain_means() -> None:
    """With many units the spread within cells, between operators and between units is as drawn."""
    study, truth = gauge_study(
        WorldSpec(seed=1), units=400, operators=12, trials=3, operator_sd_deg=0.3, interaction_sd_deg=0.2
    )
    cells = study.groupby(["unit", "operator"])["sra_dynamic_deg"]
    within = np.sqrt(cells.var().mean())
    assert abs(within / truth.repeatability_deg - 1.0) < 0.02
    table = study.pivot_table(index="unit", columns="operator", values="sra_dynamic_deg")
    left = table.sub(table.mean(axis=1), axis=0) - table.mean() + table.to_numpy().mean()
    mutual = left.to_numpy().var() * 12 / 11 - truth.repeatability_deg**2 / 3
    assert abs(np.sqrt(mutual) / truth.interaction_deg - 1.0) < 0.05
    assert abs(table.mean(axis=1).std() / truth.unit_deg - 1.0) < 0.15


def test_gauge_study_can_be_unbalanced_and_refuses_nonsense() -> None:
    """A missing share leaves readings out; one operator is no study."""
    study, _ = gauge_study(WorldSpec(seed=1), missing_share=0.2)
    assert 50 < len(study) < 90
    with pytest.raises(FleetError, match="at least 2"):
        gauge_study(WorldSpec(seed=1), operators=1)


def test_gauge_noise_is_the_benchs_reading_noise() -> None:
    """A quieter bench gives a quieter study."""
    loud, _ = gauge_study(WorldSpec(seed=1))
    quiet, truth = gauge_study(WorldSpec(seed=1, noise=Noise(sra_dynamic_deg=0.02)))
    spread = [f.groupby(["unit", "operator"])["sra_dynamic_deg"].std().mean() for f in (loud, quiet)]
    assert spread[1] < 0.4 * spread[0]
    assert truth.repeatability_deg < 0.03

"""A source that drifts: quotes speak of now, residuals of a sheet's own day, and `--groups` still sees it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from worlds import Fleet, family_lines, fleet_from, ideal

from fleet.faults.group_drift import groups
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.house_model.predict import Forecaster
from fleet.house_model.summary import summarise_model

YEARS, DRIFT_DEG = 6.0, 3.0
RAKES = ["sra_static_deg", "sra_dynamic_deg"]


@dataclass(frozen=True)
class Drifted:
    """A bench whose source ``source`` set its rakes 3 degrees higher in the end than six years before."""

    fleet: Fleet
    source: str
    steady: House


@pytest.fixture(scope="module")
def drifted() -> Drifted:
    world = ideal(3, n_families=12, years=YEARS, fault_share=0.0, slip_share=0.0)
    sheets, _ = world.sheets(420)
    source = str(sheets["assembly_source"].mode()[0])
    moved = sheets.copy()
    day = pd.to_datetime(sheets["measured_on"])
    part = ((day - pd.Timestamp(world.spec.start)).dt.days / (YEARS * 365.25)).to_numpy()
    moved[RAKES] += np.where(sheets["assembly_source"] == source, DRIFT_DEG * part, 0.0)[:, None]
    return Drifted(fleet_from(world, moved), source, fleet_from(world, sheets).house)


def rakes(house: House, facts: list[dict[str, object]]) -> np.ndarray:
    """Middle of the turning rake that a quote for each of these names."""
    return np.asarray(np.median(Forecaster(house, n_draws=512).draw(pd.DataFrame(facts)).sra_dynamic, axis=1))


def test_a_quote_speaks_of_now(drifted: Drifted) -> None:
    """What a drifting source has come to is quoted, not its middle over the years; others stay."""
    facts = family_lines(drifted.fleet.world)
    moved = rakes(drifted.fleet.house, facts) - rakes(drifted.steady, facts)
    own = np.array([f["assembly_source"] == drifted.source for f in facts])
    assert moved[own].mean() == pytest.approx(DRIFT_DEG, abs=0.5)
    assert np.abs(moved[~own]).max() < 0.5


def test_a_sheet_is_held_against_its_own_day(drifted: Drifted) -> None:
    """Rakes of the drifting source are in the middle of their kind in its first years as in its last."""
    sheets = drifted.fleet.current
    own = (sheets["assembly_source"] == drifted.source).to_numpy()
    resid = residuals(drifted.fleet.house, sheets[own], taught=np.ones(int(own.sum()), dtype=bool))
    off = resid.value[:, 1]
    early = (pd.to_datetime(sheets["measured_on"][own]) < pd.Timestamp("2023-01-01")).to_numpy()
    error = np.nanstd(off) / np.sqrt(early.sum())
    assert abs(np.nanmean(off[early])) < 3.0 * error
    assert abs(np.nanmean(off[~early])) < 3.0 * error


@pytest.mark.long
def test_groups_still_see_what_the_model_follows(drifted: Drifted) -> None:
    """The source's alarm tells some 1.5 degrees between before and after; no other source has one."""
    found = groups(drifted.fleet.house, drifted.fleet.current).table
    alarms = found[found["alarm"] & (found["kind"] == "source") & (found["check"] == "drift")]
    assert set(alarms["group"]) == {drifted.source}
    assert alarms.set_index("link").loc["built_in", "change"] == pytest.approx(DRIFT_DEG / 2.0, abs=0.7)


def test_the_model_says_which_source_drifts(drifted: Drifted) -> None:
    """The drift a year of that source alone is sure, and named as half a degree of the built-in angle."""
    lines = [line for line in summarise_model(drifted.fleet.house).lines if " drifts: " in line]
    assert [line for line in lines if line.startswith(f"Source {drifted.source} drifts: built-in angle +0.")]
    assert not [line for line in lines if not line.startswith(f"Source {drifted.source} ")]
    assert not [line for line in summarise_model(drifted.steady).lines if " drifts: " in line]

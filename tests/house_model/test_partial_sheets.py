"""Sheets that lack a reading teach what they do read, and are judged by it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from worlds import Fleet, fleet_of, house_of, ideal

from fleet.faults.suspects import suspects
from fleet.house_model.predict import Forecaster
from synthetic_data.world import World


class SteepAndFlat(World):
    """Half the families spherical; their own angles lie far from those of the others."""

    def sheets(self, n: int, *, stream: int = 0) -> tuple[pd.DataFrame, pd.DataFrame]:
        sheets, truth = super().sheets(n, stream=stream)
        spherical = sheets["stylus_profile"] == "spherical"
        families = sorted(sheets.loc[spherical, "body_family"].unique())
        shift = sheets["body_family"].map({f: 4.0 * (i - 1) for i, f in enumerate(families)}).fillna(0.0)
        sheets["vta_dynamic_deg"] = sheets["vta_dynamic_deg"] + shift
        return sheets, truth


@cache
def spherical_fleet() -> Fleet:
    """240 sound sheets over eight families, four of them spherical and far apart."""
    world = ideal(3, n_families=8, n_sources=3, spherical_share=0.5, fault_share=0.0, slip_share=0.0)
    return fleet_of(SteepAndFlat(world.spec), 240)


def test_a_spherical_family_is_quoted_by_its_own_tracking_angles() -> None:
    """The median quote lies within half a degree of the family's own median, and the 90 % range holds."""
    fleet = spherical_fleet()
    own = fleet.current[fleet.current["stylus_profile"] == "spherical"]
    draws = Forecaster(fleet.house).draw(pd.DataFrame({"body_family": own["body_family"].unique()}))
    for (_, sheets), drawn in zip(own.groupby("body_family", sort=False), draws.vta_dynamic, strict=True):
        read = sheets["vta_dynamic_deg"].dropna()
        low, middle, high = np.quantile(drawn, [0.05, 0.5, 0.95])
        assert middle == pytest.approx(read.median(), abs=0.5 + 2.0 * read.std() / np.sqrt(len(read)))
        assert read.between(low, high).mean() >= 0.8
        assert high - low < 1.5 * (read.quantile(0.95) - read.quantile(0.05)) + 1.0


def test_sound_spherical_units_are_not_suspected() -> None:
    """A bench without a fault has at most two flags among 240 sheets."""
    fleet = spherical_fleet()
    assert suspects(fleet.house, fleet.current).table["flagged"].sum() <= 2


def test_a_bench_that_reads_rake_alone_knows_its_sag() -> None:
    """Sag is read on every sheet there: quotes are as sharp, and lie where they do, with tracking angles."""
    fleet = spherical_fleet()
    edged = fleet.current[fleet.current["stylus_profile"] != "spherical"]
    asked = pd.DataFrame({"body_family": edged["body_family"].unique()})
    blank = house_of(fleet.world.sheets(240)[0].assign(vta_dynamic_deg=np.nan))
    known, alone = (Forecaster(house).draw(asked).sag for house in (fleet.house, blank))
    for (_, sheets), a, b in zip(edged.groupby("body_family", sort=False), known, alone, strict=True):
        assert np.median(b) == pytest.approx(np.median(a), abs=a.std() / np.sqrt(len(sheets)))
        assert b.std() == pytest.approx(a.std(), rel=0.15)
    another = pd.DataFrame({"body_family": ["F999"], "stylus_profile": ["elliptical"]})
    read, alone = (Forecaster(house).draw(another).sag for house in (fleet.house, blank))
    assert alone.std() < read.std(), "of a family never seen no angle is drawn besides"

"""Whatever a bench leaves out on all its sheets: nothing fails, and fewer facts never make a quote surer."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from worlds import FACTS, LONG, family_lines, fleet_from, ideal

from fleet.attainment.attainment import attainment
from fleet.faults.one_unit import judge
from fleet.faults.suspects import suspects
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote

GROUPS = (
    ("sra_static_deg",),
    ("sra_dynamic_deg",),
    ("vta_dynamic_deg",),
    ("compliance_um_per_mn", "compliance_frequency_hz"),
    ("cantilever_length_mm",),
    ("vtf_mn",),
    ("stylus_profile", "cantilever_material"),
    ("assembly_source", "generator"),
    ("zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db"),
)
"""Nine groups of columns, each there on all sheets or on none."""
EVERY = list(product((False, True), repeat=len(GROUPS)))
SOME = [EVERY[i] for i in np.random.default_rng(4).choice(len(EVERY), 4, replace=False)]
SIZES = (3, 30, 300)
POLICIES = {"default": Policy()}


def without(sheets: pd.DataFrame, present: tuple[bool, ...]) -> pd.DataFrame:
    """The sheets of a bench that never writes down the columns that are not present."""
    out = sheets.copy()
    for there, columns in zip(present, GROUPS, strict=True):
        if not there:
            out[list(columns)] = None
    return out


def asked(world_facts: list[dict[str, object]]) -> pd.DataFrame:
    """Enquiries about a known family, a new one, and with an earlier reading."""
    known = world_facts[0]
    rows = [known, {**known, "body_family": "NEW"}, {**known, "sra_static_deg": 92.0}, {"vtf_mn": 18.0}]
    return pd.DataFrame(rows).assign(enquiry_id=[f"Q{i}" for i in range(len(rows))])


def all_answers(house: House, current: pd.DataFrame, facts: list[dict[str, object]]) -> None:
    """Quotes, the list, one unit and attainment: figures wherever something was read or is believed."""
    table = quote(asked(facts), house, POLICIES, n_draws=64).table
    assert table["p_both_met"].between(0.0, 1.0).all()
    for column in ("vta_dynamic_deg_q50", "tilt_deg_q50", "bench_minutes_q50", "wedge_deg"):
        assert np.isfinite(table[column].to_numpy(dtype=float)).all(), column
    listed = suspects(house, current).table
    assert len(listed) == len(current)
    assert listed["p_value"].between(0.0, 1.0).all()
    verdict = judge(house, current.iloc[[0]], Policy())
    assert 0.0 <= verdict.row["p_healthy"] <= 1.0
    counted = attainment(current, [], Policy())
    assert (counted["units"] <= len(current)).all()


@pytest.mark.parametrize("size", SIZES)
def test_no_pattern_of_columns_makes_anything_fail(size: int) -> None:
    """Refit, quote, suspects, judge and attainment answer whichever of nine groups of columns is missing."""
    world = ideal(7, n_families=8, n_sources=3, spherical_share=0.25)
    sheets, _ = world.sheets(size)
    for present in EVERY if LONG else SOME:
        fleet = fleet_from(world, without(sheets, present))
        all_answers(fleet.house, fleet.current, family_lines(world))


def test_fewer_facts_never_make_a_quote_narrower() -> None:
    """Averaged over families, the 90 % ranges of rake and tracking angle grow with every fact left out."""
    world = ideal(7, n_families=8, n_sources=3)
    house = fleet_from(world, world.sheets(300)[0]).house
    told = pd.DataFrame(family_lines(world))[list(FACTS)]
    forecaster, widths = Forecaster(house, n_draws=512), []
    for order in (("body_family", "assembly_source", "stylus_profile", "compliance_um_per_mn"),):
        for n in range(len(order) + 1):
            drawn = forecaster.draw(told.drop(columns=list(order[:n])))
            ends = [np.nanquantile(x, [0.05, 0.95], axis=1) for x in (drawn.sra_dynamic, drawn.vta_dynamic)]
            widths.append([float((high - low).mean()) for low, high in ends])
    assert (np.diff(np.array(widths), axis=0) > -0.02 * np.array(widths)[:-1]).all(), widths

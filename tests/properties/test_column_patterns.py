"""Whatever a bench leaves out on all its sheets: nothing fails, and fewer facts never make a quote surer."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
import pytest
from worlds import FACTS, LONG, family_lines, fleet_from, ideal, long_only

from fleet.attainment.attainment import attainment
from fleet.faults.one_unit import judge
from fleet.faults.suspects import suspects
from fleet.house_model.house import House
from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.quotes.value_of_information import information

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
Pattern = tuple[bool, ...]
EVERY: list[Pattern] = list(product((False, True), repeat=len(GROUPS)))
SIZES = (3, 30, 300)
PARTS = 32
POLICIES = {"default": Policy()}
ANGLES = ("sra_dynamic_deg", "vta_dynamic_deg")
WORLD = {"n_families": 8, "n_sources": 3, "spherical_share": 0.25}


def covering() -> list[tuple[int, Pattern]]:
    """Few fleets in which every two of size and nine groups stand together in every way."""
    rng, every = np.random.default_rng(4), list(product(SIZES, EVERY))

    def pairs(case: tuple[int, Pattern]) -> set[tuple[Any, ...]]:
        return set(combinations(enumerate((case[0], *case[1])), 2))

    left, chosen = set().union(*map(pairs, every)), []
    order = [every[i] for i in rng.permutation(len(every))]
    while left:
        chosen.append(max(order, key=lambda case: len(pairs(case) & left)))
        left -= pairs(chosen[-1])
    return chosen


def without(sheets: pd.DataFrame, present: Pattern) -> pd.DataFrame:
    """The sheets of a bench that never writes down the columns that are not present."""
    out = sheets.copy()
    for there, columns in zip(present, GROUPS, strict=True):
        if not there:
            out[list(columns)] = None
    return out


def asked(world_facts: list[dict[str, Any]]) -> pd.DataFrame:
    """Enquiries about a known family, a new one, with earlier readings, and with next to nothing told."""
    known = world_facts[0]
    rows = [
        known,
        {**known, "body_family": "NEW"},
        {**known, "sra_static_deg": 92.0},
        {**known, "vta_dynamic_deg": 24.0},
        {"vtf_mn": 18.0},
        {},
    ]
    return pd.DataFrame(rows).assign(enquiry_id=[f"Q{i}" for i in range(len(rows))])


def all_answers(house: House, current: pd.DataFrame, facts: list[dict[str, Any]]) -> None:
    """Quotes, the list, one unit and attainment: figures wherever something was read or is believed."""
    table = quote(asked(facts), house, POLICIES, n_draws=64).table
    assert table["p_both_met"].between(0.0, 1.0).all()
    for column in ("vta_dynamic_deg_q50", "tilt_deg_q50", "bench_minutes_q50", "wedge_deg"):
        assert np.isfinite(table[column].to_numpy(dtype=float)).all(), column
    assert information(asked(facts).iloc[[4]], house, Policy(), n_draws=64).sentence
    listed = suspects(house, current).table
    assert len(listed) == len(current)
    assert listed["p_value"].between(0.0, 1.0).all()
    verdict = judge(house, current.iloc[[0]], Policy())
    assert 0.0 <= verdict.row["p_healthy"] <= 1.0
    for by in ([], ["stylus_profile"], ["body_family", "assembly_source"]):
        assert (attainment(current, by, Policy())["units"] <= len(current)).all()


def widths(house: House, facts: list[dict[str, Any]]) -> list[float]:
    """Mean width of the 90 % range of rake and tracking angle over the families, everything told."""
    drawn = Forecaster(house, n_draws=256).draw(pd.DataFrame(facts)[list(FACTS)])
    ends = [np.nanquantile(x, [0.05, 0.95], axis=1) for x in (drawn.sra_dynamic, drawn.vta_dynamic)]
    return [float(np.nanmean(high - low)) for low, high in ends]


def failures(cases: Iterable[tuple[int, Pattern]]) -> tuple[list[str], pd.DataFrame]:
    """What went wrong, one line a fleet; and of each fleet the widths of its quotes."""
    world = ideal(7, **WORLD)
    facts = [f for f in family_lines(world) if f["stylus_profile"] != "spherical"]
    wrong, rows = [], []
    for size, present in cases:
        sheets, _ = world.sheets(size)
        try:
            fleet = fleet_from(world, without(sheets, present))
            all_answers(fleet.house, fleet.current, family_lines(world))
            rows.append((size, *present, *widths(fleet.house, facts)))
        except Exception as error:  # noqa: BLE001 - any failure counts, and all are told together
            there = [columns[0] for columns, own in zip(GROUPS, present, strict=True) if own]
            wrong.append(f"{size} sheets with {', '.join(there) or 'nothing'}: {error!r}")
    return wrong, pd.DataFrame(
        rows, columns=["size", *(c[0] for c in GROUPS), *(f"{a}_width" for a in ANGLES)]
    )


@pytest.mark.long
@pytest.mark.skipif(LONG, reason="all of them are tried")
def test_no_two_groups_of_columns_make_anything_fail() -> None:
    """Refit, quote, suspects, judge and attainment answer for every two groups of columns, there or not."""
    assert failures(covering())[0] == []


def test_no_group_of_columns_makes_anything_fail() -> None:
    """The same for each group, there or not, and each size of fleet, by the fewest of those fleets."""
    left, chosen = {(k, there) for k in range(len(GROUPS)) for there in (False, True)} | set(SIZES), []
    for size, present in covering():
        has = {*enumerate(present), size}
        if has & left:
            chosen.append((size, present))
            left -= has
    assert not left
    assert failures(chosen)[0] == []


@long_only
@pytest.mark.parametrize("part", range(PARTS))
def test_no_pattern_of_columns_makes_anything_fail(part: int) -> None:
    """Refit, quote, suspects, judge and attainment answer whichever of nine groups of columns is missing."""
    assert failures([(size, p) for p in EVERY[part::PARTS] for size in SIZES])[0] == []


@pytest.mark.long
def test_an_angle_that_is_read_widens_no_quote_of_the_other() -> None:
    """Thirty sheets with rakes alone, with tracking angles alone or with both quote neither angle more widely
    than sheets that hold no angle."""
    world = ideal(7, **WORLD)
    facts = [f for f in family_lines(world) if f["stylus_profile"] != "spherical"]
    sheets = world.sheets(30)[0]

    def quoted(rakes: bool, tracking: bool) -> list[float]:
        read = (rakes, rakes, tracking, *[True] * 6)
        return widths(fleet_from(world, without(sheets, read)).house, facts)

    neither = quoted(rakes=False, tracking=False)
    for rakes, tracking in ((True, False), (False, True), (True, True)):
        assert np.all(np.array(quoted(rakes, tracking)) < neither), (rakes, tracking)


TOLD = (
    ("body_family",),
    ("assembly_source",),
    ("stylus_profile", "cantilever_material"),
    ("compliance_um_per_mn", "compliance_frequency_hz"),
    ("vtf_mn", "cantilever_length_mm", "generator"),
)
"""Groups of facts that an enquiry tells together."""


def test_fewer_facts_never_make_a_quote_narrower() -> None:
    """Over families and all 32 sets of facts, 90 % ranges of both angles grow with each fact left out."""
    world = ideal(7, n_families=8, n_sources=3)
    house = fleet_from(world, world.sheets(300)[0]).house
    families = pd.DataFrame(family_lines(world))[list(FACTS)]
    patterns = list(product((False, True), repeat=len(TOLD)))
    asked = []
    for present in patterns:
        told = [c for group, there in zip(TOLD, present, strict=True) if there for c in group]
        asked.append(families.where(np.broadcast_to(families.columns.isin(told), families.shape)))
    every = pd.concat(asked, ignore_index=True)
    drawn = Forecaster(house, n_draws=512).draw(every)
    ends = [np.nanquantile(x, [0.05, 0.95], axis=1) for x in (drawn.sra_dynamic, drawn.vta_dynamic)]
    wide = np.stack([(high - low).reshape(len(patterns), -1).mean(axis=1) for low, high in ends], axis=1)
    there = np.array(patterns)
    for k, group in enumerate(TOLD):
        assert (wide[~there[:, k]].mean(axis=0) > 0.99 * wide[there[:, k]].mean(axis=0)).all(), group
    assert (wide[0] > wide[-1]).all()

"""The whole chain against invented worlds of known truth: issue bars, and naive ways that miss them.

Bars are those of this project's own design (expected scores over 4 000 draws of the true distribution).  In
short form half as many draws of two reference worlds; FLEET_LONG=1 takes six worlds, and adds what only six
together can settle: families never met or not told, and worlds away from the reference one.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from chain_worlds import AWAY, held_out, known, not_told
from forecast_yardsticks import QUANTITIES, brier_skill, chance_error, cover, excess, per_world, ratio
from worlds import LONG, long_only

pytestmark = pytest.mark.validity
SEEDS = range(1, 7) if LONG else (1, 4)
POOLED = range(1, 7)
"""Fewer can't settle it: a world's ratio has an sd of 0.03 about 0.89 where the bar is 0.92 (measured)."""


@cache
def reference() -> tuple[dict[str, pd.DataFrame], list[dict[str, pd.DataFrame]]]:
    """300 sheets over 36 families."""
    return per_world(SEEDS, lambda seed: known(seed, 300))


def told(rows: dict[str, pd.DataFrame]) -> str:
    """The figures of a comparison in one line, for the failing test's message."""
    parts = [
        f"{q}: excess {excess(rows['ours'], q):.3f}, cover {cover(rows['ours'], q):.3f}" for q in QUANTITIES
    ]
    return "; ".join([*parts, f"chance {chance_error(rows['ours']):.3f}"])


def test_known_families_are_foretold_nearly_as_well_as_can_be() -> None:
    """At 300 sheets the excess CRPS is within 4.5 % sag, 7 % rake, 7 % tracking; a family's past is not."""
    rows, _ = reference()
    for q, bar in zip(QUANTITIES, (0.045, 0.07, 0.07), strict=True):
        assert excess(rows["ours"], q) <= bar, told(rows)
        assert excess(rows["own past"], q) > 1.4 * bar, q
        assert q == "sag" or excess(rows["ours"], q) < 1.25 * excess(rows["floor"], q), q


def test_intervals_hold_what_they_promise() -> None:
    """90 % intervals hold 87 to 93 % of the true outcomes; those of a family's own past do not."""
    rows, _ = reference()
    for q in QUANTITIES:
        assert 0.87 <= cover(rows["ours"], q) <= 0.93, told(rows)
    assert max(cover(rows["own past"], q) for q in QUANTITIES) < 0.8


def test_the_chance_of_both_targets_is_as_near_as_can_be() -> None:
    """Within a tenth of the error of one who knows the world; angles drawn apart err twice as much.

    The design's bar of 0.055 was set in other worlds; in these the floor itself is at 0.054 (six worlds).
    """
    rows, worlds = reference()
    shares = [np.average(w["ours"]["p_true"], weights=w["ours"]["weight"]) for w in worlds]
    assert all(0.15 <= share <= 0.5 for share in shares), "worlds in which the chance matters"
    assert chance_error(rows["ours"]) <= 1.1 * chance_error(rows["floor"])
    assert chance_error(rows["apart"]) > 1.9 * chance_error(rows["ours"])
    assert brier_skill(rows["ours"]) > max(0.2, brier_skill(rows["apart"]))
    assert brier_skill(rows["ours"]) > brier_skill(rows["own past"].dropna())


@pytest.mark.long
def test_more_sheets_come_nearer() -> None:
    """900 sheets over 24 families: excess within 1.8 % sag, 2.2 % rake, 2.3 % tracking."""
    seeds = SEEDS if LONG else SEEDS[:1]
    rows, _ = per_world(seeds, lambda seed: known(seed, 900, n_families=24))
    for q, bar in zip(QUANTITIES, (0.018, 0.022, 0.023), strict=True):
        assert excess(rows["ours"], q) <= bar, told(rows)


@long_only
def test_families_never_met_beat_the_past_of_their_kind() -> None:
    """CRPS at most 0.85 sag, 0.90 rake, 0.93 tracking of that past; 90 % intervals hold 86 to 96 %."""
    rows, _ = per_world(POOLED, held_out)
    for q, bar in zip(QUANTITIES, (0.85, 0.90, 0.93), strict=True):
        assert ratio(rows["ours"], rows["kind"], q) <= bar, told(rows)
        assert 0.86 <= cover(rows["ours"], q) <= 0.96, told(rows)


@long_only
def test_families_not_told_are_drawn_from_those_that_match() -> None:
    """CRPS at most 0.92 of the past of the same stylus and cantilever."""
    rows, _ = per_world(POOLED, not_told)
    for q in QUANTITIES:
        assert ratio(rows["ours"], rows["kind"], q) <= 0.92, told(rows)


@long_only
@pytest.mark.parametrize("away", AWAY)
def test_away_from_the_reference_intervals_still_hold(away: str) -> None:
    """85 to 95 % inside the 90 % intervals."""
    n, spec = AWAY[away]
    rows, _ = per_world(SEEDS, lambda seed: known(seed, n, **spec))
    for q in QUANTITIES:
        assert 0.85 <= cover(rows["ours"], q) <= 0.95, told(rows)

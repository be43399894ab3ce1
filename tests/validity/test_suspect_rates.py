"""Suspects against invented worlds of known faults: recall beside a near-oracle, false alarms, causes.

Bars are those of this project's own design.  In short form a few worlds; FLEET_LONG=1 takes six to ten
and the harder worlds too.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from suspect_yardsticks import (
    WORLDS,
    Tally,
    bench_of,
    from_scores,
    near_oracle,
    ours,
    own_residuals,
    pooled,
)
from worlds import LONG, Fleet, fleet_of, ideal, long_only, reference

from fleet.faults.likelihood_ratio import Scores, score_sheets
from fleet.faults.suspects import suspects
from fleet.house_model.loo_residuals import Residuals
from fleet.house_model.variance_function import VarianceFunction
from synthetic_data.world import Spread as WorldSpread

pytestmark = pytest.mark.validity
LARGE_SEEDS = range(1, 7) if LONG else range(1, 3)
FIRST_SEEDS = LARGE_SEEDS if LONG else range(1, 2)
SMALL_SEEDS = range(1, 11) if LONG else range(1, 5)
SOUND_SEEDS = range(1, 7) if LONG else range(1, 2)
HARDER = {
    "smaller faults": {"fault_scale": 0.6},
    "double the spread between sources": {"source_sd_scale": 2.0},
}


@cache
def large(seed: int) -> Fleet:
    """1500 sheets over 24 families, one unit in twenty faulty, a slip on one sheet in a hundred."""
    return fleet_of(ideal(seed, n_families=24), 1500)


def test_large_fleets_are_judged_nearly_as_well_as_can_be() -> None:
    """Recall at least 0.90 of the near-oracle's at 5 %, at most 8 % false alarms, 92 % of causes right."""
    mine, oracle = pooled((large(s) for s in FIRST_SEEDS), ours, near_oracle)
    assert mine.recall >= 0.90 * oracle.recall, f"{mine}; near-oracle {oracle}"
    assert mine.false_share <= 0.08, str(mine)
    assert mine.cause >= 0.92, str(mine)


@pytest.mark.long
def test_small_fleets_have_few_false_alarms() -> None:
    """300 sheets over 36 families: at most 10 % of the flags are false."""
    (mine,) = pooled((reference(s) for s in SMALL_SEEDS), ours)
    assert mine.false_share <= 0.10, str(mine)


@pytest.mark.long
def test_small_fleets_are_judged_well_too() -> None:
    """300 sheets over 36 families: recall at least 0.85 of the near-oracle's, at most 10 % false alarms."""
    mine, oracle = pooled((reference(s) for s in SMALL_SEEDS), ours, near_oracle)
    assert mine.recall >= 0.85 * oracle.recall, f"{mine}; near-oracle {oracle}"
    assert mine.false_share <= 0.10, str(mine)


@pytest.mark.long
def test_sound_fleets_have_hardly_a_suspect() -> None:
    """1500 sheets without a fault: at most two flags a fleet."""
    for seed in SOUND_SEEDS:
        sound = fleet_of(ideal(seed, n_families=24, fault_share=0.0, slip_share=0.0), 1500)
        assert ours(sound).flagged <= 2


@long_only
@pytest.mark.parametrize("world", HARDER)
def test_in_harder_worlds_false_alarms_stay_few(world: str) -> None:
    """At most 8 % of the flags."""
    fleets = (fleet_of(ideal(s, n_families=24, **HARDER[world]), 1500) for s in LARGE_SEEDS)
    (mine,) = pooled(fleets, ours)
    assert mine.false_share <= 0.08, str(mine)


@cache
def unequal(seed: int) -> Fleet:
    """The same with families whose spread differs by 0.4 of the log."""
    return bench_of("unequal families", seed)


@pytest.mark.long
def test_families_that_scatter_unequally_keep_the_promise() -> None:
    """At most 8 % false, recall 0.93 of the near-oracle's over six benches: one by one 0.85 to 1.01."""
    mine, oracle = pooled((unequal(s) for s in range(1, 7)), ours, near_oracle)
    assert mine.false_share <= 0.08, str(mine)
    assert mine.recall >= 0.93 * oracle.recall, f"{mine}; near-oracle {oracle}"


@pytest.mark.long
def test_a_year_of_doubled_noise_keeps_the_promise() -> None:
    """Every reading twice as noisy for a year: at most 8 % false, recall 0.9 of the near-oracle's."""
    mine, oracle = pooled((bench_of("a noisy year", s) for s in LARGE_SEEDS), ours, near_oracle)
    assert mine.false_share <= 0.08, str(mine)
    assert mine.recall >= 0.90 * oracle.recall, f"{mine}; near-oracle {oracle}"


@pytest.mark.long
def test_where_the_rate_is_kept_the_lists_tell_of_little_more() -> None:
    """Benches whose true share of false flags is within 8 %: on average no more is printed or expected."""
    told = [suspects(f.house, f.current).promise for s in LARGE_SEEDS for f in (large(s), unequal(s))]
    assert np.mean([p.asked if p.kept else p.expected for p in told]) <= 0.08, told
    assert np.mean([p.expected for p in told]) <= 0.08, told


@long_only
@pytest.mark.parametrize("world", WORLDS)
def test_in_every_kind_of_world_the_list_keeps_or_tells_its_rate(world: str) -> None:
    """Over six benches at most 10 % of flags are false, or within a third of what the lists say.

    Where units' tails are those of a t of four degrees of freedom too little is told (.073 where .218 were
    false, seeds 11 to 16): there the list is held to three in ten alone.
    """
    fleets = [bench_of(world, s) for s in range(1, 7)]
    (mine,) = pooled(fleets, ours)
    told = np.mean([suspects(f.house, f.current).table["list_false_share"].iloc[0] for f in fleets])
    most = 0.30 if world == "t4" else max(0.10, 4.0 / 3.0 * told)
    assert mine.false_share <= most, f"{mine}; told {told:.3f}"


def one_spread(fleet: Fleet) -> Tally:
    """All sources taken to scatter alike, sound units normally: learnt tails would take much of it up."""
    links = {}
    for name, fit in fleet.house.links.items():
        s, weight = fit.spread, fleet.current["assembly_source"].value_counts(normalize=True)
        g = sum(share * np.exp(s.factors.get(str(source), (0.0, 0.0))[0]) for source, share in weight.items())
        links[name] = replace(fit, spread=VarianceFunction(s.noise, g * s.base, g * s.growth, {}, 0.0))
    plain = replace(fleet, house=replace(fleet.house, links=links))
    return directions(plain)


@long_only
def test_one_spread_for_all_sources_is_not_honest() -> None:
    """Sources that scatter unequally (sd 0.5 of the log): with one spread for all false alarms abound."""
    unequal = WorldSpread(unit_spread_log=0.5)
    fleets = (fleet_of(ideal(s, n_families=24, spread=unequal), 1500) for s in LARGE_SEEDS)
    honest, naive = pooled(fleets, ours, one_spread)
    assert honest.false_share <= 0.08, str(honest)
    assert naive.false_share > 0.10, str(naive)
    assert naive.false_share > 3.0 * honest.false_share, f"{naive}; {honest}"


def with_normal_null(fleet: Fleet) -> tuple[Residuals, Scores]:
    """Residuals and scores as if sound units scattered normally, by known spreads."""
    resid = own_residuals(fleet)
    resid = replace(resid, doubt=np.zeros_like(resid.doubt))
    return resid, score_sheets(fleet.house, resid, tail=0.0)


def directions(fleet: Fleet) -> Tally:
    """The likelihood ratios under a normal null."""
    return from_scores(fleet, with_normal_null(fleet)[1])


def norm(fleet: Fleet) -> Tally:
    """A chi-square distance of all readings in place of the likelihood ratios, under the same null."""
    from scipy import stats

    resid, scores = with_normal_null(fleet)
    p = np.ones(len(resid.value))
    for i, value in enumerate(resid.value):
        read = np.flatnonzero(~np.isnan(value))
        cov = resid.covariance[i][np.ix_(read, read)]
        p[i] = stats.chi2.sf(value[read] @ np.linalg.solve(cov, value[read]), len(read)) if read.size else 1.0
    return from_scores(fleet, replace(scores, p_value=p))


@pytest.mark.long
def test_directions_find_more_than_distances() -> None:
    """Mahalanobis distances on the very same residuals find at least 0.05 fewer of the bad units."""
    mine, distance = pooled((large(s) for s in LARGE_SEEDS), directions, norm)
    assert mine.recall > distance.recall + 0.05, f"{mine}; {distance}"


def test_units_inside_their_own_reference_look_more_ordinary() -> None:
    """In small fleets a unit judged with itself among the teachers stands nearer to its expectation."""
    for seed in SMALL_SEEDS if LONG else SMALL_SEEDS[:1]:
        left_out, kept_in = (own_residuals(reference(seed), leave_out=out).value for out in (True, False))
        assert np.nanmean(np.abs(kept_in)) < 0.97 * np.nanmean(np.abs(left_out)), seed

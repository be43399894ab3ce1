"""Scores, p-values and fault probabilities."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from sound_units import sound_sheet
from worlds import Fleet, bench, lines

from fleet.faults.likelihood_ratio import PRIOR, FaultPrior, Scores, rank_blocks, score_sheets
from fleet.faults.signatures import FAULTS, MECHANICAL, Rough
from fleet.house_model.chain import JUDGED
from fleet.house_model.house import DEFAULT_CANT_SHARE
from fleet.house_model.loo_residuals import Residuals, residuals


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


def sound_sample(fleet: Fleet, n: int, *, seed: int, missing: float = 0.0) -> Residuals:
    """n sheets of one kind, sound by construction: residuals drawn from their own covariance."""
    one = residuals(fleet.house, sound_sheet(fleet.house, lines(fleet.world)[0]))
    rng = np.random.default_rng(seed)
    factor = np.linalg.cholesky(one.covariance[0])
    value = rng.standard_normal((n, len(JUDGED))) @ factor.T
    value[:, np.isnan(one.value[0])] = np.nan
    for link in ("zenith", "balance"):
        value[rng.random(n) < missing, JUDGED.index(link)] = np.nan
    return Residuals(
        value,
        np.repeat(one.expected, n, axis=0),
        np.repeat(one.covariance, n, axis=0),
        np.ones_like(value),
        np.zeros_like(value),
        one.observed.iloc[np.zeros(n, dtype=int)],
        {f: np.repeat(x, n) for f, x in one.seen.items()},
    )


def heavy_sample(fleet: Fleet, n: int, *, seed: int, df: float = 5.0) -> Residuals:
    """The same, whitened residuals t's with as much scatter inside 3.5 sds as normal ones."""
    sound = sound_sample(fleet, n, seed=seed)
    read = np.flatnonzero(~np.isnan(sound.value[0]))
    cov = sound.covariance[0][np.ix_(read, read)]
    t = stats.t.rvs(df, size=(n, len(read)), random_state=np.random.default_rng(seed))
    x = np.linspace(-3.5, 3.5, 20_001)
    scale = 0.9
    for _ in range(30):
        density = stats.t.pdf(x / scale, df)
        scale *= np.sqrt(stats.truncnorm(-3.5, 3.5).var() / np.average(x**2, weights=density))
    value = sound.value.copy()
    value[:, read] = scale * t @ np.linalg.cholesky(cov).T
    return replace(sound, value=value)


def test_p_values_of_sound_sheets_are_uniform(fleet: Fleet) -> None:
    """4000 sheets drawn from their own law: p ≤ x happens a share x of the time (Kolmogorov–Smirnov)."""
    p = score_sheets(fleet.house, sound_sample(fleet, 4000, seed=1), tail=0.0).p_value
    assert stats.kstest(p, "uniform").pvalue > 0.01
    assert np.mean(p <= 0.01) == pytest.approx(0.01, abs=3.0 * np.sqrt(0.01 * 0.99 / 4000))


def test_p_values_stay_uniform_with_readings_missing(fleet: Fleet) -> None:
    """Two readings not taken on a third of the sheets each: every pattern has its own null."""
    p = score_sheets(fleet.house, sound_sample(fleet, 3000, seed=2, missing=0.33), tail=0.0).p_value
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_a_wrong_scale_is_seen_by_the_test(fleet: Fleet) -> None:
    """Residuals a quarter wider than the covariance: the same test rejects plainly."""
    wide = sound_sample(fleet, 2000, seed=3)
    p = score_sheets(fleet.house, replace(wide, value=1.25 * wide.value), tail=0.0).p_value
    assert stats.kstest(p, "uniform").pvalue < 1e-6


@pytest.mark.long
def test_sound_sheets_of_heavy_tails_are_not_taken_for_odd(fleet: Fleet) -> None:
    """Residuals that are t's of 5: normal nulls call far too many odd, learnt tails do not."""
    heavy = heavy_sample(fleet, 4000, seed=3)
    normal, learnt = (score_sheets(fleet.house, heavy, tail=tail) for tail in (0.0, None))
    assert learnt.tails[0][read_of(heavy)] == pytest.approx(0.2, abs=0.07)
    assert np.mean(normal.p_value <= 1e-3) > 6e-3
    assert np.mean(learnt.p_value <= 1e-3) < 2e-3
    assert stats.kstest(learnt.p_value, "uniform").statistic < 0.04


def test_readings_not_taken_tell_nothing_of_tails(fleet: Fleet) -> None:
    """No sheet, or none that reads anything: tails stay normal."""
    blank = sound_sample(fleet, 5, seed=4)
    tail, skew = score_sheets(fleet.house, replace(blank, value=np.full_like(blank.value, np.nan))).tails
    assert not tail.any()
    assert not skew.any()


def read_of(resid: Residuals) -> np.ndarray:
    """Which links were read."""
    return ~np.isnan(resid.value).all(axis=0)


@pytest.mark.long
def test_a_skewed_reading_is_learnt_and_not_taken_for_odd(fleet: Fleet) -> None:
    """A zenith that scatters as a gamma of skewness 1.4: flagged far less often than by a symmetric null."""
    skewed = sound_sample(fleet, 3000, seed=12)
    zenith = JUDGED.index("zenith")
    drawn = np.random.default_rng(12).gamma(2.0, 1.0, 3000)
    sd = np.sqrt(skewed.covariance[0, zenith, zenith])
    skewed.value[:, zenith] = 0.93 * sd * (drawn - 1.95) / np.sqrt(2.0)
    normal, learnt = (score_sheets(fleet.house, skewed, tail=tail) for tail in (0.0, None))
    others = np.delete(learnt.tails[1], zenith)
    assert learnt.tails[1][zenith] > 0.3 > np.abs(others).max()
    assert np.mean(learnt.p_value <= 1e-3) < 0.5 * np.mean(normal.p_value <= 1e-3)


def test_no_p_value_beyond_the_simulation_is_zero(fleet: Fleet) -> None:
    """Beyond the largest simulated score Markov's bound takes over: small, ordered, never 0."""
    base = sound_sample(fleet, 3, seed=5)
    value = np.where(np.isnan(base.value), np.nan, 0.0)
    value[:, JUDGED.index("zenith")] = [8.0, 12.0, 20.0]
    scores = score_sheets(fleet.house, replace(base, value=value), tail=0.0)
    assert (np.diff(scores.p_value) < 0.0).all()
    assert (scores.p_value > 0.0).all()
    assert scores.p_value[2] <= np.exp(-scores.score[2])


def test_probabilities_are_bayes_rule(fleet: Fleet) -> None:
    """Healthy and faults sum to one; odds of two faults are prior odds times the ratios' odds."""
    scores = score_sheets(fleet.house, sound_sample(fleet, 200, seed=6), tail=0.0)
    assert scores.healthy + scores.faults.sum(axis=1) == pytest.approx(np.ones(200))
    shares = dict(PRIOR)
    shares["stylus_twisted"] *= 3.0
    more = score_sheets(fleet.house, sound_sample(fleet, 200, seed=6), prior=FaultPrior(shares), tail=0.0)
    i, j = FAULTS.index("stylus_twisted"), FAULTS.index("weak_channel")
    before, after = (s.faults[:, i] / s.faults[:, j] for s in (scores, more))
    assert after == pytest.approx(3.0 * before)


def test_the_prior_leaves_most_units_sound() -> None:
    """Shares of faults and the sound rest sum to one; weights are shares among the faulty."""
    prior = FaultPrior()
    assert prior.healthy + sum(prior.shares.values()) == pytest.approx(1.0)
    assert prior.healthy > 0.9
    assert prior.weights.sum() == pytest.approx(1.0)
    assert FaultPrior({"misread": 0.1}).weights[FAULTS.index("misread")] == 1.0


def test_nothing_read_is_nothing_known(fleet: Fleet) -> None:
    """No score, p = 1, probabilities as the prior has them."""
    blank = sound_sample(fleet, 2, seed=7)
    blank.value[0] = np.nan
    scores = score_sheets(fleet.house, blank, tail=0.0)
    assert np.isnan(scores.score[0])
    assert scores.p_value[0] == 1.0
    assert scores.healthy[0] == pytest.approx(FaultPrior().healthy)
    assert scores.faults[0] == pytest.approx([PRIOR[f] for f in FAULTS])


def test_the_seed_alone_moves_p_values(fleet: Fleet) -> None:
    """The score needs no chance; p-values of one seed agree to the bit, of another nearly."""
    sample = sound_sample(fleet, 300, seed=8)
    one, same, other = (score_sheets(fleet.house, sample, seed=s, tail=0.0) for s in (7, 7, 8))
    assert np.array_equal(one.score, other.score)
    assert np.array_equal(one.p_value, same.p_value)
    assert np.abs(one.p_value - other.p_value).max() < 0.01


@pytest.mark.long
def mixed_sample(fleet: Fleet) -> Residuals:
    """Sound sheets with heavy tails, some readings missing, and one in ten a twisted or badly set stylus."""
    base = heavy_sample(fleet, 3000, seed=8)
    value = base.value.copy()
    value[::4, JUDGED.index("balance")] = np.nan
    value[::20, JUDGED.index("zenith")] += 6.0
    value[1::20, JUDGED.index("built_in")] -= 6.0
    return replace(base, value=value)


@pytest.mark.parametrize("off", [0.0, -2.0])
def test_far_p_values_are_the_same_where_only_these_are_asked_for(
    fleet: Fleet, off: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In two patterns of readings; the others stay at 1, and rough scores that are off have all reckoned."""
    sample, told = mixed_sample(fleet), 0.08
    number = np.arange(len(sample.value))
    whole = rank_blocks(fleet.house, sample.take, len(number), bulk=number, draws=20)
    rough = Rough.score
    monkeypatch.setattr(
        Rough, "score", lambda *a: rough(*a) + np.float32(off) * (number[: len(a[1])] % 3 == 0)
    )
    some = rank_blocks(
        fleet.house, sample.take, len(number), bulk=number, draws=20, told=told, briefly=sample.take
    )
    far = whole.p_value <= told
    assert 0.1 < far.mean() < 0.25
    assert some.p_value[far] == pytest.approx(whole.p_value[far], rel=1e-12)
    assert (some.p_value[~far] > told).all()
    assert np.mean(some.p_value == whole.p_value) > 0.99 if off else np.mean(some.p_value == 1.0) > 0.5
    assert some.weigh(number[:50]).score == pytest.approx(whole.weigh(number[:50]).score, rel=1e-12)


def test_sheets_are_scored_alike_in_any_order(fleet: Fleet) -> None:
    """Score and fault probabilities belong to the sheet, not to its place."""
    sample = sound_sample(fleet, 150, seed=9, missing=0.1)
    turned = replace(
        sample, value=sample.value[::-1], expected=sample.expected[::-1], covariance=sample.covariance[::-1]
    )
    a, b = (score_sheets(fleet.house, s, null_draws=4, tail=0.0) for s in (sample, turned))
    assert a.score[::-1] == pytest.approx(b.score, rel=1e-12)
    assert a.faults[::-1] == pytest.approx(b.faults, rel=1e-12)


def test_how_far_a_cant_moves_the_electrical_azimuth_is_learnt(fleet: Fleet) -> None:
    """Near the world's own share; the default where one of the two azimuths was never read."""
    truth = fleet.world.catalogue.cant_to_electrical
    assert fleet.house.cant_share == pytest.approx(truth, abs=0.2)
    j, k = JUDGED.index("azimuth_seen"), JUDGED.index("azimuth_electrical")
    among = fleet.house.correlation.copy()
    among[j, k] = among[k, j] = 0.4
    seen, electrical = (fleet.house.links[JUDGED[i]].spread for i in (j, k))
    sd = [np.sqrt(s.noise + s.base + s.growth) for s in (seen, electrical)]
    share = 0.4 * sd[0] * sd[1] / (sd[0] ** 2 - fleet.house.noise["azimuth_optical_deg"] ** 2)
    assert replace(fleet.house, correlation=among).cant_share == pytest.approx(share)
    links = {k: v for k, v in fleet.house.links.items() if k != "azimuth_seen"}
    assert replace(fleet.house, links=links).cant_share == DEFAULT_CANT_SHARE


def leading(scores: Scores) -> list[str]:
    return [FAULTS[k] for k in scores.faults.argmax(axis=1)]


def test_the_leading_fault_follows_the_direction(fleet: Fleet) -> None:
    """A plain fault along each simple direction is named, and the unit hardly called sound."""
    base = sound_sample(fleet, 5, seed=10)
    value = np.where(np.isnan(base.value), np.nan, 0.0)
    wanted = {"rake_set_wrong": ("built_in", 6.0), "stylus_twisted": ("zenith", 6.5), "generator_rolled":
              ("azimuth_electrical", 4.0), "weak_channel": ("balance", 3.0)}  # fmt: skip
    for i, (link, size) in enumerate(wanted.values()):
        value[i, JUDGED.index(link)] = size
    value[4, [JUDGED.index("azimuth_seen"), JUDGED.index("azimuth_electrical")]] = 4.0
    scores = score_sheets(fleet.house, replace(base, value=value), tail=0.0)
    assert leading(scores) == [*wanted, "assembly_rolled"]
    assert (scores.healthy < 0.05).all()
    assert (scores.p_value < 1e-4).all()
    assert set(wanted) < set(MECHANICAL)


def test_no_reading_makes_a_certainty(fleet: Fleet) -> None:
    """Far off underflows a double; the unit still isn't faulty beyond doubt, nor any fault ruled out."""
    base = sound_sample(fleet, 1, seed=11)
    value = np.where(np.isnan(base.value), np.nan, 0.0)
    value[0, JUDGED.index("zenith")] = 60.0
    scores = score_sheets(fleet.house, replace(base, value=value), tail=0.0)
    assert 0.0 < scores.healthy[0] < 1e-6
    assert ((scores.faults > 0.0) & (scores.faults < 1.0)).all()


def test_one_unit_in_twenty_is_taken_to_be_faulty() -> None:
    """The documented shares: a mechanical fault in one unit of twenty, a slip on one sheet in a hundred.

    Two units in a thousand are off in a way that no fault of the list is (common practice, no source).
    """
    assert sum(PRIOR[fault] for fault in MECHANICAL) == pytest.approx(0.05, rel=0.02)
    assert (PRIOR["misread"], PRIOR["other"]) == (0.01, 0.002)

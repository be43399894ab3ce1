"""Fault signatures: directions from the mechanics, ratios in closed form against numeric integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from fleet.faults.signatures import (
    BALANCE,
    BUILT_IN,
    ELECTRICAL,
    FAULTS,
    MECHANICAL,
    RAKE,
    SAG,
    SEEN,
    SIZES,
    TRACKING,
    ZENITH,
    Signature,
    Whitened,
    log_average,
    log_bumps,
    signatures,
)
from fleet.house_model.chain import JUDGED, TYPICAL_DRAG_RATIO
from fleet.physics import sag as mechanics
from fleet.statistics.solves import forward

EXPECTED = np.array([[25.0, 67.0, 0.8, 0.1, 0.0, 0.1, 0.0, 92.0]])
ALL = np.arange(len(JUDGED))


def sound_covariance(seed: int = 1) -> np.ndarray:
    """A covariance of eight residuals, none of them independent."""
    a = np.random.default_rng(seed).normal(size=(8, 8))
    return 0.15 * a @ a.T + np.diag([1.5, 1.0, 0.06, 1.2, 0.4, 0.4, 0.13, 1.8])


def whitened_of(items: list[Signature], cov: np.ndarray, read: np.ndarray = ALL) -> Whitened:
    return Whitened.of(items, read, np.linalg.cholesky(cov[np.ix_(read, read)])[None])


def named(fault: str) -> list[Signature]:
    return [s for s in signatures(EXPECTED, 0.35) if s.fault == fault]


def direction(item: Signature) -> np.ndarray:
    return np.broadcast_to(item.vector, (1, 8))[0]


def test_every_fault_has_a_signature_but_other() -> None:
    """All the contract's faults are there; `other` is a wider cloud, no direction."""
    assert {s.fault for s in signatures(EXPECTED, 0.35)} == {*MECHANICAL, "misread"}
    assert list(FAULTS) == [*MECHANICAL, "misread", "other"]


def test_geometric_faults_move_what_they_should() -> None:
    """Rake, twist, rolls, weak channel: each its own links, and a rolled assembly two alike."""
    one = np.eye(len(JUDGED))
    for fault, vector in (
        ("rake_set_wrong", one[BUILT_IN] + one[RAKE]),
        ("stylus_twisted", one[ZENITH]),
        ("generator_rolled", one[ELECTRICAL]),
        ("assembly_rolled", one[SEEN] + one[ELECTRICAL]),
        ("weak_channel", one[BALANCE]),
    ):
        (item,) = named(fault)
        assert np.array_equal(direction(item), vector), fault
        assert item.both
    shares = [direction(s)[ELECTRICAL] for s in named("stylus_canted")]
    assert shares == pytest.approx([0.6 * 0.35, 0.35, 1.4 * 0.35])
    assert all(direction(s)[SEEN] == 1.0 for s in named("stylus_canted"))


def test_a_fault_is_as_large_as_workshops_see_it() -> None:
    """Middles and spreads of sizes in degrees (common practice, no source): each moves every chance told."""
    roll = ((2.2, 0.6), (3.5, 0.8), (5.0, 1.2))
    sizes = {
        "rake_set_wrong": ((3.0, 0.8), (5.0, 1.2), (7.5, 1.5)),
        "stylus_twisted": ((3.5, 0.9), (5.5, 1.2), (8.0, 1.5)),
        "stylus_canted": roll,
        "generator_rolled": roll,
        "assembly_rolled": roll,
        "cantilever_angle": ((4.0, 0.8), (5.5, 1.0), (7.5, 1.5)),
        "weak_channel": ((1.5, 0.4), (2.6, 0.6), (4.0, 1.0)),
    }
    assert sizes == SIZES


def test_a_steeper_cantilever_sags_more_by_the_scales_slope() -> None:
    """d(sag)/d(angle) is that of S = tan θ / cos θ (numeric derivative of the mechanics)."""
    (item,) = named("cantilever_angle")
    h = 1e-4
    scale = [float(mechanics.sag_scale_deg(18.0, 14.0, 5.5, 25.0 + x)) for x in (-h, 0.0, h)]
    slope = 0.8 * (scale[2] - scale[0]) / (2.0 * h) / scale[1]
    assert direction(item)[TRACKING] == 1.0
    assert direction(item)[SAG] == pytest.approx(slope, rel=1e-6)


def test_a_soft_suspension_follows_the_equilibrium() -> None:
    """Softer, the cantilever sinks by degrees; tracking and sag move as `mechanics.soften` has it."""
    deflection = 0.8 / (TYPICAL_DRAG_RATIO * np.tan(np.radians(25.0)))
    vectors = [direction(s) for s in named("suspension_soft")]
    softness = {"suspension_soft": (1.4, 1.8, 2.3, 3.0), "suspension_stiff": (0.18, 0.27, 0.38, 0.55)}
    for fault, times in softness.items():
        for item, k in zip(named(fault), times, strict=True):
            still, sag = mechanics.soften(np.array([25.0]), np.array([0.8]), np.array([deflection]), k)
            assert direction(item)[TRACKING] == pytest.approx(still[0] - 25.0)
            assert direction(item)[SAG] == pytest.approx(sag[0] - 0.8)
    assert all(v[TRACKING] < -1.0 for v in vectors)
    stiff = [direction(s) for s in named("suspension_stiff")]
    assert all(v[TRACKING] > 0.8 and v[SAG] < -0.2 for v in stiff)
    assert not any(s.both for s in named("suspension_soft") + named("suspension_stiff"))


def test_one_wrong_reading_moves_all_residuals_that_use_it() -> None:
    """A misread rake or tracking angle moves the responses by their own arithmetic."""

    def responses(static: float, dynamic: float, vta: float) -> np.ndarray:
        return np.array([vta + static - dynamic, dynamic - vta, static - dynamic])

    base = responses(92.0, 91.2, 24.0)
    moved = {
        "sra_static_deg": responses(93.0, 91.2, 24.0) - base,
        "sra_dynamic_deg": responses(92.0, 92.2, 24.0) - base,
        "vta_dynamic_deg": responses(92.0, 91.2, 25.0) - base,
    }
    for column, change in moved.items():
        found = [s for s in named("misread") if s.column == column and s.undo is None]
        found = [s for s in found if s.given.get(SAG, True)]
        assert len(found) == 1
        assert direction(found[0])[[TRACKING, BUILT_IN, SAG]] == pytest.approx(change), column


def test_slips_come_as_often_as_is_taken_for_granted() -> None:
    """Rakes swapped twice as often as one reading misread, a sign lost half, far off a quarter as often.

    Common practice, no source.
    """
    swapped = [s.weight for s in named("misread") if s.undo == SAG]
    signs = {s.weight for s in named("misread") if s.undo not in (None, SAG)}
    others = {s.weight for s in named("misread") if s.undo is None}
    assert (swapped, signs, others) == ([2.0], {0.5}, {0.25, 1.0})


def test_a_reading_not_taken_is_not_misread() -> None:
    """Without both rakes the one that was read moves the built-in angle alone, or the rake by itself."""

    def columns(read: list[int]) -> set[str]:
        found = whitened_of(named("misread"), sound_covariance(), np.array(read)).items
        return {s.column for s in found}

    assert columns([TRACKING, SEEN]) == {"vta_dynamic_deg", "azimuth_optical_deg"}
    assert columns([TRACKING, BUILT_IN]) == {"vta_dynamic_deg", "sra_dynamic_deg"}
    assert columns([RAKE]) == {"sra_dynamic_deg"}
    assert columns([RAKE, SAG]) == {"sra_static_deg", "sra_dynamic_deg"}
    assert columns([SAG]) == {"sra_static_deg", "sra_dynamic_deg"}
    assert columns([BALANCE]) == {"channel_balance_db"}


def test_undoing_a_swap_puts_every_reading_right() -> None:
    """The read (negative) sag along the swap's direction gives the responses of exchanged readings."""

    def responses(static: float, dynamic: float, vta: float) -> np.ndarray:
        return np.array([vta + static - dynamic, dynamic - vta, static - dynamic, 0.0, 0.0, 0.0, 0.0, static])

    written, right = responses(91.2, 92.0, 24.0), responses(92.0, 91.2, 24.0)
    (item,) = [s for s in named("misread") if s.undo == SAG]
    assert written + written[SAG] * direction(item) == pytest.approx(right)


@pytest.mark.parametrize(("mu", "tau"), [(3.0, 0.8), (-5.0, 1.2), (0.5, 2.5)])
def test_the_bump_ratio_is_its_integral(mu: float, tau: float) -> None:
    """Closed form against ∫ N(r; c d, Σ)/N(r; 0, Σ) N(c; mu, tau²) dc, to 1e-8 in the log."""
    rng = np.random.default_rng(2)
    cov, d = sound_covariance(), rng.normal(size=8)
    for _ in range(3):
        r = 2.0 * rng.normal(size=8)
        inverse = np.linalg.inv(cov)
        a, b = float(d @ inverse @ r), float(d @ inverse @ d)

        def integrand(c: float, a: float = a, b: float = b) -> float:
            return float(np.exp(c * a - 0.5 * c**2 * b) * stats.norm.pdf(c, mu, tau))

        want, _ = integrate.quad(integrand, mu - 12 * tau, mu + 12 * tau, epsabs=0.0, epsrel=1e-11, limit=400)
        found = log_bumps(np.array(a), np.array(b), ((mu, tau),), both=False)
        assert found == pytest.approx(np.log(want), abs=1e-8)


def test_the_ratio_is_that_of_two_densities() -> None:
    """A whitened signature's ratio equals the log density with the fault less the one without."""
    rng = np.random.default_rng(3)
    cov, r = sound_covariance(), rng.normal(size=8)
    item = Signature("rake_set_wrong", np.eye(len(JUDGED))[BUILT_IN], ((5.0, 1.2),), both=False)
    white_of = whitened_of([item], cov)
    white = forward(white_of.factor, r[None])
    _, each = white_of.ratios(white, EXPECTED + r)
    d = np.eye(len(JUDGED))[BUILT_IN]
    faulty = stats.multivariate_normal(5.0 * d, cov + 1.44 * np.outer(d, d))
    assert each[0, 0] == pytest.approx(
        faulty.logpdf(r) - stats.multivariate_normal(np.zeros(8), cov).logpdf(r)
    )


def test_the_ratio_of_an_undone_slip_is_that_of_two_readings() -> None:
    """Sign of the zenith flipped back: density of the residuals put right over those as written."""
    cov = sound_covariance()
    r = np.array([0.1, 0.0, 0.02, -5.0, 0.1, 0.2, 0.0, 0.1])
    readings = EXPECTED + r
    (item,) = [s for s in named("misread") if s.undo == ZENITH]
    white_of = whitened_of([item], cov)
    _, each = white_of.ratios(forward(white_of.factor, r[None]), readings)
    right = r.copy()
    right[ZENITH] = -readings[0, ZENITH] - EXPECTED[0, ZENITH]
    law = stats.multivariate_normal(np.zeros(8), cov)
    assert each[0, 0] == pytest.approx(law.logpdf(right) - law.logpdf(r))


def test_a_small_reading_has_no_wrong_sign() -> None:
    """Below a degree of zenith either sign says nearly the same, so a flip explains nothing."""
    item = [s for s in named("misread") if s.undo == ZENITH]
    white_of = whitened_of(item, sound_covariance())
    readings = EXPECTED.copy()
    readings[0, ZENITH] = 0.9
    _, each = white_of.ratios(np.zeros((1, 8)), readings)
    assert np.isneginf(each[0, 0])
    for limit in (1.0, -1.0, 1.0 - 1e-14, -1.0 + 1e-14):
        readings[0, ZENITH] = limit
        _, each = white_of.ratios(np.zeros((1, 8)), readings)
        assert np.isfinite(each[0, 0])


def test_a_missing_reading_is_marginalised() -> None:
    """The ratio on the readings there are equals the one whose missing reading is integrated out."""
    cov = sound_covariance()
    read = np.array([0, 1, 2, 4, 5])
    r = np.array([0.5, 4.0, 0.1, 0.2, -0.3])
    item = named("rake_set_wrong")
    white_of = whitened_of(item, cov, read)
    found, _ = white_of.ratios(forward(white_of.factor, r[None]), EXPECTED)
    healthy = stats.multivariate_normal(np.zeros(5), cov[np.ix_(read, read)]).logpdf(r)
    d = np.eye(len(JUDGED))[BUILT_IN][read]
    terms = [
        stats.multivariate_normal(s * mu * d, cov[np.ix_(read, read)] + tau**2 * np.outer(d, d)).logpdf(r)
        for mu, tau in item[0].bumps
        for s in (1.0, -1.0)
    ]
    want = np.log(np.mean(np.exp(terms))) - healthy
    assert found[0, FAULTS.index("rake_set_wrong")] == pytest.approx(want)


def test_a_fault_that_nothing_read_can_show_is_impossible() -> None:
    """With only tracking, built-in and sag read a twist has no ratio; other faults keep theirs."""
    read = np.array([TRACKING, BUILT_IN, SAG])
    white_of = whitened_of(signatures(EXPECTED, 0.35), sound_covariance(), read)
    found, _ = white_of.ratios(np.zeros((1, 3)), EXPECTED)
    shown = {f for f, x in zip(FAULTS, found[0], strict=True) if np.isfinite(x)}
    hidden = {"stylus_twisted", "stylus_canted", "generator_rolled", "assembly_rolled", "weak_channel"}
    assert shown == set(FAULTS) - hidden


def test_heavy_tails_weigh_on_the_faults_that_explain_the_reading() -> None:
    """Sound units denser at a far balance by e: faults of the balance lose 1, a twisted stylus nothing."""
    white_of = whitened_of(signatures(EXPECTED, 0.35), np.eye(8))
    r = np.where(np.arange(8) == BALANCE, 3.0, 0.5)[None]
    plain, heavy = (white_of.ratios(r, EXPECTED + r, x)[0][0] for x in (0.0, np.eye(8)[[BALANCE]]))
    lost = dict(zip(FAULTS, plain - heavy, strict=True))
    assert lost["weak_channel"] == pytest.approx(1.0)
    assert lost["other"] == pytest.approx(1.0)
    assert lost["stylus_twisted"] == pytest.approx(0.0)
    assert 0.0 <= lost["misread"] < 1.0


def test_sizes_drawn_are_those_of_the_bumps() -> None:
    """Mean size and sense of many draws; a slip that is undone has the reading's own size."""
    rng = np.random.default_rng(4)
    (twisted,) = named("stylus_twisted")
    size = twisted.draw(rng, np.zeros((40_000, 8)))
    assert np.abs(size).mean() == pytest.approx(np.mean([m for m, _ in twisted.bumps]), rel=0.02)
    assert (size > 0.0).mean() == pytest.approx(0.5, abs=0.02)
    (flipped,) = [s for s in named("misread") if s.undo == ZENITH]
    assert flipped.draw(rng, EXPECTED) == pytest.approx(EXPECTED[:, ZENITH])


@pytest.mark.parametrize(
    ("fault", "sizes"),
    [
        ("rake_set_wrong", {(3.0 + 5.0 + 7.5) / 3}),
        ("stylus_twisted", {(3.5 + 5.5 + 8.0) / 3}),
        ("stylus_canted", {(2.2 + 3.5 + 5.0) / 3}),
        ("generator_rolled", {(2.2 + 3.5 + 5.0) / 3}),
        ("assembly_rolled", {(2.2 + 3.5 + 5.0) / 3}),
        ("cantilever_angle", {(4.0 + 5.5 + 7.5) / 3}),
        ("weak_channel", {(1.5 + 2.6 + 4.0) / 3}),
        ("suspension_soft", {1.0}),
        ("suspension_stiff", {1.0}),
        ("misread", {(4.0 + 9.0 + 18.0) / 3, 14.0}),
    ],
)
def test_faults_are_drawn_in_the_sizes_of_common_practice(fault: str, sizes: set[float]) -> None:
    """Mean size, from only just a fault to a plain one, in degrees or dB (common practice, no source).

    A suspension's signature is drawn at its own size; a reading goes wrong by some units, nine, or tens.
    """
    rng, sound = np.random.default_rng(5), np.zeros((20_000, 8))
    found = [np.abs(item.draw(rng, sound)).mean() for item in named(fault) if item.undo is None]
    for size in sizes:
        assert any(mean == pytest.approx(size, rel=0.02) for mean in found), (size, found)
    for mean in found:
        assert any(mean == pytest.approx(size, rel=0.02) for size in sizes), (mean, sizes)


def test_other_is_a_cloud_three_times_as_wide() -> None:
    """Its ratio is that of N(0, 9Σ) over N(0, Σ)."""
    cov, r = sound_covariance(), np.full(8, 0.7)
    white_of = whitened_of(signatures(EXPECTED, 0.35), cov)
    found, _ = white_of.ratios(forward(white_of.factor, r[None]), EXPECTED + r)
    wide = stats.multivariate_normal(np.zeros(8), 9.0 * cov)
    want = wide.logpdf(r) - stats.multivariate_normal(np.zeros(8), cov).logpdf(r)
    assert found[0, -1] == pytest.approx(want)


def test_ratios_of_sound_units_average_to_one() -> None:
    """E[ratio] = 1 under the sound law, for every bumped signature of moderate size (simulated)."""
    rng = np.random.default_rng(4)
    n = 200_000
    item = Signature("weak_channel", np.eye(len(JUDGED))[BALANCE], ((0.5, 0.2),))
    white_of = whitened_of([item], sound_covariance())
    _, each = white_of.ratios(rng.standard_normal((n, 1, 8)), EXPECTED)
    ratio = np.exp(each[0, :, 0])
    assert ratio.mean() == pytest.approx(1.0, abs=4.0 * ratio.std() / np.sqrt(n))


def test_forward_solves_lower_triangles() -> None:
    """L x = v for each of many."""
    rng = np.random.default_rng(5)
    factor = np.tril(rng.normal(size=(6, 4, 4))) + 3.0 * np.eye(4)
    v = rng.normal(size=(6, 4))
    assert np.einsum("mij,mj->mi", factor, forward(factor, v)) == pytest.approx(v)


def test_log_average_weighs_and_survives_impossible_terms() -> None:
    """The weighted mean of ratios in logs; one impossible term counts as zero, all impossible as never."""
    got = log_average(np.array([[0.0, -np.inf], [np.log(3.0), -np.inf]]), np.array([1.0, 3.0]))
    assert got[0] == pytest.approx(np.log(2.5))
    assert np.isneginf(got[1])

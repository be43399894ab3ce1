"""The invented units obey the physics and carry the faults that they are said to carry."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.physics.sag import equilibrium_deg
from synthetic_data.balance import free_from_still_deg, settled_deg, stiffness_un_m
from synthetic_data.catalogue import Catalogue, draw_catalogue
from synthetic_data.readings import crosstalk
from synthetic_data.spec import FAULT_SIZES, FAULTS, TIDY, WorldSpec
from synthetic_data.units import Stand, Units, draw_faults, draw_units, stand

SPEC = WorldSpec(seed=11, **TIDY)
N = 4000


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return draw_catalogue(SPEC)


def _pair(catalogue: Catalogue, fault: str, spec: WorldSpec = SPEC) -> tuple[Units, Stand, Units, Stand]:
    """The same units twice, healthy and with the fault: the random numbers behind them are the same."""
    line = np.random.default_rng(5).choice(len(catalogue.share), N, p=catalogue.share)
    made = []
    for code in (0, FAULTS.index(fault) + 1):
        units = draw_units(np.random.default_rng(6), spec, catalogue, line, np.full(N, code))
        made += [units, stand(spec, catalogue, units, np.full(N, 22.0))]
    healthy, upright, faulty, crooked = made
    return healthy, upright, faulty, crooked  # type: ignore[return-value]


def test_moments_balance_at_both_angles(catalogue: Catalogue) -> None:
    """k (d + h d^3) equals N L (cos + mu sin) still and turning, written out here afresh (derived)."""
    line = np.random.default_rng(1).choice(len(catalogue.share), N, p=catalogue.share)
    units = draw_units(np.random.default_rng(2), SPEC, catalogue, line, np.zeros(N, dtype=int))
    upright = stand(SPEC, catalogue, units, np.full(N, 25.0))
    k = catalogue.stiffness_un_m[line] / (units.softness * np.exp(SPEC.softening_per_k * 3.0))
    free = np.radians(units.free_angle_deg - SPEC.creep_deg_per_1000_h * units.hours_used / 1000.0)
    force_length = catalogue.figures("vtf_mn")[line] * catalogue.figures("cantilever_length_mm")[line]
    for angle, mu in ((upright.vta_static_deg, 0.0), (upright.vta_dynamic_deg, units.drag_ratio)):
        t = np.radians(angle)
        d = free - t
        spring = k * (d + SPEC.hardening * d**3)
        groove = force_length * (np.cos(t) + mu * np.sin(t))
        assert np.max(np.abs(spring / groove - 1.0)) < 1e-10


def test_rake_and_tracking_fall_by_the_same_sag(catalogue: Catalogue) -> None:
    """Sag is positive, takes the same off SRA and VTA, and SRA minus VTA is the built-in angle."""
    _, upright, _, _ = _pair(catalogue, "weak_channel")
    assert (upright.sag_deg > 0).all()
    assert np.allclose(upright.sra_static_deg - upright.sra_dynamic_deg, upright.sag_deg, atol=1e-9)
    assert np.allclose(upright.vta_static_deg - upright.vta_dynamic_deg, upright.sag_deg, atol=1e-9)


@pytest.mark.parametrize("hardening", [0.0, 3.0])
def test_free_angle_gives_the_still_angle_back(hardening: float) -> None:
    """The closed-form free angle puts spring and load in balance at the still angle asked for."""
    still, k = np.array([18.0, 25.0, 30.0]), np.array([7000.0, 1500.0, 700.0])
    force, length = np.array([15.0, 18.0, 22.0]), np.array([8.0, 6.0, 5.0])
    d = np.radians(free_from_still_deg(still, force, length, k, hardening) - still)
    assert np.allclose(k * (d + hardening * d**3), force * length * np.cos(np.radians(still)), rtol=1e-12)


@pytest.mark.parametrize("hardening", [0.0, 3.0])
def test_two_solvers_of_the_balance_agree(hardening: float) -> None:
    """Halving here and the product's own steps give the same angle to 1e-9 degrees, still and turning.

    20,000 random pickups over the ranges of real ones and beyond: 10 to 40 mN, 5 to 60 um/mN, 3 to 9 mm,
    10 to 35 degrees, drag 0 to 0.6 (ranges assumed). The balance itself is derived; the test of moments
    writes it out afresh.
    """
    rng = np.random.default_rng(20)
    lows, highs = np.array([10.0, 5.0, 3.0, 10.0, 0.0]), np.array([40.0, 60.0, 9.0, 35.0, 0.6])
    force, compliance, length, still, drag = rng.uniform(lows, highs, (20_000, 5)).T
    k = stiffness_un_m(compliance, length, still)
    real = force * length / k < 0.6  # softer than that, no suspension carries its load
    assert real.mean() > 0.9
    force, length, still, drag, k = (x[real] for x in (force, length, still, drag, k))
    free = free_from_still_deg(still, force, length, k, hardening)
    ours = [settled_deg(free, k, force, length, mu, hardening) for mu in (0.0, drag)]
    theirs = [equilibrium_deg(free, k, force, length, mu, hardening) for mu in (0.0, drag)]
    np.testing.assert_allclose(ours[0], still, rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)
    assert np.ptp(ours[0] - ours[1]) > 3.0  # the pickups do sag, and differently


def test_mean_unit_of_a_line_stands_at_the_lines_mean(catalogue: Catalogue) -> None:
    """Units without spread, wear or warmth stand at the tracking and built-in means of their line."""
    line = np.arange(len(catalogue.share))
    n = len(line)
    units = draw_units(np.random.default_rng(3), SPEC, catalogue, line, np.zeros(n, dtype=int)).with_values(
        free_angle_deg=catalogue.free_angle_deg, softness=np.ones(n), hours_used=np.zeros(n)
    )
    upright = stand(SPEC, catalogue, units, np.full(n, 22.0))
    assert np.allclose(upright.vta_static_deg, catalogue.figures("tracking_mean_deg"), atol=1e-8)


def test_angle_faults_move_what_they_name_and_nothing_else(catalogue: Catalogue) -> None:
    """Each angle fault shifts its own quantity by a size in its range and leaves the others as they were."""
    moved = {
        "rake_set_wrong": "built_in_deg",
        "stylus_twisted": "zenith_deg",
        "generator_rolled": "azimuth_electrical_deg",
        "weak_channel": "channel_balance_db",
    }
    for fault, own in moved.items():
        healthy, upright, faulty, crooked = _pair(catalogue, fault)
        low, high = FAULT_SIZES[fault]
        shift = getattr(faulty, own) - getattr(healthy, own)
        assert (np.abs(shift) >= low - 1e-9).all()
        assert (np.abs(shift) <= high + 1e-9).all()
        assert 0.45 < (shift > 0).mean() < 0.55
        for other in set(moved.values()) - {own} | {"azimuth_optical_deg", "softness"}:
            assert np.array_equal(getattr(faulty, other), getattr(healthy, other)), (fault, other)
        assert np.array_equal(upright.vta_dynamic_deg, crooked.vta_dynamic_deg)


def test_canted_stylus_moves_the_electrical_azimuth_in_part(catalogue: Catalogue) -> None:
    """A cant shows fully in the optical azimuth and by the world's constant in the electrical one."""
    healthy, _, faulty, _ = _pair(catalogue, "stylus_canted")
    seen = faulty.azimuth_optical_deg - healthy.azimuth_optical_deg
    electrical = faulty.azimuth_electrical_deg - healthy.azimuth_electrical_deg
    assert np.abs(seen).min() >= 2.2
    assert np.allclose(electrical, catalogue.cant_to_electrical * seen)
    assert SPEC.cant_to_electrical[0] <= catalogue.cant_to_electrical <= SPEC.cant_to_electrical[1]


def test_rolled_assembly_moves_both_azimuths_fully(catalogue: Catalogue) -> None:
    """A rolled assembly shifts optical and electrical azimuth alike, in the same sense."""
    healthy, _, faulty, _ = _pair(catalogue, "assembly_rolled")
    seen = faulty.azimuth_optical_deg - healthy.azimuth_optical_deg
    assert np.allclose(seen, faulty.azimuth_electrical_deg - healthy.azimuth_electrical_deg)
    assert np.abs(seen).min() >= 2.2


def test_wrong_cantilever_angle_keeps_the_built_in_angle(catalogue: Catalogue) -> None:
    """The tracking angle moves by about the fault's size, SRA with it, the built-in angle not at all."""
    healthy, upright, faulty, crooked = _pair(catalogue, "cantilever_angle")
    assert np.array_equal(healthy.built_in_deg, faulty.built_in_deg)
    shift = crooked.vta_static_deg - upright.vta_static_deg
    assert np.allclose(shift, crooked.sra_static_deg - upright.sra_static_deg)
    assert (np.sign(shift) == np.sign(faulty.fault_size)).all()
    # The equilibrium gives a little back or adds a little: the load's lever goes with cos of the angle.
    assert np.max(np.abs(shift / faulty.fault_size - 1.0)) < 0.15


def test_soft_suspension_sinks_and_sags_by_less_than_its_factor(catalogue: Catalogue) -> None:
    """A soft unit's still angle falls by degrees; its sag changes by less than the softness factor."""
    _, upright, faulty, crooked = _pair(catalogue, "suspension_soft")
    sunk = upright.vta_static_deg - crooked.vta_static_deg
    ratio = crooked.sag_deg / upright.sag_deg
    assert (sunk > 0.5).all()
    assert np.median(sunk) > 3.0
    assert (ratio < faulty.fault_size).all()
    assert np.median(ratio / faulty.fault_size) < 0.8


def test_stiff_suspension_rises_and_sags_less(catalogue: Catalogue) -> None:
    """A stiff unit stands higher by degrees and its sag is smaller, though not by the whole factor."""
    _, upright, faulty, crooked = _pair(catalogue, "suspension_stiff")
    assert (crooked.vta_static_deg - upright.vta_static_deg > 0.3).all()
    ratio = crooked.sag_deg / upright.sag_deg
    assert (ratio < 1.0).all()
    assert (ratio > faulty.fault_size).all()


def test_fault_scale_scales_the_sizes() -> None:
    """Half the fault scale gives half the degrees, and the square root of a softness factor."""
    half = WorldSpec(seed=11, **TIDY, fault_scale=0.5)
    for fault, power in (("rake_set_wrong", False), ("suspension_soft", True)):
        catalogue = draw_catalogue(SPEC)
        _, _, full, _ = _pair(catalogue, fault)
        _, _, small, _ = _pair(catalogue, fault, half)
        expected = full.fault_size**0.5 if power else 0.5 * full.fault_size
        assert np.allclose(small.fault_size, expected)


def test_fault_kinds_are_alike_often_and_at_the_share_asked_for() -> None:
    """Counts of each fault kind lie within four standard errors of the share over nine."""
    n, share = 200_000, 0.05
    code = draw_faults(np.random.default_rng(8), np.zeros(n, dtype=bool), share)
    counts = np.bincount(code, minlength=10)
    for count, p in zip(counts, [1 - share] + [share / 9] * 9, strict=True):
        assert abs(count - n * p) < 4.0 * np.sqrt(n * p * (1 - p))


def test_spherical_units_have_no_fault_of_rake_or_zenith() -> None:
    """A spherical stylus is never drawn as set at a wrong rake or twisted, at the same total share."""
    code = draw_faults(np.random.default_rng(9), np.ones(50_000, dtype=bool), 0.5)
    names = {FAULTS[c - 1] for c in np.unique(code) if c > 0}
    assert names == set(FAULTS) - {"rake_set_wrong", "stylus_twisted"}
    assert abs((code > 0).mean() - 0.5) < 0.01


def test_unit_spreads_are_those_of_the_spec(catalogue: Catalogue) -> None:
    """Within one line the sds of free angle, built-in angle, softness and drag are the spec's."""
    n, line = 40_000, 0
    units = draw_units(np.random.default_rng(4), SPEC, catalogue, np.full(n, line), np.zeros(n, dtype=int))
    wide, s = catalogue.unit_spread[line], SPEC.spread
    for values, sd in (
        (units.free_angle_deg, s.tracking_unit_deg * wide),
        (units.built_in_deg, s.built_in_unit_deg * wide),
        (units.zenith_deg, s.zenith_unit_deg * wide),
        (np.log(units.softness), s.softness_unit_log),
        (units.drag_ratio / catalogue.figures("drag_mean")[line], s.drag_unit),
    ):
        assert abs(values.std() / sd - 1.0) < 0.02
    correlation = np.corrcoef(units.free_angle_deg, units.built_in_deg)[0, 1]
    assert abs(correlation - s.built_in_tracking_correlation) < 0.02


def test_friction_is_skewed_to_the_right(catalogue: Catalogue) -> None:
    """Drag ratios of one line have the skewness of a gamma of shape 3: 2/sqrt(3)."""
    n = 60_000
    units = draw_units(np.random.default_rng(4), SPEC, catalogue, np.zeros(n, int), np.zeros(n, int))
    z = (units.drag_ratio - units.drag_ratio.mean()) / units.drag_ratio.std()
    assert abs((z**3).mean() - 2.0 / np.sqrt(3.0)) < 0.08


def test_least_crosstalk_is_at_minus_the_electrical_azimuth(catalogue: Catalogue) -> None:
    """Turning the body by minus the electrical azimuth minimises the summed crosstalk power (by search)."""
    n = 200
    units = draw_units(np.random.default_rng(4), SPEC, catalogue, np.zeros(n, int), np.zeros(n, int))
    rolls = np.linspace(-6.0, 6.0, 2401)
    power = np.zeros((n, len(rolls)))
    for i, roll in enumerate(rolls):
        turned = units.with_values(azimuth_electrical_deg=units.azimuth_electrical_deg + roll)
        l_to_r, r_to_l = crosstalk(turned)
        power[:, i] = np.abs(l_to_r) ** 2 + np.abs(r_to_l) ** 2
    best = rolls[np.argmin(power, axis=1)]
    assert np.max(np.abs(best + units.azimuth_electrical_deg)) < 0.01

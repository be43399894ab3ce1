"""Sag and drag: the solver, its edges, and the ways the figures hang together."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.physics import sag as mechanics


def test_equilibrium_satisfies_the_moment_balance():
    """The angle returned makes spring moment and groove moment equal, hardening spring included."""
    free, k, n, length, mu, h = 26.0, 1200.0, 20.0, 6.0, 0.3, 4.0
    t = np.radians(mechanics.equilibrium_deg(free, k, n, length, mu, hardening=h))
    d = np.radians(free) - t
    assert k * (d + h * d**3) == pytest.approx(n * length * (np.cos(t) + mu * np.sin(t)), rel=1e-12)


def test_exact_sag_agrees_with_equilibrium_from_stiffness():
    """Solving in compliance terms and in stiffness terms gives the same still angle and the same sag."""
    n, c, length, th, mu = 18.0, 20.0, 6.0, 22.0, 0.3
    k = mechanics.stiffness_un_m(c, length, th)
    free = th + mechanics.static_deflection_deg(n, c, length, th)
    assert mechanics.equilibrium_deg(free, k, n, length, 0.0) == pytest.approx(th, abs=1e-10)
    sag = th - mechanics.equilibrium_deg(free, k, n, length, mu)
    assert mechanics.sag_exact_deg(n, c, length, th, mu) == pytest.approx(sag, abs=1e-10)


def test_softening_once_gives_the_unit_back():
    """Factor 1 changes nothing, and softening by f then by 1/f returns to the start."""
    still, sag, deflection = 22.0, 0.5, 4.12
    same = mechanics.soften(still, sag, deflection, 1.0)
    assert same == pytest.approx((still, sag), abs=1e-9)
    soft_still, soft_sag = mechanics.soften(still, sag, deflection, 1.6)
    soft_deflection = still + deflection - soft_still
    back = mechanics.soften(soft_still, soft_sag, soft_deflection, 1 / 1.6)
    assert back == pytest.approx((still, sag), abs=1e-9)


def test_soft_unit_sinks_more_than_its_sag_grows():
    """Twice as soft: the still angle drops by degrees while the sag grows by less than twice.

    Derived: the load takes q cos(still) from the free angle, and q doubles.
    """
    still, sag = mechanics.soften(22.0, 0.5, 4.0, 2.0)
    q = 4.0 / np.cos(np.radians(22.0))
    assert 26.0 - still == pytest.approx(2.0 * q * np.cos(np.radians(still)), abs=1e-9)
    assert 22.0 - still > 4.0
    assert 0.5 < sag < 1.0


def test_negative_sag_reading_survives_softening():
    """A sag read below zero (noise) is carried through, not turned into NaN."""
    _, sag = mechanics.soften(22.0, -0.1, 4.0, 1.2)
    assert -0.2 < sag < 0.0


def test_nan_in_gives_nan_out_and_leaves_neighbours_alone():
    """One missing compliance blanks its own element only."""
    c = np.array([20.0, np.nan, 20.0])
    sag = mechanics.sag_exact_deg(20.0, c, 6.0, 22.0, 0.3)
    assert np.isnan(sag).tolist() == [False, True, False]
    assert sag[0] == sag[2] == mechanics.sag_exact_deg(20.0, 20.0, 6.0, 22.0, 0.3)


def test_shapes_broadcast():
    """A column of forces against a row of drag ratios gives a table."""
    sag = mechanics.sag_exact_deg(np.array([[15.0], [20.0]]), 20.0, 6.0, 22.0, np.array([0.2, 0.3, 0.4]))
    assert sag.shape == (2, 3)
    assert np.all(np.diff(sag, axis=0) > 0)
    assert np.all(np.diff(sag, axis=1) > 0)


def test_hard_cases_still_converge():
    """Very soft suspensions, steep angles and strong hardening give a root of the balance, not NaN."""
    rng = np.random.default_rng(7)
    size = 20_000
    free, k = rng.uniform(0, 70, size), rng.uniform(60, 4000, size)
    n, length, mu, h = rng.uniform(5, 60, size), rng.uniform(2, 12, size), rng.uniform(0, 1, size), 8.0
    t = np.radians(mechanics.equilibrium_deg(free, k, n, length, mu, hardening=h))
    d = np.radians(free) - t
    residual = d + h * d**3 - n * length / k * (np.cos(t) + mu * np.sin(t))
    assert np.max(np.abs(residual)) < 1e-9

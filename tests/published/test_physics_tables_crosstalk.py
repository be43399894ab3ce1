"""Check tables of crosstalk against rotation, with and without complex leakage.

Source of all rows: derived from the two-channel model of a rolled generator, worked out apart from this
code and rounded to the digits shown.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from fleet.physics import crosstalk
from fleet.physics.crosstalk import decibel, phasor, rotated_crosstalk


@pytest.mark.parametrize(
    ("roll", "db", "imbalance"),
    [
        (0.1, -55.162, 0.0303),
        (0.25, -47.204, 0.0758),
        (0.5, -41.183, 0.1516),
        (1, -35.162, 0.3033),
        (1.5, -31.639, 0.4550),
        (2, -29.138, 0.6069),
        (3, -25.612, 0.9113),
        (4, -23.107, 1.2167),
        (5, -21.161, 1.5237),
        (10, -15.074, 3.0955),
    ],
)
def test_crosstalk_and_imbalance_of_a_pure_rotation(roll, db, imbalance):
    """Crosstalk in both channels, and imbalance of a lateral signal, for ten rolls."""
    assert [float(decibel(x)) for x in rotated_crosstalk(roll)] == pytest.approx([db, db], abs=6e-4)
    model = crosstalk.channel_gain_ratio(roll, 0.0, 0.0, lateral=True)
    assert decibel(model) == pytest.approx(imbalance, abs=6e-5)


def test_pure_rotation_has_opposite_polarity_in_the_two_channels():
    """Right into left in phase, left into right inverted, for a positive roll, else the reverse."""
    assert [np.real(x) > 0 for x in rotated_crosstalk(1.0)] == [True, False]
    assert [np.real(x) > 0 for x in rotated_crosstalk(-1.0)] == [False, True]


ROWS = [
    # a, b as (dB, degrees); roll; right into left dB, left into right dB
    ((-30, 0), (-30, 0), 0, -30.0, -30.0),
    ((-30, 0), (-30, 0), 1, -26.177, -36.979),
    ((-30, 90), (-30, 90), 1, -28.845, -28.845),
    ((-30, 90), (-30, 90), -1, -28.845, -28.845),
    ((-28, 40), (-32, 150), 0, -28.0, -32.0),
    ((-28, 40), (-32, 150), -1.4969, -31.721, -37.527),
    ((-28, 40), (-32, 150), -3.1187, -29.114, -29.114),
]


@pytest.mark.parametrize(("a", "b", "roll", "into_left", "into_right"), ROWS)
def test_crosstalk_with_leakage(a, b, roll, into_left, into_right):
    """Levels after a roll, for symmetric, quadrature and general leakage."""
    found = rotated_crosstalk(roll, phasor(*a), phasor(*b))
    assert [float(decibel(x)) for x in found] == pytest.approx([into_left, into_right], abs=1e-3)


def test_phases_after_the_roll():
    """Phases of the general row at its two settings [degrees]."""
    a, b = phasor(-28, 40), phasor(-32, 150)
    for roll, phases in ((-1.4969, (80.3, 70.8)), (-3.1187, (133.1, 21.0))):
        found = [float(np.degrees(np.angle(x))) for x in rotated_crosstalk(roll, a, b)]
        assert found == pytest.approx(phases, abs=0.06)


def test_leakage_that_looks_like_a_rotation_is_cured_like_one():
    """Equal leakage in opposite polarity falls to -98.9 dB at a roll of -1.8119 degrees."""
    a, b = phasor(-30, 0), phasor(-30, 180)
    assert crosstalk.least_power_roll_deg(a, b) == pytest.approx(-1.8119, abs=6e-5)
    assert [float(decibel(x)) for x in rotated_crosstalk(-1.8119, a, b)] == pytest.approx(
        [-98.9, -98.9], abs=0.06
    )


def test_least_power_is_not_where_the_figures_are_equal():
    """The general row: least power at -1.4969, equal figures at -3.1187 degrees."""
    a, b = phasor(-28, 40), phasor(-32, 150)
    assert crosstalk.least_power_roll_deg(a, b) == pytest.approx(-1.4969, abs=6e-5)


def test_symmetric_leakage_is_already_at_its_least_power():
    """In-phase leakage alike in both directions needs no roll."""
    assert crosstalk.least_power_roll_deg(phasor(-30), phasor(-30)) == 0.0


def test_first_order_optimum_is_within_a_hundredth_of_a_degree():
    """Against a numerical search on the exact model, for leakages up to -25 dB."""
    rng = np.random.default_rng(3)
    worst = 0.0
    for _ in range(200):
        a, b = (phasor(rng.uniform(-60, -25), rng.uniform(-180, 180)) for _ in range(2))

        def power(roll, a=a, b=b):
            return sum(np.abs(x) ** 2 for x in rotated_crosstalk(roll, a, b))

        exact = minimize_scalar(power, bounds=(-8, 8), method="bounded", options={"xatol": 1e-7}).x
        worst = max(worst, abs(exact - crosstalk.least_power_roll_deg(a, b)))
    assert 0.0 < worst < 0.01


def test_sign_of_the_bench_reading():
    """A generator rolled clockwise by 1.2 is put right by a body roll of -1.2, so it is read as +1.2."""
    a, b = rotated_crosstalk(1.2)
    assert -crosstalk.least_power_roll_deg(a, b) == pytest.approx(1.2, abs=1e-3)
    cured = rotated_crosstalk(-1.2, a, b)
    assert max(abs(x) for x in cured) < 1e-12

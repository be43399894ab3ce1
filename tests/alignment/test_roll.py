"""The proposed roll: right on exact channels, honest on noisy ones, silent where the readings can't tell."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.roll import judge_roll
from fleet.alignment.roll_cost import RollWeights
from fleet.alignment.roll_fit import RollNoise
from fleet.errors import FleetError
from fleet.physics import crosstalk
from fleet.physics.crosstalk import decibel, phasor, rotated_crosstalk

NO_BALANCE = RollWeights(balance=0.0)


def bench(a, b, rolls, *, gain_db=0.0, phases=True, rng=None, noise=None, lateral=False):
    """Read a pair of channels by multiplying the matrices out, with or without noise."""
    rows = []
    for roll in rolls:
        t = np.tan(np.radians(roll))
        own = np.array([[1, a], [b, 1]]) @ np.array([[1, t], [-t, 1]])
        out = np.diag([10 ** (gain_db / 20), 1.0]) @ own
        r_to_l, l_to_r = out[0, 1] / out[1, 1], out[1, 0] / out[0, 0]
        both = out @ np.array([1.0, 1.0])
        balance = decibel(both[0] / both[1]) if lateral else decibel(out[0, 0] / out[1, 1])
        if rng is not None:
            r_to_l, l_to_r = (_noisy(c, rng, noise) for c in (r_to_l, l_to_r))
            balance += rng.normal(0, noise.balance_db)
        rows.append(
            {
                "setting": f"at {roll:g}",
                "roll_deg": roll,
                "crosstalk_r_to_l_db": float(decibel(r_to_l)),
                "crosstalk_l_to_r_db": float(decibel(l_to_r)),
                "crosstalk_phase_r_to_l_deg": float(np.degrees(np.angle(r_to_l))) if phases else np.nan,
                "crosstalk_phase_l_to_r_deg": float(np.degrees(np.angle(l_to_r))) if phases else np.nan,
                "channel_balance_db": float(balance),
            }
        )
    return pd.DataFrame(rows)


def _noisy(value, rng, noise):
    size = 10 ** (rng.normal(0, noise.level_db) / 20)
    turn = np.exp(1j * np.radians(rng.normal(0, noise.phase_deg)))
    floor = 10 ** (noise.floor_db / 20) * complex(*rng.normal(size=2))
    return value * size * turn + floor


def leaks(rng, low=-34.0, high=-24.0):
    """A random pair of leakages, then turned by a random generator roll."""
    a, b = (phasor(rng.uniform(low, high), rng.uniform(-180, 180)) for _ in range(2))
    return (complex(x) for x in rotated_crosstalk(rng.normal(0, 1.5), a, b))


@pytest.mark.parametrize(
    ("rolls", "phases"), [([0.0], True), ([0.0, 2.0], True), ([0.0, 2.0], False), ([-2.0, 0.5, 2.0], False)]
)
def test_exact_readings_give_the_roll_of_least_power(rolls, phases):
    """Loud crosstalk, no weight on balance: (Re b - Re a)/2, whatever was read and however loud the channels.

    The closed form is first order; hence 0.01 degree.
    """
    a, b = complex(phasor(-28, 40)), complex(phasor(-32, 150))
    advice = judge_roll(bench(a, b, rolls, phases=phases, gain_db=0.8), weights=NO_BALANCE)
    assert advice.roll_deg == pytest.approx(-1.4969, abs=0.01)
    assert advice.channels.gain_db == pytest.approx(0.8, abs=1e-4)
    assert advice.azimuth_electrical_deg == -advice.roll_deg


@pytest.mark.parametrize("rolled", [1.3, -1.3])
def test_rolled_generator_is_turned_back(rolled):
    """A clean generator rolled clockwise is cured by an anticlockwise roll, and read with its own sign."""
    a, b = (complex(x) for x in rotated_crosstalk(rolled))
    advice = judge_roll(bench(a, b, [0.0, 1.0]))
    assert advice.roll_deg == pytest.approx(-rolled, abs=1e-3)
    assert advice.azimuth_electrical_deg == pytest.approx(rolled, abs=1e-3)
    assert ("anticlockwise" in advice.sentence) == (rolled > 0)
    assert advice.after.mean_crosstalk_db < -70.0


def test_figures_before_and_after_are_those_of_the_bench():
    """Before = the named setting's own readings; after = what the bench would read at the proposal."""
    a, b = complex(phasor(-28, 40)), complex(phasor(-32, 150))
    advice = judge_roll(bench(a, b, [0.0, 2.0], gain_db=-0.6), now="at 2")
    then = bench(a, b, [2.0, advice.roll_deg], gain_db=-0.6).drop(columns="setting")
    for figures, row in zip((advice.before, advice.after), then.to_dict("records"), strict=True):
        got = dataclasses.asdict(figures)
        assert {k: got[k] for k in row} == pytest.approx(row, abs=1e-3)
    assert advice.turn.asked.value == pytest.approx(advice.roll_deg - 2.0)


def test_equal_figures_are_not_what_is_proposed():
    """The general pair: equal crosstalk stands at -3.12, the proposal at -1.5 degrees."""
    a, b = complex(phasor(-28, 40)), complex(phasor(-32, 150))
    advice = judge_roll(bench(a, b, [0.0, 2.0]), weights=NO_BALANCE)
    assert abs(advice.roll_deg + 3.1187) > 1.5
    assert abs(advice.after.crosstalk_l_to_r_db - advice.after.crosstalk_r_to_l_db) > 4.0


@pytest.mark.parametrize(
    ("db", "weight"), [(-25.0, 1.0), (-35.0, 1.0), (-41.0, 2.0), (-47.0, 4.0), (-53.0, 8.0), (-90.0, 8.0)]
)
def test_weight_of_phase_grows_from_minus_35_db_down(db, weight):
    """It doubles each 6 dB below -35 dB and stops at eight times."""
    assert RollWeights().phase_at(db) == pytest.approx(weight)


def test_deep_crosstalk_moves_the_proposal_towards_equal_phases():
    """Below -35 dB the phases of the two directions end up closer together than at least power."""
    a, b = complex(phasor(-42, 50)), complex(phasor(-48, 120))
    table = bench(a, b, [0.0, 2.0])

    def apart(advice):
        after = advice.after
        gap = after.crosstalk_phase_l_to_r_deg - after.crosstalk_phase_r_to_l_deg
        return abs((gap + 180) % 360 - 180)

    plain = judge_roll(table, weights=RollWeights(balance=0.0, phase_most=1.0))
    weighted = judge_roll(table, weights=NO_BALANCE)
    assert plain.phase_weight == 1.0
    assert weighted.phase_weight > 2.0
    assert apart(weighted) < apart(plain)


def test_balance_pulls_a_little_and_only_a_little():
    """Half a decibel between the generators moves the proposal by about w/(1+w) of its in-phase worth.

    Derived for clean channels: 2 t = -w (g - 1) / (1 + w), with g the amplitude ratio; here 0.08 degree.
    """
    g = 10 ** (0.5 / 20)
    expected = -np.degrees(0.5 * 0.05 * (g - 1) / 1.05)
    advice = judge_roll(bench(0j, 0j, [-1.0, 1.0], gain_db=0.5), weights=RollWeights(phase_most=1.0))
    assert advice.roll_deg == pytest.approx(expected, abs=0.01)
    assert -0.1 < expected < -0.05


def test_lateral_balance_is_understood_as_such():
    """A balance read on a lateral signal has the roll in it; told so, the fit finds the generators' own."""
    a, b = complex(phasor(-28, 40)), complex(phasor(-32, 150))
    advice = judge_roll(bench(a, b, [0.0, 2.0], gain_db=0.4, lateral=True), lateral_balance=True)
    assert advice.channels.gain_db == pytest.approx(0.4, abs=1e-3)


def test_one_level_without_phase_proposes_nothing():
    """A single setting without phases fits rotation and leakage alike; it says so and what to read."""
    table = bench(0.03 + 0j, 0.02 + 0j, [0.0], phases=False)
    advice = judge_roll(table)
    assert not advice.separated
    assert np.isnan(advice.roll_deg)
    assert np.isnan(advice.after.crosstalk_l_to_r_db)
    assert "No roll can be proposed" in advice.sentence
    assert "read the phases" in advice.sentence


def test_settings_too_close_together_propose_nothing():
    """Magnitudes at two rolls a twentieth of a degree apart leave it open, and the spread says how far."""
    advice = judge_roll(bench(0.02 + 0.02j, -0.01 + 0.03j, [0.0, 0.05], phases=False))
    assert not advice.separated
    assert 0.5 < advice.roll_sd_deg < np.inf
    assert "leave it open" in advice.sentence


def test_rotation_like_leakage_is_named_as_inseparable():
    """Leakage of opposite polarity and a rolled generator give the same advice, and the caution says why."""
    leak = judge_roll(bench(0.02 + 0j, -0.02 + 0j, [0.0, 1.0]))
    roll = judge_roll(
        bench(*(complex(x) for x in rotated_crosstalk(np.degrees(np.arctan(0.02)))), [0.0, 1.0])
    )
    assert leak.roll_deg == pytest.approx(roll.roll_deg, abs=1e-4)
    assert "no electrical reading tells them apart" in leak.cautions[0]


@pytest.mark.parametrize(("leak", "word"), [(0.03j, "quadrature"), (0.03 + 0j, "coupling")])
def test_what_no_roll_changes_is_named(leak, word):
    """Symmetric leakage stays whatever one does; its phase tells which kind it is."""
    advice = judge_roll(bench(leak, leak, [0.0, 1.0]))
    assert advice.roll_deg == pytest.approx(0.0, abs=1e-3)
    assert any(word in caution for caution in advice.cautions)


def test_flat_range_holds_the_mean_crosstalk_within_a_decibel():
    """Inside the range the mean crosstalk is within 1 dB of the proposal's, just outside it is not."""
    a, b = complex(phasor(-28, 40)), complex(phasor(-32, 150))
    advice = judge_roll(bench(a, b, [0.0, 2.0]))

    def mean(roll):
        return float(10 * np.log10(sum(abs(x) ** 2 for x in rotated_crosstalk(roll, a, b)) / 2))

    limit = mean(advice.roll_deg) + 1.0
    for end, out in ((advice.flat_low_deg, -0.02), (advice.flat_high_deg, 0.02)):
        assert mean(end) <= limit < mean(end + out)
    assert advice.flat_low_deg < advice.roll_deg < advice.flat_high_deg


def test_curve_has_its_lowest_cost_at_the_proposal():
    """What is drawn agrees with what is said."""
    advice = judge_roll(bench(0.02 + 0.01j, -0.03 + 0.02j, [0.0, 2.0]))
    lowest = advice.curve_roll_deg[np.argmin(advice.curve_cost)]
    assert lowest == pytest.approx(advice.roll_deg, abs=0.0126)


@pytest.mark.long
@pytest.mark.parametrize(
    ("rolls", "phases"),
    [([0.0], True), ([0.0, 2.0], True), ([-2.0, 0.0, 2.0], True), ([-2.0, 0.0, 2.0], False)],
)
def test_noisy_channels_bias_and_spread(rolls, phases):
    """150 random units with stated noise: no bias, a small spread, and an honest statement of it.

    Truth = the first-order roll of least power on the true leakage (within 0.01 degree of exact), loud
    crosstalk, no balance. The bias is held to four standard errors of its mean plus that; the spread to a
    tenth of that of the generator rolls put in (1.5); the errors over their own stated deviations must
    scatter by 1 within four standard errors.
    """
    rng, noise, units = np.random.default_rng(20), RollNoise(), 150
    weights = RollWeights(balance=0.0, phase_most=1.0, most_sd_deg=10.0)
    error, own = np.empty(units), np.empty(units)
    for i in range(units):
        a, b = leaks(rng)
        table = bench(a, b, rolls, phases=phases, rng=rng, noise=noise, gain_db=rng.normal(0, 0.7))
        advice = judge_roll(table, weights=weights)
        error[i] = advice.roll_deg - crosstalk.least_power_roll_deg(a, b)
        own[i] = advice.roll_sd_deg
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(units) + 0.01
    assert error.std() < 0.15
    assert (error / own).std() == pytest.approx(1.0, abs=4 / np.sqrt(2 * units))


def test_wrong_sign_of_the_roll_is_noticed():
    """Settings booked with the roll's sign turned round misfit grossly, and the caution says so."""
    table = bench(0.02 + 0.01j, -0.03 + 0.02j, [-2.0, 0.0, 2.0])
    table["roll_deg"] *= -1
    assert any("scatter" in caution for caution in judge_roll(table).cautions)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.iloc[:0], "no roll setting"),
        (lambda t: t.drop(columns="roll_deg"), "no column roll_deg"),
        (lambda t: t.assign(roll_deg=[0.0, np.nan]), "setting at 2: roll_deg is nan"),
        (lambda t: t.assign(crosstalk_l_to_r_db=31.0), "above 0 dB"),
        (lambda t: t.assign(crosstalk_l_to_r_db=np.nan), "no setting has crosstalk_l_to_r_db"),
        (lambda t: t.assign(crosstalk_l_to_r_db="low"), "no number"),
    ],
)
def test_faulty_tables_get_one_line(change, words):
    """A user's slip is named, not traced back."""
    with pytest.raises(FleetError, match=words):
        judge_roll(change(bench(0.02 + 0j, 0.03 + 0j, [0.0, 2.0])))


def test_unknown_setting_is_named_with_the_known_ones():
    """Asking for a setting that isn't there lists those that are."""
    with pytest.raises(FleetError, match="name one of at 0, at 2"):
        judge_roll(bench(0.02 + 0j, 0.03 + 0j, [0.0, 2.0]), now="at 3")


def test_missing_columns_count_as_not_read():
    """Phases and balance may be left out of the table altogether."""
    table = bench(0.02 + 0.01j, -0.03 + 0.02j, [0.0, 2.0], phases=False)
    slim = table[["roll_deg", "crosstalk_r_to_l_db", "crosstalk_l_to_r_db"]]
    advice = judge_roll(slim)
    assert advice.roll_deg == pytest.approx(judge_roll(table).roll_deg, abs=0.01)
    assert any("No channel balance" in caution for caution in advice.cautions)

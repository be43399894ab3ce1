"""Chance of conformity of single units: against simulation, and against the truth it speaks about."""

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.targets import states
from fleet.attainment.conformity import Noise, chances, reading_noise
from fleet.errors import FleetError
from fleet.policy.policy import Policy

DEFAULT = Policy()
NOISE = Noise(0.2, 0.4)


WIDE = [[2.0, 0.9], [0.9, 1.4]]
NARROW = [[0.06, 0.05], [0.05, 0.12]]


def fleet_of(n, seed, spread=WIDE):
    """True angles, and sheets of noisy readings of them."""
    rng = np.random.default_rng(seed)
    mean = [90.5, 21.8]
    truth = pd.DataFrame(
        rng.multivariate_normal(mean, spread, n), columns=["sra_dynamic_deg", "vta_dynamic_deg"]
    )
    truth["tilt_room_deg"] = rng.uniform(0, 2, n)
    read = truth.assign(
        sra_dynamic_deg=truth["sra_dynamic_deg"] + rng.normal(0, NOISE.rake_sd_deg, n),
        vta_dynamic_deg=truth["vta_dynamic_deg"] + rng.normal(0, NOISE.tracking_sd_deg, n),
    )
    return truth, read


@pytest.mark.parametrize("spread", [WIDE, NARROW], ids=["wide", "narrow"])
@pytest.mark.parametrize("state", ["level", "reachable"])
@pytest.mark.parametrize("target", ["rake", "tracking", "both"])
def test_chances_are_true(target, state, spread):
    """Of 40 000 units, those given a chance of about p are truly in about p of the cases, at every p, in a
    wide fleet and in one hardly wider than the reading noise."""
    truth, read = fleet_of(40_000, seed=1, spread=spread)
    chance = chances(read, DEFAULT, NOISE)[f"{target}_{state}"]
    true = states(truth, DEFAULT)[f"{target}_{state}"] == 1
    step = np.digitize(chance, np.linspace(0, 1, 11)[1:-1])
    for k in range(10):
        here = step == k
        if here.sum() >= 100:
            error = 4 * np.sqrt(0.25 / here.sum()) if 0.01 < chance[here].mean() < 0.99 else 0.01
            assert true[here].mean() == pytest.approx(chance[here].mean(), abs=error)
    assert chance.mean() == pytest.approx(true.mean(), abs=0.005)


def test_near_a_limit_a_unit_is_neither_in_nor_out():
    """On the limit the chance is about one half, four sigmas inside nearly one, four outside nearly none."""
    units = pd.DataFrame(
        {"sra_dynamic_deg": [90.5, 91.3, 89.7], "vta_dynamic_deg": [15.0, 15.0, 15.0], "tilt_room_deg": 0.0}
    )
    rake = chances(units, DEFAULT, NOISE)["rake_level"]
    assert rake == pytest.approx([0.5, 1.0, 0.0], abs=1e-4)


def test_both_reachable_equals_simulation():
    """For one unit in the corner of all limits the chance equals the share of 400 000 simulated true
    angles."""
    unit = pd.DataFrame({"sra_dynamic_deg": [89.4], "vta_dynamic_deg": [20.8], "tilt_room_deg": [1.0]})
    rng = np.random.default_rng(2)
    true = pd.DataFrame(
        {
            "sra_dynamic_deg": 89.4 + rng.normal(0, NOISE.rake_sd_deg, 400_000),
            "vta_dynamic_deg": 20.8 + rng.normal(0, NOISE.tracking_sd_deg, 400_000),
            "tilt_room_deg": 1.0,
        }
    )
    want = (states(true, DEFAULT)["both_reachable"] == 1).mean()
    assert 0.2 < want < 0.8
    assert chances(unit, DEFAULT, NOISE)["both_reachable"][0] == pytest.approx(want, abs=0.004)


def test_spherical_and_unread():
    """A spherical stylus has a chance for tracking alone; what was not read has none."""
    units = pd.DataFrame(
        {
            "stylus_profile": ["spherical", "elliptical", "elliptical"],
            "sra_dynamic_deg": [np.nan, 91.5, np.nan],
            "vta_dynamic_deg": [20.0, np.nan, 20.0],
            "tilt_room_deg": [2.0, 2.0, np.nan],
        }
    )
    got = chances(units, DEFAULT, NOISE)
    assert np.isnan(got["rake_level"][0])
    assert got["both_level"][0] == got["tracking_level"][0] > 0.99
    assert np.isnan(got["both_level"][1:]).all()
    assert got["rake_level"][1] > 0.99
    assert np.isnan(got["tracking_reachable"][2])


def test_noise_from_repeats():
    """Repeats of 400 units give the noise within 8 %, though a tenth of them changed between the visits."""
    truth, first = fleet_of(400, seed=3)
    rng = np.random.default_rng(4)
    second = truth.assign(
        sra_dynamic_deg=truth["sra_dynamic_deg"] + rng.normal(0, NOISE.rake_sd_deg, 400),
        vta_dynamic_deg=truth["vta_dynamic_deg"] + rng.normal(0, NOISE.tracking_sd_deg, 400),
    )
    second.loc[:39, "sra_dynamic_deg"] += 5.0
    sheets = pd.concat([first.assign(measured_on="2024-01-01"), second.assign(measured_on="2024-02-01")])
    noise = reading_noise(sheets.assign(unit=[f"U{i}" for i in range(400)] * 2))
    assert noise.rake_sd_deg == pytest.approx(0.2, rel=0.15)
    assert noise.tracking_sd_deg == pytest.approx(0.4, rel=0.08)
    assert noise.repeats == 400


def test_too_few_repeats():
    """Without repeats the noise has to be given; a noise of nought is refused."""
    _, read = fleet_of(50, seed=5)
    with pytest.raises(FleetError, match="only 0 repeat readings"):
        reading_noise(read.assign(unit=range(50), measured_on="2024-01-01"))
    with pytest.raises(FleetError, match="must be above 0"):
        Noise(0.0, 0.3)

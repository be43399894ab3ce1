"""Best tilt: the closed form against a search over every thousandth of a degree, and the rules one by one."""

import os

import numpy as np
import pytest

from fleet.alignment.align import align
from fleet.alignment.alignment import LEAVE
from fleet.alignment.readings import take_readings
from fleet.alignment.tilt import (
    BOTH,
    NEITHER,
    OUTCOMES,
    RAKE_ONLY,
    TRACKING_ONLY,
    UNREAD,
    _chances,
    _misses,
    choose_tilt,
    not_worth_it,
    outcome_at,
    reach,
)
from fleet.house_model.chain import READING_NOISE
from fleet.policy.policy import Policy

CASES = 100_000 if os.environ.get("FLEET_LONG") else 1_000
DEFAULT = Policy()
POLICIES = {
    "default": DEFAULT,
    "edge": DEFAULT.but(rake_aim_deg=90.5),
    "clearance": DEFAULT.but(clearance_deg=0.7, tilt_lower_limit_deg=-3.0),
    "tracking first": DEFAULT.but(preference=("tracking", "rake")),
    "kept": DEFAULT.but(rake_kept_deg=92.0),
    "guarded": DEFAULT.but(
        guard_sigmas=2.0, rake_reading_sd_deg=0.15, tracking_reading_sd_deg=0.35, rake_aim_deg=90.5
    ),
}


def milli(value_deg):
    """Whole thousandths of a degree: sums of these are exact."""
    return round(value_deg * 1000)


def random_cases(n, seed):
    """Rake, tracking, room in whole thousandths; wide enough for all four outcomes and both ends."""
    rng = np.random.default_rng(seed)
    sra = rng.integers(83_000, 99_000, n)
    vta = rng.integers(15_000, 30_000, n)
    room = rng.integers(0, 6_000, n)
    return sra, vta, room


def search(sra, vta, room, policy):
    """Try every thousandth of a degree from the lower limit to the room: the tilt liked best, and the reach.

    Likes are said as costs in order of weight, independently of the closed form: rake outside its band,
    rake below the aim, then the tilt itself (lower tilt = lower tracking). Tracking first puts tracking
    over its limit before these.
    """
    low, top = milli(policy.tilt_lower_limit_deg), int(room.max()) - milli(policy.clearance_deg)
    grid = np.arange(low, top + 1, dtype=np.int64)
    band = [milli(v) for v in policy.guarded_rake_deg]
    limit = milli(policy.guarded_tracking_deg)
    aim = min(max(milli(policy.aim_deg), band[0]), band[1])
    high = room[:, None] - milli(policy.clearance_deg)
    allowed = grid <= high
    rake, tracking = sra[:, None] + grid, vta[:, None] + grid
    off_band = np.maximum(band[0] - rake, 0) + np.maximum(rake - band[1], 0)
    over = np.maximum(tracking - limit, 0)
    cost = (off_band * 100_000 + np.maximum(aim - rake, 0)) * 100_000 + (grid - low)
    if policy.preference[0] == "tracking":
        cost = cost + over * 10**14
    tilt = grid[np.where(allowed, cost, np.iinfo(np.int64).max).argmin(axis=1)]
    if policy.rake_kept_deg is not None:
        kept = np.clip(milli(policy.rake_kept_deg) - sra, low, high[:, 0])
        tilt = np.where(vta + kept <= limit, kept, tilt)
    hit_rake = (
        (rake >= milli(policy.rake_accepted_deg[0])) & (rake <= milli(policy.rake_accepted_deg[1])) & allowed
    )
    hit_tracking = (tracking <= milli(policy.tracking_limit_deg)) & allowed
    return tilt, hit_rake.any(axis=1), hit_tracking.any(axis=1), (hit_rake & hit_tracking).any(axis=1)


@pytest.mark.parametrize("name", POLICIES)
def test_closed_form_equals_brute_force(name):
    """On random cases the chosen tilt, its outcome and the reach equal a search over 0.001 deg exactly."""
    policy = POLICIES[name]
    n = CASES if name == "default" else max(CASES // 20, 500)
    sra, vta, room = random_cases(n, seed=len(name))
    for part in np.array_split(np.arange(n), max(n // 1_000, 1)):
        want, rake, tracking, both = search(sra[part], vta[part], room[part], policy)
        angles = sra[part] / 1000, vta[part] / 1000, room[part] / 1000
        got = choose_tilt(*angles, policy)
        np.testing.assert_allclose(got.tilt_deg, want / 1000, rtol=0, atol=1e-9)
        band = [milli(v) for v in policy.guarded_rake_deg]
        rake_met = (sra[part] + want >= band[0]) & (sra[part] + want <= band[1])
        tracking_met = vta[part] + want <= milli(policy.guarded_tracking_deg)
        codes = np.select(
            [rake_met & tracking_met, rake_met, tracking_met], [BOTH, RAKE_ONLY, TRACKING_ONLY], NEITHER
        )
        np.testing.assert_array_equal(got.outcome, codes)
        could = reach(*angles, policy)
        np.testing.assert_array_equal(could.rake, rake)
        np.testing.assert_array_equal(could.tracking, tracking)
        np.testing.assert_array_equal(could.both, both)


def test_random_cases_show_everything():
    """The random cases hold all four outcomes, both ends of the range and both conflicts, none rarely."""
    sra, vta, room = (v / 1000 for v in random_cases(4_000, seed=7))
    choice, could = choose_tilt(sra, vta, room, DEFAULT), reach(sra, vta, room, DEFAULT)
    assert np.bincount(choice.outcome, minlength=4)[:4].min() > 100
    assert (choice.tilt_deg == -5.0).sum() > 100
    assert (choice.tilt_deg == room).sum() > 100
    assert could.conflict_built_in.sum() > 100
    assert could.conflict_reach.sum() > 100


@pytest.mark.parametrize(
    ("sra", "vta", "room", "tilt", "outcome"),
    [
        (90.0, 20.5, 3.0, 1.0, "both"),
        (90.0, 21.3, 3.0, 1.0, "rake_only"),  # the accepted edge, 0.5 deg, would meet both: only by choice
        (93.0, 23.0, 3.0, -2.0, "both"),
        (86.0, 18.0, 3.0, 3.0, "tracking_only"),
        (86.0, 20.0, 3.0, 3.0, "neither"),
        (98.0, 25.0, 3.0, -5.0, "tracking_only"),
        (98.0, 28.0, 3.0, -5.0, "neither"),
        (90.5, 21.5, 0.0, 0.0, "both"),
    ],
)
def test_rules_by_hand(sra, vta, room, tilt, outcome):
    """Rake goes to 91 deg within the room and no lower than -5 deg; the outcome is judged there."""
    choice = choose_tilt(sra, vta, room, DEFAULT)
    assert choice.tilt_deg == pytest.approx(tilt, abs=1e-12)
    assert choice.words == outcome


def test_accepted_edge_by_choice():
    """With the aim at the accepted edge, a unit that misses both at 91 deg gets both at 90.5 deg."""
    choice = choose_tilt(90.0, 21.3, 3.0, DEFAULT.but(rake_aim_deg=90.5))
    assert (choice.tilt_deg, choice.words) == (pytest.approx(0.5), "both")
    assert reach(90.0, 21.3, 3.0, DEFAULT).both


@pytest.mark.parametrize(
    ("vta", "room", "tilt", "outcome"),
    [
        (19.0, 3.0, 0.0, "both"),
        (20.0, 3.0, 0.0, "both"),
        (21.0, 3.0, -1.0, "both"),
        (26.5, 3.0, -5.0, "both"),
        (28.0, 3.0, -5.0, "neither"),
    ],
)
def test_spherical(vta, room, tilt, outcome):
    """A spherical stylus has no rake: tilt brings tracking down to the wish and no further."""
    choice = choose_tilt(np.nan, vta, room, DEFAULT)
    could = reach(np.nan, vta, room, DEFAULT)
    assert choice.tilt_deg == pytest.approx(tilt)
    assert choice.words == outcome
    assert bool(could.both) == (outcome == "both")
    assert not could.rake
    assert not could.conflict_built_in
    assert bool(could.conflict_reach) == (outcome == "neither")


def test_what_was_not_read():
    """Without tracking the tilt is the rake's and the outcome unread; without either there is no tilt."""
    choice = choose_tilt([90.0, np.nan], [np.nan, np.nan], 3.0, DEFAULT)
    np.testing.assert_allclose(choice.tilt_deg, [1.0, np.nan])
    assert list(choice.outcome) == [UNREAD, UNREAD]
    could = reach([90.0, np.nan], [np.nan, np.nan], 3.0, DEFAULT)
    assert list(could.rake) == [True, False]
    assert not (could.tracking | could.both | could.conflict_built_in | could.conflict_reach).any()


def test_room_not_read_has_no_upper_end():
    """A room that was not read stops nothing; the lower limit still does."""
    choice = choose_tilt([80.0, 99.0], 20.0, np.nan, DEFAULT)
    np.testing.assert_allclose(choice.tilt_deg, [11.0, -5.0])
    assert list(reach([80.0, 99.0], 20.0, np.nan, DEFAULT).rake) == [True, False]


@pytest.mark.parametrize(
    ("sra", "vta", "cause"), [(90.4, 22.0, "built_in"), (90.5, 22.0, "none"), (86.0, 17.0, "reach")]
)
def test_conflict_causes(sra, vta, cause):
    """Below 68.5 deg the built-in angle rules both out; above, only the room or the lower limit can."""
    could = reach(sra, vta, 3.0, DEFAULT)
    assert bool(could.conflict_built_in) == (cause == "built_in")
    assert bool(could.conflict_reach) == (cause == "reach")
    assert bool(could.both) == (cause == "none")


def test_decimal_readings_on_a_limit_are_met():
    """Readings in steps of 0.05 deg that land on a limit meet it, whatever binary rounding makes of it."""
    steps = np.round(np.arange(86.0, 90.5, 0.05), 2)
    room = np.round(90.5 - steps, 2)
    assert reach(steps, 15.0, room, DEFAULT).rake.all()
    vta = np.round(steps - 68.5, 2)
    assert not reach(steps, vta, 20.0, DEFAULT).conflict_built_in.any()
    tilt = np.round(90.5 - steps, 2)
    assert (outcome_at(tilt, steps, vta, DEFAULT) == BOTH).all()


def test_sums_just_beside_a_limit_are_met():
    """Angle and tilt in thousandths that add up to a limit meet it, whichever side binary sums fall on."""
    policy = DEFAULT.but(rake_accepted_deg=(90.7, 92.3), tracking_limit_deg=22.2)
    tilt = np.arange(-2.0, 4.0, 0.001).round(3)
    for limit, side in zip(policy.rake_accepted_deg, (-1.0, 1.0), strict=True):
        rake = (limit - tilt).round(3)
        assert side in np.sign(rake + tilt - limit), "some sums fall outside"
        assert (outcome_at(tilt, rake, 15.0, policy) == BOTH).all()
    vta = (22.2 - tilt).round(3)
    assert (vta + tilt > 22.2).any()
    assert (outcome_at(tilt, 91.0 - tilt, vta, policy) == BOTH).all()


def test_spherical_styli_among_others():
    """Each unit of a mixed lot is tilted and judged as it would be alone."""
    choice = choose_tilt([90.0, np.nan, np.nan], [20.5, 21.0, 28.0], 3.0, DEFAULT)
    np.testing.assert_allclose(choice.tilt_deg, [1.0, -1.0, -5.0])
    assert list(choice.words) == ["both", "both", "neither"]


def test_misses_add_up():
    """By hand: half a degree over the rake's band and one over the tracking limit; below it, rake alone."""
    rake, tracking = np.array([93.0, 90.0, 91.0, np.nan]), np.array([23.0, 20.0, 22.0, 24.5])
    assert _misses((rake, tracking), DEFAULT) == pytest.approx([1.5, 0.5, 0.0, 2.5])


def test_chances_are_of_the_accepted_limits():
    """By the normal law: a half on either limit, whatever guard the policy keeps for its advice."""
    guarded = POLICIES["guarded"]
    angles = np.array([90.5, 92.5, 91.5]), np.array([22.0, 21.65, np.nan])
    rake, tracking = _chances(angles, (0.2, 0.35), guarded)
    assert rake == pytest.approx([0.5, 0.5, 1.0], abs=1e-6)
    assert tracking == pytest.approx([0.5, 0.8413447, np.nan], abs=1e-6, nan_ok=True)


def test_a_hopeless_tilt_that_comes_nearer_is_done():
    """Meets neither target: done where it takes 10° off the misses, left where it takes nothing."""
    tilt, sra, vta = np.array([-5.0, 1.5]), np.array([99.0, 86.0]), np.array([30.0, 28.0])
    left = not_worth_it(tilt, (sra, vta), (sra + tilt, vta + tilt), (0.16, 0.35), DEFAULT)
    assert left.tolist() == [False, True]


def test_kept_rake():
    """With `rake_kept_deg` the rake stays there where tracking allows it and goes to the aim where not."""
    policy = DEFAULT.but(rake_kept_deg=92.0)
    choice = choose_tilt([91.0, 91.0], [20.9, 21.1], 3.0, policy)
    np.testing.assert_allclose(choice.tilt_deg, [1.0, 0.0])
    assert list(choice.words) == ["both", "both"]


def test_result_names_its_policy_and_words():
    """Every result carries name and fingerprint of its policy; codes translate to the contract's words."""
    choice = choose_tilt([90.0], [20.0], 3.0, DEFAULT)
    assert choice.policy == DEFAULT.label
    assert OUTCOMES[:4] == ("both", "rake_only", "tracking_only", "neither")


def test_inputs_are_left_alone():
    """The in-place arithmetic never touches the caller's arrays."""
    sra, vta, room = np.array([90.0, np.nan]), np.array([20.0, 25.0]), np.array([3.0, 1.0])
    before = [a.copy() for a in (sra, vta, room)]
    for policy in POLICIES.values():
        choose_tilt(sra, vta, room, policy)
        reach(sra, vta, room, policy)
    for now, then in zip((sra, vta, room), before, strict=True):
        np.testing.assert_array_equal(now, then)


def test_many_tilts_are_left_where_one_is():
    """Of 200 random pickups nearly all are left, or not, as each one's whole alignment says."""
    rng = np.random.default_rng(4)
    sra, vta, room = rng.normal(91.0, 1.5, 200), rng.normal(21.5, 2.0, 200), rng.uniform(0.2, 4.0, 200)
    sra[::7] = np.nan
    noise = (READING_NOISE["sra_dynamic_deg"], READING_NOISE["vta_dynamic_deg"])
    tilt = choose_tilt(sra, vta, room, DEFAULT).tilt_deg
    left = not_worth_it(tilt, (sra, vta), (sra + tilt, vta + tilt), noise, DEFAULT) & (np.abs(tilt) > 1e-6)
    one = []
    for s, v, r in zip(sra, vta, room, strict=True):
        unit = {"vta_dynamic_deg": v, "tilt_room_deg": r}
        unit |= {"stylus_profile": "spherical"} if np.isnan(s) else {"sra_dynamic_deg": s}
        one.append(align(take_readings({"stylus_profile": "line_contact"} | unit), DEFAULT).tilt.decision)
    alone = np.array(one) == LEAVE
    assert 20 <= alone.sum() <= 180
    assert np.mean(left == alone) >= 0.97

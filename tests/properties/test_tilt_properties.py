"""What holds for every tilt the policy can choose, whatever the angles and the policy."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.alignment.tilt import BOTH, RAKE_ONLY, TRACKING_ONLY, choose_tilt, reach
from fleet.policy.policy import Policy
from fleet.policy.remedies import made_wedge, remedy

rakes = st.floats(60, 120) | st.just(float("nan"))
trackings = st.floats(0, 60)
rooms = st.floats(0, 20)


@st.composite
def policies(draw):
    accepted = sorted(draw(st.tuples(st.floats(85, 90), st.floats(90.5, 96))))
    aim = draw(st.floats(accepted[0], accepted[1]))
    best = (aim, draw(st.floats(aim, accepted[1])))
    limit = draw(st.floats(15, 30))
    lower = draw(st.floats(-10, -0.5))
    return Policy(
        rake_accepted_deg=tuple(accepted),
        rake_best_deg=best,
        rake_aim_deg=aim,
        rake_kept_deg=draw(st.none() | st.floats(aim, accepted[1])),
        tracking_limit_deg=limit,
        tracking_wish_deg=draw(st.floats(10, limit)),
        tilt_lower_limit_deg=lower,
        clearance_deg=draw(st.floats(0, -lower)),
        preference=draw(st.permutations(["rake", "tracking"])),
    )


@settings(deadline=None)
@given(rakes, trackings, rooms, policies())
def test_never_outside_the_room(sra, vta, room, policy):
    """The tilt stays between the lower limit and the room less the clearance."""
    tilt = float(choose_tilt(sra, vta, room, policy).tilt_deg)
    assert policy.tilt_lower_limit_deg - 1e-12 <= tilt <= room - policy.clearance_deg + 1e-12


@settings(deadline=None)
@given(st.floats(60, 120), trackings, rooms, policies())
def test_the_preferred_target_is_met_whenever_it_can_be(sra, vta, room, policy):
    """No tilt meets the first target where the chosen one doesn't."""
    outcome = int(choose_tilt(sra, vta, room, policy).outcome)
    could = reach(sra, vta, room, policy)
    if policy.preference[0] == "rake":
        assert bool(could.rake) == (outcome in (BOTH, RAKE_ONLY))
    else:
        assert bool(could.tracking) == (outcome in (BOTH, TRACKING_ONLY))


@settings(deadline=None)
@given(st.floats(60, 120), trackings, rooms, policies())
def test_met_is_reachable(sra, vta, room, policy):
    """What the chosen tilt meets, reach calls reachable; both reachable implies each of the two."""
    outcome = int(choose_tilt(sra, vta, room, policy).outcome)
    could = reach(sra, vta, room, policy)
    assert could.both or outcome != BOTH
    assert not could.both or (could.rake and could.tracking)
    assert int(could.both) + int(could.conflict_built_in) + int(could.conflict_reach) == 1


@settings(deadline=None)
@given(st.floats(80, 100), trackings, rooms, st.floats(-3, 3), policies())
def test_a_common_shift_moves_the_tilt_and_not_the_result(sra, vta, room, shift, policy):
    """Sag takes the same off both angles: where no end of the range is touched, the net angles stay."""
    first = choose_tilt(sra, vta, room, policy)
    second = choose_tilt(sra + shift, vta + shift, room, policy)
    low, high = policy.tilt_lower_limit_deg, room - policy.clearance_deg
    inside = [low + 1e-6 < float(c.tilt_deg) < high - 1e-6 for c in (first, second)]
    if all(inside) and policy.rake_kept_deg is None:
        assert abs(float(first.tilt_deg - second.tilt_deg) - shift) < 1e-9


@settings(deadline=None)
@given(st.floats(60, 120), trackings, rooms, st.floats(0, 5), policies())
def test_more_room_never_loses_reach(sra, vta, room, more, policy):
    """A larger room can only add to what is reachable."""
    small, large = reach(sra, vta, room, policy), reach(sra, vta, room + more, policy)
    for before, after in zip(small[:3], large[:3], strict=True):
        assert after or not before


@settings(deadline=None)
@given(st.lists(st.tuples(rakes, trackings, rooms), min_size=1, max_size=8), policies())
def test_many_at_once_equal_one_by_one(cases, policy):
    """The vectorised answer is the single answer, element by element."""
    sra, vta, room = (np.array(column) for column in zip(*cases, strict=True))
    many = choose_tilt(sra, vta, room, policy)
    for i, case in enumerate(cases):
        one = choose_tilt(*case, policy)
        np.testing.assert_array_equal(one.tilt_deg, many.tilt_deg[i])
        assert one.outcome == many.outcome[i]


@settings(deadline=None)
@given(st.floats(-20, 20), st.lists(st.floats(-6, 6), max_size=4), st.floats(0, 1))
def test_remedy_and_made_wedge_agree(tilt, stock, tolerance):
    """A tilt is called `made_wedge` exactly where `made_wedge` says so, never within the arm's range."""
    policy = Policy(stock_wedges_deg=tuple(stock), stock_tolerance_deg=tolerance)
    assert bool(made_wedge(tilt, policy)) == (remedy(tilt, policy) == "made_wedge")
    assert abs(tilt) > 1 or remedy(tilt, policy) in ("none", "arm_only")

"""A target of one unit's own: it changes the policy for that unit alone, with its reason, within limits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.align import align
from fleet.alignment.readings import take_readings
from fleet.errors import FleetError
from fleet.faults.unit_life import unit_life
from fleet.policy.own_target import check_reason, own_target, target_words
from fleet.policy.policy import Policy

UNIT = {
    "stylus_profile": "line_contact",
    "sra_dynamic_deg": 90.0,
    "vta_dynamic_deg": 18.0,
    "tilt_room_deg": 5.0,
}


def test_the_aim_of_one_unit() -> None:
    """An alignment under the unit's own aim goes there; without one the policy is the very same."""
    policy = Policy()
    assert own_target(UNIT, policy) is policy
    assert own_target(UNIT | {"rake_aim_deg": np.nan}, policy) is policy
    own = own_target(UNIT | {"rake_aim_deg": 92.0}, policy)
    assert own.label != policy.label
    assert align(take_readings(UNIT), own).rake.value == pytest.approx(92.0)
    assert align(take_readings(UNIT), policy).rake.value == pytest.approx(91.0)


def test_a_tracking_limit_of_its_own() -> None:
    """A limit below the policy's wish brings the wish down with it."""
    own = own_target({"tracking_limit_deg": 18.0}, Policy())
    assert (own.tracking_limit_deg, own.tracking_wish_deg) == (18.0, 18.0)


def test_no_target_beyond_the_policys_limits() -> None:
    """An aim outside the accepted band is refused in one line."""
    with pytest.raises(FleetError, match="must lie within rake_accepted_deg"):
        own_target({"rake_aim_deg": 95.0}, Policy())


@pytest.mark.parametrize(
    ("told", "right"),
    [
        ({}, True),
        ({"rake_aim_deg": 92.0, "target_reason": "arm"}, True),
        ({"tracking_limit_deg": 24.0, "target_reason": "records"}, True),
        ({"rake_aim_deg": 92.0}, False),
        ({"target_reason": "arm"}, False),
    ],
)
def test_a_target_has_its_reason(told: dict[str, object], right: bool) -> None:
    """Neither is told without the other."""
    if right:
        check_reason(told)
    else:
        with pytest.raises(FleetError, match="needs its reason"):
            check_reason(told)


def test_its_life_tells_it() -> None:
    """The next turn after a correction goes to the unit's own aim, and the reason stands beside it."""
    sheet = pd.DataFrame(
        [UNIT | {"tilt_applied_deg": 2.0, "sra_after_deg": 91.0, "vta_after_deg": 19.0, "rake_aim_deg": 92.0,
                 "target_reason": "owners_wish"}]
    )  # fmt: skip
    life = unit_life(sheet, Policy())
    assert life.corrections[0].turn.value == pytest.approx(1.0, abs=0.05)
    assert "  Target of its own: rake aim 92.0° (the owner's wish)." in life.lines
    assert target_words({"rake_aim_deg": 92.0}).endswith("(no reason told).")

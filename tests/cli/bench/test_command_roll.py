"""The roll on the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Fleet = Callable[..., "object"]


ROLL = """\
setting,roll_deg,crosstalk_l_to_r_db,crosstalk_r_to_l_db,crosstalk_phase_l_to_r_deg,crosstalk_phase_r_to_l_deg
level,0.0,-31.4,-32.5,164,25
cw,1.0,-27.7,-27.8,172,12
ccw,-1.0,-39.8,-40.6,144,60
"""


def test_roll_from_three_settings(fleet: Fleet) -> None:
    """Crosstalk that falls the further the body is turned anticlockwise asks for such a turn."""
    Path("roll.csv").write_text(ROLL)
    ran = fleet("roll", "roll.csv")
    assert ran.status == 0
    assert ran.out.startswith("Turn the body 1.3")
    assert "anticlockwise facing the nose" in ran.out
    from_there = fleet("roll", "roll.csv", "--now", "ccw")
    assert from_there.out.startswith("Turn the body 0.3")


def test_a_turn_within_its_doubt_is_left(fleet: Fleet) -> None:
    """From a setting that stands where it should, up to the doubt, no turn is asked for."""
    Path("roll.csv").write_text(f"{ROLL}near,-1.3,-45,-45,90,90\n")
    ran = fleet("roll", "roll.csv", "--now", "near")
    assert ran.out.startswith("Leave it: ")
    assert "smaller than its doubt of" in ran.out
    assert fleet("roll", "roll.csv", "--now", "near", "--out", "roll.json").status == 0
    proposed = json.loads(Path("roll.json").read_text())[1]
    assert (proposed["turn_decision"], proposed["turn_deg"]) == ("leave", 0.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("setting,roll_deg\nlevel,wide\n", "roll_deg"),
        ("setting\nlevel\n", "has no column roll_deg"),
        ("setting,roll_deg,crosstalk_l_to_r_db\nlevel,0,30\n", "crosstalk is negative here"),
    ],
)
def test_roll_files_that_say_nothing(fleet: Fleet, text: str, says: str) -> None:
    """A file without roll settings, or with impossible readings, gets one line."""
    Path("roll.csv").write_text(text)
    ran = fleet("roll", "roll.csv")
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert says in ran.err

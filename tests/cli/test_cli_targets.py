"""Roll, zenith and the wedge drawer on the command line."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pandas as pd
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


def test_zenith(fleet: Fleet) -> None:
    """The body turns by the reading; under a roll the cantilever's figure is another one."""
    typed = "--zenith-deg 2.5 --vta-dynamic-deg 22 --roll-applied-deg 1 --stylus elliptical"
    ran = fleet("zenith", *typed.split())
    assert ran.status == 0
    assert ran.out.startswith("Turn the body 2.50° clockwise, seen from above")
    assert "let it stand 2.90° clockwise" in ran.out
    assert "no repair" in ran.out


def test_zenith_where_there_is_none(fleet: Fleet) -> None:
    """No reading, or a spherical stylus, can't be aligned: one line each."""
    assert "--zenith-deg is needed" in fleet("zenith").err
    assert "no contact edge" in fleet("zenith", "--zenith-deg", "2", "--stylus", "spherical").err


def test_wedges_for_past_work(fleet: Fleet, sheets: Path) -> None:
    """Tilts wanted so far: +0.8, -0.5 and none (the arm alone), +2.0: one wedge of 2° serves the rest."""
    fleet("intake", str(sheets))
    ran = fleet("wedges", "--most", "2")
    assert ran.status == 0
    table = pd.read_csv(io.StringIO(fleet("wedges", "--most", "2", "--out", "-").out)).set_index("wedges")
    assert table.loc[1, "served"] == 1.0
    assert float(table.loc[1, "angles_deg"]) == pytest.approx(2.0, abs=0.25)
    assert table.loc[0, "made_to_measure"] == 0.25
    assert "Policy: default (" in ran.out


@pytest.mark.usefixtures("demo_store")
def test_wedges_for_enquiries(fleet: Fleet, demo_folder: Path) -> None:
    """For enquiries the drawn tilts count, and each wedge more serves more."""
    file = str(demo_folder / "demo-enquiries.csv")
    table = pd.read_csv(io.StringIO(fleet("wedges", file, "--most", "3", "--out", "-").out))
    assert table["wedges"].tolist() == [0, 1, 2, 3]
    assert table["served"].is_monotonic_increasing
    assert table["served"].iloc[-1] > 0.3

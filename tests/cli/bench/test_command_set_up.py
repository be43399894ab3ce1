"""Roll, zenith and reach on the command line: figures, senses in words, files, one line for wrong input."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.physics.crosstalk import decibel, rotated_crosstalk

Fleet = Callable[..., "object"]

COLUMNS = (
    "setting,roll_deg,crosstalk_l_to_r_db,crosstalk_r_to_l_db,"
    "crosstalk_phase_l_to_r_deg,crosstalk_phase_r_to_l_deg,channel_balance_db"
)


def channel_rows(rolled_deg: float, rolls: tuple[float, ...], *, phases: bool = True) -> str:
    """What a bench would read of a generator rolled by so much, with a little leakage alike both ways."""
    tangent = np.tan(np.radians(rolled_deg))
    leak = 0.004 + 0.006j
    rows = [COLUMNS]
    for number, roll in enumerate(rolls):
        into_left, into_right = rotated_crosstalk(roll, tangent + leak, -tangent + leak)
        read = [float(decibel(into_right)), float(decibel(into_left))]
        angles = [float(np.degrees(np.angle(z))) for z in (into_right, into_left)] if phases else ["", ""]
        rows.append(",".join(str(v) for v in [f"s{number}", roll, *read, *angles, 0.0]))
    return "\n".join(rows) + "\n"


def table_of(ran: object) -> pd.DataFrame:
    """The table that a command wrote on standard output."""
    assert (ran.status, ran.err) == (0, "")
    return pd.read_csv(io.StringIO(ran.out))


@pytest.mark.parametrize(("rolled", "sense"), [(1.5, "anticlockwise"), (-2.0, "clockwise")])
def test_roll_turns_back_what_is_rolled(fleet: Fleet, rolled: float, sense: str) -> None:
    """The proposal is minus the generator's roll, with its sense, and the crosstalk falls to the leakage."""
    Path("roll.csv").write_text(channel_rows(rolled, (0.0, 1.0, -1.0)))
    ran = fleet("roll", "roll.csv")
    assert ran.out.startswith(f"Turn the body {abs(rolled):.2f}° {sense} facing the nose")
    assert "phase of the crosstalk, right into left [°]" in ran.out
    assert "power off" in ran.out
    found = table_of(fleet("roll", "roll.csv", "--out", "-")).set_index("at")
    assert found.loc["proposed", "roll_deg"] == pytest.approx(-rolled, abs=0.02)
    leak_db = 20 * np.log10(np.hypot(0.004, 0.006))
    assert found.loc["proposed", "crosstalk_l_to_r_db"] == pytest.approx(leak_db, abs=0.1)
    assert found.loc["now", "crosstalk_l_to_r_db"] > found.loc["proposed", "crosstalk_l_to_r_db"] + 5


def test_roll_from_one_typed_setting_with_phases(fleet: Fleet) -> None:
    """One setting is enough where the phases were read, and a file says the same."""
    Path("roll.csv").write_text(channel_rows(1.5, (0.0,)))
    row = pd.read_csv("roll.csv").iloc[0]
    typed = [
        word
        for name in COLUMNS.split(",")[2:]
        for word in (f"--{name.replace('_', '-')}", f"{row[name]:.6f}")
    ]
    by_hand = table_of(fleet("roll", *typed, "--out", "-"))
    by_file = table_of(fleet("roll", "roll.csv", "--out", "-"))
    pd.testing.assert_frame_equal(by_hand, by_file, rtol=1e-4)
    assert by_hand["roll_deg"].iloc[1] == pytest.approx(-1.5, abs=0.02)


def test_one_setting_without_phases_says_what_cannot_be_told(fleet: Fleet) -> None:
    """One level without its phase fits a rotation and a leakage alike: exit status 2, one line, no file."""
    Path("roll.csv").write_text(channel_rows(1.5, (0.0,), phases=False))
    ran = fleet("roll", "roll.csv", "--out", "advice.csv")
    assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "fits a rotation and a leakage alike" in ran.err
    assert "read the phases too" in ran.err
    assert not Path("advice.csv").exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        (f"{COLUMNS}\n", "only a header"),
        ("setting,crosstalk_l_to_r_db\nlevel,-30\n", "roll_deg"),
        (
            "roll_deg,crosstalk_l_to_r_db\n0,quiet\n",
            "crosstalk_l_to_r_db: (5 characters, not shown) is no",
        ),
        ("roll_deg,crosstalk_l_to_r_db\n0,-30\n1,-28\n", "crosstalk_r_to_l_db"),
        ("roll_deg,crosstalk_l_to_r_db,crosstalk_r_to_l_db\n15,-30,-31\n", "roll_deg"),
    ],
)
def test_roll_files_that_cannot_be_used(fleet: Fleet, text: str, says: str) -> None:
    """Empty, without a column, text for a number, one direction only: one line that names it, status 2."""
    Path("roll.csv").write_text(text)
    ran = fleet("roll", "roll.csv")
    assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert says in ran.err


def test_roll_without_anything_or_with_too_much(fleet: Fleet) -> None:
    """Neither a file nor readings, or both, is one line."""
    assert "name a file" in fleet("roll").err
    Path("roll.csv").write_text(channel_rows(1.0, (0.0, 1.0)))
    both = fleet("roll", "roll.csv", "--crosstalk-l-to-r-db", "-30")
    assert (both.status, both.err.count("\n")) == (2, 1)
    assert "s0, s1" in fleet("roll", "roll.csv", "--now", "s9").err


def test_zenith_figures_and_table(fleet: Fleet) -> None:
    """The body turns by the reading, the cantilever stands elsewhere under a roll; skew for distortion."""
    typed = [
        "--zenith-deg",
        "-3",
        "--vta-dynamic-deg",
        "22",
        "--roll-applied-deg",
        "1",
        "--stylus",
        "line_contact",
    ]
    ran = fleet("zenith", *typed)
    assert ran.out.startswith("Turn: The body 3.00° anticlockwise (± 0.40°), seen from above")
    assert "[µs]" in ran.out
    found = table_of(fleet("zenith", *typed, "--out", "-")).set_index("body")
    seen = np.degrees(np.arctan(np.tan(np.radians(22)) * np.sin(np.radians(1))))
    assert found["body_turn_deg"].tolist() == [0.0, -3.0]
    np.testing.assert_allclose(found["cantilever_stands_deg"], [seen, seen - 3.0], atol=0.01)
    assert found.loc["turned", "skew_worst_us"] < found.loc["straight", "skew_worst_us"]
    assert found.loc["turned", "tracking_rms"] > found.loc["straight", "tracking_rms"]


def test_zenith_says_what_was_assumed(fleet: Fleet) -> None:
    """A profile that wasn't told is named; without tracking angle a roll's share is; a slip is one line."""
    ran = fleet("zenith", "--zenith-deg", "2", "--roll-applied-deg", "1")
    assert "the worst case" in ran.out
    assert "Read the tracking angle: where the cantilever will be seen stands on it" in ran.out
    wrong = fleet("zenith", "--zenith-deg", "much")
    assert (wrong.status, wrong.err.count("\n")) == (2, 1)
    assert "--zenith-deg" in wrong.err


ARM = ["--effective-length-mm", "230", "--pivot-to-spindle-mm", "211.95", "--offset-deg", "23.97"]


def test_reach_of_the_pickup_the_arm_was_drawn_for(fleet: Fleet) -> None:
    """The nominal distance needs nothing; overhang and null radii are those of the equal-peak alignment."""
    ran = fleet("reach", "--tip-to-mount-mm", "9.5", *ARM)
    assert ran.status == 0
    assert ran.out.startswith("Can be set")
    assert "Taken from" not in ran.out
    found = table_of(fleet("reach", "--tip-to-mount-mm", "9.5", *ARM, "--out", "-")).set_index("alignment")
    assert found.loc["attained", "null_inner_mm"] == pytest.approx(66.0, abs=0.2)
    assert found.loc["attained", "null_outer_mm"] == pytest.approx(120.9, abs=0.2)


def test_reach_that_misses(fleet: Fleet) -> None:
    """A longer pickup without slots lacks travel towards the tail, and pays in distortion; slots cure it."""
    ran = fleet("reach", "--tip-to-mount-mm", "12", *ARM)
    assert ran.out.startswith("Can't be set as wanted: it lacks 2.50 mm of slot towards the tail")
    found = table_of(fleet("reach", "--tip-to-mount-mm", "12", *ARM, "--out", "-")).set_index("alignment")
    assert not found["possible"].any()
    assert found.loc["attained", "distortion_worst"] > 2 * found.loc["wanted", "distortion_worst"]
    slotted = fleet("reach", "--tip-to-mount-mm", "12", *ARM, "--slot-back-mm", "3", "--twist-deg", "2")
    assert slotted.out.startswith("Can be set: holes 2.50 mm towards the tail")


def test_reach_says_what_it_took_and_what_is_wrong(fleet: Fleet) -> None:
    """Arm data that wasn't typed is named; impossible or missing figures are one line, status 2."""
    ran = fleet("reach", "--tip-to-mount-mm", "9.5", "--effective-length-mm", "230")
    assert "pivot to spindle 211.95 mm, offset 23.97°" in ran.out
    for words, says in (
        ("--tip-to-mount-mm 9.5", "--effective-length-mm"),
        ("--tip-to-mount-mm wide --effective-length-mm 230", "--tip-to-mount-mm"),
        (
            "--tip-to-mount-mm 9.5 --effective-length-mm 230 --pivot-to-spindle-mm 240",
            "greater than its distance",
        ),
        ("--tip-to-mount-mm 9.5 --effective-length-mm 230 --limits abc", "--limits"),
    ):
        wrong = fleet("reach", *words.split())
        assert (wrong.status, wrong.out, wrong.err.count("\n")) == (2, "", 1)
        assert says in wrong.err


def test_a_force_in_grams(fleet: Fleet) -> None:
    """--vtf-g is --vtf-mn times 9.80665, never both, and never a word."""
    words = ("align", "--vta-dynamic-deg", "20", "--out", "-")
    grams, millinewtons = fleet(*words, "--vtf-g", "1.8"), fleet(*words, "--vtf-mn", "17.65197")
    assert grams.status == 0
    assert grams.out == millinewtons.out
    for wrong, line in (
        (("--vtf-g", "1.8", "--vtf-mn", "18"), "tell the same force"),
        (("--vtf-g", "x"), "no number"),
    ):
        ran = fleet(*words, *wrong)
        assert ran.status == 2
        assert line in ran.err

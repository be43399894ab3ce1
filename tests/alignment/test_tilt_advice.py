"""The tilt of one unit in full: figures, sense in words, what limits it, how it is made, cautions."""

import numpy as np
import pytest

from fleet.alignment.tilt import choose_tilt
from fleet.alignment.tilt_advice import CLEARANCE, advise_tilt
from fleet.errors import FleetError
from fleet.policy.policy import Policy

DEFAULT = Policy()


def test_both_met_by_the_arm():
    """A small tilt is the arm's: figures, sense and bearing height in words."""
    advice = advise_tilt(90.2, 20.4, 3.0, DEFAULT, arm_length_mm=230.0)
    assert (advice.tilt_deg, advice.rake_deg, advice.tracking_deg) == pytest.approx((0.8, 91.0, 21.2))
    assert (advice.outcome, advice.limited_by, advice.remedy) == ("both", "nothing", "arm_only")
    assert advice.arm_rise_mm == pytest.approx(230 * np.sin(np.deg2rad(0.8)))
    assert advice.sentence == (
        "Tilt +0.80° (tail up) gives rake 91.00° and tracking angle 21.20°: both targets met. "
        "The arm alone does it (bearing 3.2 mm higher)."
    )
    assert advice.cautions == (CLEARANCE,)
    assert advice.policy == DEFAULT.label


@pytest.mark.parametrize(
    ("sra", "vta", "room", "limit", "words"),
    [
        (90.0, 22.0, 3.0, "built_in", "the built-in angle is 68.00°, 68.50° is needed"),
        (90.0, 21.3, 3.0, "preference", "the policy prefers this one"),
        (86.0, 17.0, 3.0, "room", "the tilt room doesn't"),
        (97.0, 27.5, 3.0, "lower_limit", "the lower limit of tilt doesn't"),
    ],
)
def test_what_limits_it(sra, vta, room, limit, words):
    """Built-in angle, room, lower limit or the policy's own preference: each is named in words."""
    advice = advise_tilt(sra, vta, room, DEFAULT)
    assert advice.limited_by == limit
    assert words in advice.sentence


def test_wedge_made_to_measure():
    """A made wedge is rounded to the step, never past the room; the arm does the rest."""
    advice = advise_tilt(88.76, 18.0, 2.27, DEFAULT)
    assert (advice.remedy, advice.wedge_deg) == ("made_wedge", 2.2)
    assert advice.tilt_deg == pytest.approx(2.24)
    assert "a wedge made to measure of +2.2°, the arm the last +0.04°" in advice.sentence
    assert advise_tilt(88.73, 18.0, 2.27, DEFAULT).wedge_deg == 2.2
    assert advise_tilt(88.73, 18.0, 3.0, DEFAULT).wedge_deg == 2.3


def test_stock_wedge_turned_round():
    """The drawer's wedge of 2 deg serves a tail-down tilt near 2 deg as well."""
    advice = advise_tilt(92.9, 22.0, 3.0, DEFAULT.but(stock_wedges_deg=(2.0, 3.0)))
    assert (advice.remedy, advice.wedge_deg) == ("stock_wedge", -2.0)
    assert "tail down" in advice.sentence
    assert advice.cautions == ()


def test_heights_of_the_stack():
    """With the body's measures the heights with a wedge stand beside the advice."""
    advice = advise_tilt(88.5, 18.0, 3.0, DEFAULT, height_mm=17.0, tip_to_mount_mm=9.5)
    assert advice.stack is not None
    assert advice.stack.made.tilt_deg == pytest.approx(2.5)
    assert advice.stack.made.height_mm > advice.stack.bare.height_mm == 17.0
    assert advise_tilt(88.5, 18.0, 3.0, DEFAULT).stack is None


def test_spherical():
    """A spherical stylus is advised on its tracking angle alone."""
    advice = advise_tilt(np.nan, 23.0, 3.0, DEFAULT)
    assert np.isnan(advice.rake_deg)
    assert advice.tracking_deg == pytest.approx(20.0)
    assert "a spherical stylus has no rake" in advice.sentence
    steep = advise_tilt(np.nan, 28.0, 3.0, DEFAULT)
    assert (steep.outcome, steep.limited_by) == ("neither", "lower_limit")
    assert "keeps tracking from coming down" in steep.sentence


def test_cautions():
    """A room that wasn't read and a wedge nobody makes are said aloud."""
    advice = advise_tilt(80.0, 12.0, np.nan, DEFAULT.but(wedge_range_deg=(-5.0, 6.0)))
    assert any("not read" in c for c in advice.cautions)
    assert any("beyond what is made" in c for c in advice.cautions)


@pytest.mark.parametrize("room", [0.0, 1.234, 3.0, np.nan])
def test_the_line_holds_the_choice(room):
    """The trade-off line runs from the lower limit to the room, one for one, and nowhere beats the choice."""
    advice = advise_tilt(89.3, 20.9, room, DEFAULT)
    line = advice.line
    assert line["tilt_deg"].iloc[0] == -5.0
    assert line["tilt_deg"].iloc[-1] == pytest.approx(5.0 if np.isnan(room) else room)
    assert line["tilt_deg"].is_monotonic_increasing
    np.testing.assert_allclose(line["rake_deg"] - line["tracking_deg"], 68.4)
    met = line["outcome"].isin(["both", "rake_only"]).any()
    assert met == (choose_tilt(89.3, 20.9, room, DEFAULT).words in ("both", "rake_only"))


def test_refusals():
    """No tracking angle, or an impossible arm, is one clear line."""
    with pytest.raises(FleetError, match="needs the tracking angle"):
        advise_tilt(90.0, np.nan, 3.0, DEFAULT)
    with pytest.raises(FleetError, match="arm length is -1 mm"):
        advise_tilt(90.0, 20.0, 3.0, DEFAULT, arm_length_mm=-1.0)

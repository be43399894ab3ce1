"""One alignment: exact in space, nothing without its reading, do or leave, in the order of the hands."""

from __future__ import annotations

import math
import os

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fleet.alignment.align import _Draws, align
from fleet.alignment.alignment import DO, LEAVE, NOTHING, WITHHELD, Alignment
from fleet.alignment.readings import PREDICTED, Given, Known, room_limit_deg, take_readings
from fleet.alignment.solve import solve, square_turn, stand
from fleet.alignment.tilt import choose_tilt
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.words import CLEARANCE, DUST, GLUE, STEEL

DEFAULT = Policy()
PICKUPS = 2_000 if os.environ.get("FLEET_LONG") == "1" else 500
FULL = {
    "stylus_profile": "line_contact",
    "sra_static_deg": 89.3,
    "sra_dynamic_deg": 88.6,
    "vta_dynamic_deg": 19.5,
    "tilt_room_deg": 4.0,
    "zenith_deg": 1.5,
    "azimuth_optical_deg": 0.3,
    "azimuth_electrical_deg": 1.2,
    "height_mm": 17.0,
    "tip_to_mount_mm": 9.5,
    "vtf_mn": 18.0,
}


def aligned(policy: Policy = DEFAULT, *, arm: float | None = None, **changes: object) -> Alignment:
    """The alignment of the full sheet with some readings changed; None takes one away."""
    return align(take_readings({**FULL, **changes}), policy, arm_length_mm=arm)


def space(a: Alignment) -> tuple[dict[str, float], dict[str, float]]:
    """What an onlooker reads of the unit in space: set as advised, and turned alone.

    Vectors from the meaning of the angles: x from the arm's pivot to the tip, z up, y away from the disc
    centre (clockwise disc). The cantilever falls towards the tip at the tracking angle; the edge's top leans
    from upright by rake and azimuth; the line across the edge is turned by the zenith, whose clockwise is
    seen from below, so anticlockwise from above. Rolled clockwise facing the nose = the top goes to +y.
    """
    v, s, z, lean = (
        math.radians(a.known[n].usable_value)
        for n in ("vta_dynamic_deg", "sra_dynamic_deg", "zenith_deg", "azimuth_optical_deg")
    )
    cantilever = np.array([math.cos(v), 0.0, -math.sin(v)])
    edge = np.array([-1.0 / math.tan(s), math.tan(lean), 1.0])
    across = np.array([-math.sin(z), math.cos(z), 0.0])

    def seen(tilt: float, roll: float, turn: float) -> dict[str, float]:
        rolled = Rotation.from_rotvec(np.radians([-roll, 0.0, 0.0]))
        tilted = Rotation.from_rotvec(np.radians([0.0, tilt, 0.0]))
        turned = Rotation.from_rotvec(np.radians([0.0, 0.0, -turn]))
        put = turned * tilted * rolled
        d, u, e = (put.apply(x) for x in (cantilever, edge, across))
        back = (turned * tilted).inv() * put
        return {
            "rake": math.degrees(math.atan2(u[2], -u[0])),
            "tracking": math.degrees(math.asin(-d[2] / np.linalg.norm(d))),
            "roll": -math.degrees(back.as_rotvec()[0]),
            "seen": -math.degrees(math.atan2(d[1], d[0])),
            "edge": math.degrees(math.atan2(-e[0], e[1])),
        }

    return seen(a.tilt.degrees, a.roll.degrees, a.turn.degrees), seen(0.0, 0.0, a.seen_bare.value)


def test_a_hundred_thousand_settings_hold_in_space() -> None:
    """Random pickups set by the solver read what it states, to 1e-6°, by a rotation library of others.

    Rake, tracking angle, roll and the cantilever's direction with wedge, roll and turn; the edge square; and
    direction and edge on a level, upright body that is only turned.
    """
    n, rng = 100_000, np.random.default_rng(9)
    sra, vta, room = rng.uniform(82, 100, n), rng.uniform(12, 36, n), rng.uniform(0, 6, n)
    zenith, lean, roll = rng.normal(0, 2.5, n), rng.normal(0, 1.5, n), rng.normal(0, 2.5, n)
    put = solve(sra, vta, room, DEFAULT, lean_deg=lean, zenith_deg=zenith, roll_deg=roll)
    unit = {"lean_deg": lean, "zenith_deg": zenith}
    said = stand(sra, vta, **unit, tilt_deg=put.tilt, roll_deg=roll, turn_deg=put.turn)
    bare = stand(sra, vta, **unit, turn_deg=zenith)
    zero, one = np.zeros(n), np.ones(n)
    v, s, z, a = (np.radians(x) for x in (vta, sra, zenith, lean))
    cantilever = np.stack([np.cos(v), zero, -np.sin(v)], axis=1)
    edge = np.stack([-1.0 / np.tan(s), np.tan(a), one], axis=1)
    across = np.stack([-np.sin(z), np.cos(z), zero], axis=1)

    def about(axis: int, degrees: np.ndarray) -> Rotation:
        vectors = np.zeros((n, 3))
        vectors[:, axis] = np.radians(degrees)
        return Rotation.from_rotvec(vectors)

    fixed = about(2, -put.turn) * about(1, put.tilt)
    whole = fixed * about(0, -roll)
    for rotation, stands in ((whole, said), (about(2, -zenith), bare)):
        d, u, e = (rotation.apply(x) for x in (cantilever, edge, across))
        for found, stated in (
            (np.arctan2(u[:, 2], -u[:, 0]), stands.rake),
            (np.arcsin(-d[:, 2]), stands.tracking),
            (-np.arctan2(d[:, 1], d[:, 0]), stands.seen),
            (np.arctan2(-e[:, 0], e[:, 1]), 0.0),
        ):
            np.testing.assert_allclose(np.degrees(found), stated, rtol=0, atol=1e-6)
    np.testing.assert_allclose(-np.degrees((fixed.inv() * whole).as_rotvec()[:, 0]), roll, rtol=0, atol=1e-6)
    low, high = DEFAULT.rake_accepted_deg
    free = (put.tilt > DEFAULT.tilt_lower_limit_deg + 1e-6) & (put.tilt < room - 1e-6)
    assert free.sum() > n / 4
    np.testing.assert_allclose(said.rake[free], DEFAULT.aim_deg, rtol=0, atol=1e-5)
    assert (said.rake[free] >= low).all()
    assert (said.rake[free] <= high).all()


@pytest.mark.long
def test_the_advice_holds_in_space() -> None:
    """The same for whole alignments, of which some corrections are left; the edge is square where turned."""
    rng = np.random.default_rng(5)
    turned = 0
    for _ in range(PICKUPS):
        sheet = {
            "stylus_profile": "line_contact",
            "sra_dynamic_deg": rng.uniform(82, 100),
            "vta_dynamic_deg": rng.uniform(12, 36),
            "zenith_deg": rng.normal(0, 2.5),
            "azimuth_optical_deg": rng.normal(0, 1.5),
            "azimuth_electrical_deg": rng.normal(0, 2.5),
            "tilt_room_deg": rng.uniform(0, 6),
        }
        a = align(take_readings(sheet), DEFAULT)
        there, bare = space(a)
        assert there["rake"] == pytest.approx(a.rake.value, abs=1e-6)
        assert there["tracking"] == pytest.approx(a.tracking.value, abs=1e-6)
        assert there["roll"] == pytest.approx(a.roll.degrees, abs=1e-6)
        assert there["seen"] == pytest.approx(a.seen.value, abs=1e-6)
        assert bare["seen"] == pytest.approx(a.seen_bare.value, abs=1e-6)
        if a.turn.decision == DO:
            turned += 1
            assert there["edge"] == pytest.approx(0.0, abs=1e-6)
            assert bare["edge"] == pytest.approx(0.0, abs=1e-6)
    assert turned > PICKUPS / 2


def test_the_tilt_counts_roll_and_turn() -> None:
    """Where the aim can be had the net rake stands on it after roll and turn; adding would miss it."""
    unit = {"lean_deg": 5.0, "zenith_deg": 6.0, "roll_deg": 5.0}
    put = solve(88.0, 18.0, 9.0, DEFAULT, **unit)
    there = stand(88.0, 18.0, **unit, tilt_deg=put.tilt, turn_deg=put.turn)
    assert float(there.rake) == pytest.approx(91.0, abs=1e-6)
    added = float(choose_tilt(88.0, 18.0, 9.0, DEFAULT).tilt_deg)
    plain = stand(88.0, 18.0, **unit, tilt_deg=added, turn_deg=6.0)
    assert abs(float(plain.rake) - 91.0) > 0.01
    assert float(square_turn(6.0, 0.0, 0.0)) == pytest.approx(6.0)


def test_the_cantilever_is_told_with_the_roll_that_is_advised() -> None:
    """A roll of 7.1° asked for one line earlier enters the direction: about 3.5° of it at 26°."""
    level = {"sra_static_deg": None, "sra_dynamic_deg": 91.0, "azimuth_optical_deg": 0.0}
    a = aligned(**level, vta_dynamic_deg=26.0, azimuth_electrical_deg=7.1, zenith_deg=-1.0)
    assert a.tilt.degrees == pytest.approx(0.0, abs=0.05)
    assert a.roll.degrees == pytest.approx(-7.1)
    feigned = -math.degrees(math.atan(math.tan(math.radians(26.0)) * math.sin(math.radians(7.1))))
    assert a.seen.value == pytest.approx(-1.0 + feigned, abs=0.02)
    assert a.seen_bare.value == pytest.approx(-1.0)


def test_a_missing_rake_is_not_a_spherical_stylus() -> None:
    """With nothing to predict it by the tilt is withheld and the reading named; spherical must be told."""
    gone = aligned(sra_dynamic_deg=None, sra_static_deg=None)
    assert gone.tilt.decision == WITHHELD
    assert math.isnan(gone.rake.value)
    assert "read the dynamic rake: the tilt stands on it" in gone.tilt.why
    untold = aligned(sra_dynamic_deg=None, sra_static_deg=None, stylus_profile=None)
    assert "tell the stylus profile" in untold.tilt.why
    ball = aligned(stylus_profile="spherical", vta_dynamic_deg=23.0)
    assert ball.tilt.degrees == pytest.approx(-3.0, abs=0.01)
    assert math.isnan(ball.rake.value)
    assert ball.turn.decision == NOTHING
    assert "a spherical stylus has no rake" in ball.sentence


def test_one_rake_alone_is_advised_on() -> None:
    """The rake decides the tilt; of the tracking angle nothing is said."""
    a = aligned(vta_dynamic_deg=None)
    assert a.tilt.decision == DO
    assert a.rake.value == pytest.approx(91.0, abs=1e-6)
    assert math.isnan(a.tracking.value)
    assert math.isnan(a.after.both)
    assert "tracking angle" not in a.sentence
    assert math.isnan(a.seen.value), "under a roll the direction stands on the tracking angle"
    assert "Read the tracking angle" in dict(a.steps)["Turn"]


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        ({"sra_dynamic_deg": 120.0}, "dynamic rake 120.00°"),
        ({"vta_dynamic_deg": 0.0}, "tracking angle 0.00°"),
        ({"sra_static_deg": 99.5}, "static rake 99.50°"),
        ({"zenith_deg": 25.0}, "zenith 25.00°"),
        ({"azimuth_electrical_deg": -18.0}, "electrical azimuth -18.00°"),
    ],
)
def test_a_slip_is_read_again_before_any_advice(slip: dict[str, float], words: str) -> None:
    """A figure that no pickup has carries nothing; the first step names it."""
    a = aligned(**slip)
    heading, text = a.steps[0]
    assert heading == "Read again"
    assert words in text
    resting = (
        a.tilt
        if {"zenith_deg", "azimuth_electrical_deg"}.isdisjoint(slip)
        else (a.turn if "zenith_deg" in slip else a.roll)
    )
    assert resting.decision == WITHHELD
    assert "can only be a slip" in resting.why


def test_what_is_smaller_than_its_doubt_is_left() -> None:
    """A zenith of 0.10 ± 0.40°, an azimuth of 0.2 ± 0.3°, a tilt that gains nothing: leave them."""
    small = {"zenith_deg": 0.1, "azimuth_electrical_deg": 0.2}
    a = aligned(**small, sra_static_deg=91.8, sra_dynamic_deg=91.1, vta_dynamic_deg=18.0)
    assert (a.tilt.decision, a.roll.decision, a.turn.decision) == (LEAVE, LEAVE, LEAVE)
    assert (a.tilt.degrees, a.roll.degrees, a.turn.degrees) == (0.0, 0.0, 0.0)
    text = dict(a.steps)
    assert "Leave it: the zenith asks for 0.10° clockwise, smaller than its doubt of 0.40°" in text["Turn"]
    assert "Leave it: 0.2° anticlockwise" in text["Roll"]
    assert text["Tilt"].startswith("Leave it level: a tilt of -0.10° is smaller than its doubt of 0.32°")
    assert a.cautions == ()
    assert a.rake.value == pytest.approx(91.1)


def test_a_small_tilt_that_gains_is_done() -> None:
    """0.3° within a doubt of 0.32° is worth it where it lifts the chance from a half."""
    a = aligned(sra_dynamic_deg=90.5, vta_dynamic_deg=18.0, zenith_deg=None)
    assert a.tilt.decision == DO
    assert a.before.rake < 0.6 < 0.95 < a.after.rake


def test_a_target_missed_by_less_than_the_doubt_may_be_met() -> None:
    """Built-in angle 68.40 ± 0.77°: no 'cannot', a chance; far below it, no tilt meets both."""
    near = aligned(sra_dynamic_deg=90.4, vta_dynamic_deg=22.0, zenith_deg=None, azimuth_electrical_deg=None)
    assert near.limited_by == "built_in"
    assert "Some tilt may meet both" in near.sentence
    assert "68.40 ± 0.77°, 68.50° is needed" in near.sentence
    assert "tracking angle may be met: " in near.sentence
    assert "No tilt" not in near.sentence
    far = aligned(sra_dynamic_deg=90.4, vta_dynamic_deg=25.0, zenith_deg=None, azimuth_electrical_deg=None)
    assert "No tilt meets both: the built-in angle is 65.40 ± 0.77°" in far.sentence


def test_neither_target_and_nothing_gained_is_left() -> None:
    """Where what the rake gains the tracking angle loses, no wedge is cut."""
    a = aligned(sra_dynamic_deg=84.0, vta_dynamic_deg=26.0, tilt_room_deg=3.4)
    assert a.tilt.decision == LEAVE
    assert a.tilt.asked.value == pytest.approx(3.4)
    assert a.sentence.startswith(
        "Tilt: Leave it level: a tilt of +3.40° would meet neither target: what the "
    )
    assert "neither target met" in a.sentence
    assert a.mounting.kind == "none"


def test_room_predicted_is_held_at_what_nine_of_ten_have() -> None:
    """Nine of ten lie above the expectation less 1.28 sds; the tilt never goes past it, and says so."""
    given = Given(3.4, 0.5, "predicted")
    assert room_limit_deg(given) == pytest.approx(3.4 - 1.2816 * 0.5, abs=1e-4)
    assert room_limit_deg(Given(1.0, 2.0, "predicted")) == 0.0
    base = take_readings(FULL | {"sra_dynamic_deg": 83.0, "sra_static_deg": 83.5, "vta_dynamic_deg": 12.0})
    a = align(Known(base.stylus, {**base.given, "tilt_room_deg": given}), DEFAULT)
    assert a.tilt.degrees == pytest.approx(room_limit_deg(given))
    assert a.wedge_deg <= room_limit_deg(given)
    assert any("Read it before a wedge is cut" in c for c in a.cautions)
    assert any(heading == "Not read" and "Tilt room predicted" in text for heading, text in a.steps)


def test_all_the_room_is_said() -> None:
    """A tilt that takes the whole room says what the policy leaves."""
    a = aligned(
        DEFAULT.but(clearance_deg=0.2), sra_dynamic_deg=85.0, sra_static_deg=85.5, vta_dynamic_deg=14.0
    )
    assert a.tilt.degrees == pytest.approx(3.8)
    assert any("all the room there is but the 0.2°" in c for c in a.cautions)


def test_steps_go_in_the_order_of_the_hands() -> None:
    """Tilt, wedge and height, force, overhang, roll, turn, check again; with figures."""
    a = aligned()
    assert [h for h, _ in a.steps] == [
        "Tilt", "Wedge", "Height", "Force", "Overhang", "Roll", "Turn", "Check again",
    ]  # fmt: skip
    text = dict(a.steps)
    assert "to 18.0 mN" in text["Force"]
    assert "0.72 mm nearer to the hole line" in text["Overhang"]
    assert "mm at the tail" in text["Wedge"]
    assert set(a.cautions) >= {CLEARANCE, DUST, STEEL, GLUE}
    assert "cm/s peak" in text["Turn"]
    assert "mm radius" in text["Turn"]


def test_a_steep_roll_says_what_it_does_to_the_diamond() -> None:
    """Beyond about two degrees the diamond's lean stands beside the roll."""
    steep = dict(aligned(azimuth_electrical_deg=3.0, azimuth_optical_deg=-0.5).steps)["Roll"]
    assert "it would lean 3.5°, 0.5° now" in steep
    assert "lean" not in dict(aligned(azimuth_electrical_deg=1.0).steps)["Roll"]


def test_tail_down_tilts_are_cautioned_too() -> None:
    """Nose or belly comes nearer either way."""
    a = aligned(sra_dynamic_deg=94.0, sra_static_deg=94.5)
    assert a.tilt.degrees < 0
    assert CLEARANCE in a.cautions


def test_arm_and_stock_wedges() -> None:
    """The arm's range needs its length; a stock wedge is turned round; a made one is never past the room."""
    small = aligned(
        sra_dynamic_deg=90.2, sra_static_deg=90.9, zenith_deg=None, azimuth_electrical_deg=None, arm=230.0
    )
    assert (small.remedy, small.wedge_deg) == ("arm_only", 0.0)
    assert small.arm_rise_mm == pytest.approx(230 * np.sin(np.deg2rad(0.8)), abs=1e-3)
    stock = aligned(
        DEFAULT.but(stock_wedges_deg=(2.0, 3.0)),
        sra_dynamic_deg=92.9,
        sra_static_deg=93.4,
        vta_dynamic_deg=22.0,
    )
    assert (stock.remedy, stock.wedge_deg) == ("stock_wedge", -2.0)
    assert "1.00 mm at the nose" in dict(stock.steps)["Wedge"]
    tight = aligned(sra_dynamic_deg=88.73, sra_static_deg=89.3, vta_dynamic_deg=18.0, tilt_room_deg=2.27)
    assert tight.wedge_deg == 2.2
    assert tight.mounting.trim_deg == pytest.approx(tight.tilt.degrees - 2.2)
    with pytest.raises(FleetError, match="arm length is -1 mm"):
        aligned(arm=-1.0)


@pytest.mark.parametrize(
    ("changes", "limit", "words"),
    [
        ({"sra_dynamic_deg": 90.0, "vta_dynamic_deg": 22.0}, "built_in", "68.50° is needed"),
        ({"sra_dynamic_deg": 90.0, "vta_dynamic_deg": 21.3}, "preference", "the policy prefers this one"),
        (
            {"sra_dynamic_deg": 86.0, "vta_dynamic_deg": 17.0, "tilt_room_deg": 3.0},
            "room",
            "the tilt room doesn't",
        ),
        (
            {"sra_dynamic_deg": 97.0, "vta_dynamic_deg": 27.5},
            "lower_limit",
            "the lower limit of tilt doesn't",
        ),
    ],
)
def test_what_limits_it(changes: dict[str, float], limit: str, words: str) -> None:
    """Built-in angle, room, lower limit or the policy's own preference: each is named in words."""
    a = aligned(**(changes | {"sra_static_deg": None, "zenith_deg": None, "azimuth_electrical_deg": None}))
    assert a.limited_by == limit
    assert words in a.sentence


def test_draws_of_the_two_angles_go_together() -> None:
    """Spreads and covariance of the true angles' draws are those that are known of them."""
    given = {**take_readings(FULL).given, "sra_dynamic_deg": Given(91.0, 0.8, PREDICTED),
             "vta_dynamic_deg": Given(21.0, 0.6, PREDICTED)}  # fmt: skip
    draws = _Draws(Known("line_contact", given, covariance=0.3))
    assert np.cov(draws.sra, draws.vta) == pytest.approx(np.array([[0.64, 0.3], [0.3, 0.36]]), rel=0.02)


@pytest.mark.parametrize(("sd", "withheld"), [(0.95, False), (1.05, True)])
def test_a_predicted_rake_wider_than_half_its_band_carries_no_tilt(sd: float, withheld: bool) -> None:
    """The band is 2° wide: a standard uncertainty of less than 1° is enough to tilt by."""
    given = {**take_readings(FULL).given, "sra_dynamic_deg": Given(88.6, sd, PREDICTED)}
    tilt = align(Known("line_contact", given), DEFAULT).tilt
    assert (tilt.decision == WITHHELD) == withheld
    assert ("too wide to tilt by" in tilt.why) == withheld


def test_the_turn_is_asked_as_it_is_set() -> None:
    """What the turned edge asks is the exact turn of the tilted and rolled body, with the zenith's doubt."""
    found = aligned()
    assert found.turn.asked == found.turn.set
    exact = float(square_turn(1.5, found.tilt.degrees, found.roll.degrees))
    assert found.turn.asked.value == pytest.approx(exact)
    assert found.turn.asked.sd == pytest.approx(found.known["zenith_deg"].sd)


def test_doubts_follow_the_reading_noise() -> None:
    """A bench that reads twice as finely has half the doubt; nothing else changes."""
    fine = {n: sd / 2 for n, sd in {"sra_dynamic_deg": 0.16, "vta_dynamic_deg": 0.35, "zenith_deg": 0.2,
                                    "azimuth_electrical_deg": 0.15}.items()}  # fmt: skip
    coarse, sharp = (
        align(take_readings(FULL, {n: k * sd for n, sd in fine.items()}), DEFAULT) for k in (2.0, 1.0)
    )
    for name in ("rake", "tracking", "seen"):
        a, b = getattr(coarse, name), getattr(sharp, name)
        assert a.value == b.value
        assert a.sd == pytest.approx(2.0 * b.sd, rel=0.02)
    assert coarse.rake.sd == pytest.approx(0.16, rel=0.02)


def test_the_record_is_flat_and_whole() -> None:
    """One row of plain values: corrections, chances, mounting, and what each reading was."""
    row = aligned().record()
    assert row["tilt_decision"] == "do"
    assert row["tilt_stands_on"] == "sra_dynamic_deg:read;vta_dynamic_deg:read"
    assert row["mounting_kind"] == "made_wedge"
    assert row["other_1_kind"] == "none"
    assert all(isinstance(v, str | float | int) for v in row.values())

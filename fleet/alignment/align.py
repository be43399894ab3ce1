"""Readings, stylus, policy, arm: one alignment. Every screen, paper and file prints what this returns."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fleet.alignment.alignment import (
    DO,
    LEAVE,
    NEVER,
    NOTHING,
    WITHHELD,
    WORTH,
    Alignment,
    Chances,
    Correction,
    Figure,
    done_or_left,
)
from fleet.alignment.readings import (
    DOUBT,
    PREDICTED,
    READ,
    SLIP,
    WORDS,
    Believed,
    Known,
    room_limit_deg,
)
from fleet.alignment.solve import Standing, solve, square_turn, stand
from fleet.alignment.stack_height import mountings
from fleet.alignment.tilt import BOTH, OUTCOMES, UNREAD, choose_tilt, outcome_at, reach
from fleet.alignment.wording import add_words
from fleet.alignment.zenith import ZenithCost, groove_limits, turn_cost, usual_alignment
from fleet.errors import FleetError
from fleet.physics.geometry import arm_height_change_mm
from fleet.policy.policy import DECIMAL_SLACK_DEG
from fleet.policy.remedies import remedy
from fleet.statistics.even_draws import normal_quantile, sobol_points

if TYPE_CHECKING:
    from fleet.physics.geometry import Floats
    from fleet.policy.policy import Policy

DRAWS: Final = 512
USUAL_ARM_MM: Final = 230.0
NONE: Final = Correction(WITHHELD, Figure(), Figure())


def align(
    known: Known, policy: Policy, *, arm_length_mm: float | None = None, limits: str = "iec"
) -> Alignment:
    """Solve one unit's alignment.

    Parameters
    ----------
    known : Known
        Its readings (`fleet.alignment.readings.take_readings`).
    policy : Policy
        Targets, limits, wedges.
    arm_length_mm : float, optional
        Stylus tip to the arm's bearing [mm]; without it heights of the bearing stay unknown.
    limits : str, optional
        Recorded radii that a turn's cost is told for, key into `fleet.physics.arm_geometry.GROOVE_LIMITS`.

    Raises
    ------
    FleetError
        If a length is impossible.
    """
    if arm_length_mm is not None and not arm_length_mm > 0:
        raise FleetError(f"the arm length is {arm_length_mm:g} mm; give the distance from tip to bearing")
    draws, likely = _Draws(known), _Draws(known, known.believed)
    roll, edge = _roll(known), _edge(known)
    zenith = _level_zenith(known, roll)
    turning = zenith if edge.decision == DO else math.nan
    room = room_limit_deg(known["tilt_room_deg"])
    tilt, before = _tilt(known, draws, likely, policy, room, roll.degrees, turning)
    now = _stand(known, zenith, tilt.degrees, roll.degrees, turning)
    turn = _turn(edge, tilt.degrees, roll.degrees, turning)
    there = draws.stand(tilt.degrees, roll.degrees, turn.degrees)
    code = _outcome(known, now, tilt, policy)
    cost = _costs(known, turn, arm_length_mm, limits)
    made = str(remedy(tilt.degrees, policy)) if tilt.decision != WITHHELD else ""
    ways = _ways(known, tilt.degrees, roll.degrees, made, room, policy)
    trim = ways[0].trim_deg
    found = Alignment(
        known=known,
        policy=policy.label,
        tilt=tilt,
        roll=roll,
        turn=turn,
        rake=Figure(float(now.rake), float(np.std(there.rake))),
        tracking=Figure(float(now.tracking), float(np.std(there.tracking))),
        lean=_lean(known, roll),
        seen=_seen(known, now, turn, float(np.std(there.seen)), roll),
        seen_bare=_bare(turn, Figure(zenith, known["zenith_deg"].sd)),
        before=before,
        after=likely.chances(likely.stand(tilt.degrees, roll.degrees, turn.degrees), policy),
        some=likely.some(room, policy),
        outcome=OUTCOMES[code],
        limited_by=_limited_by(known, tilt, room, code, policy),
        room_used_deg=room - policy.clearance_deg,
        remedy=made,
        mountings=ways,
        arm_rise_mm=math.nan if arm_length_mm is None else float(arm_height_change_mm(trim, arm_length_mm)),
        cost_before=cost[0],
        cost_after=cost[1],
        needs=tuple(c.why for c in (tilt, roll, turn) if c.decision == WITHHELD and c.why),
    )
    return add_words(found, policy)


class _Draws:
    """True angles that the readings may stand for, by themselves or with the kind; the same points always."""

    def __init__(self, known: Known, believed: Believed | None = None) -> None:
        rake, tracking = known["sra_dynamic_deg"], known["vta_dynamic_deg"]
        covariance = known.covariance
        if believed is not None:
            rake = replace(rake, value=believed.rake, sd=believed.rake_sd)
            tracking = replace(tracking, value=believed.tracking, sd=believed.tracking_sd)
            covariance = believed.covariance if rake.usable and tracking.usable else 0.0
        z = _normal()
        both = covariance / rake.sd**2 if covariance else 0.0
        e = z[0] * (rake.sd if rake.usable else math.nan)
        rest = math.sqrt(max(tracking.sd**2 - both * covariance, 0.0)) if tracking.usable else math.nan
        self.sra: Floats = rake.usable_value + e
        self.vta: Floats = tracking.usable_value + (both * e if both else 0.0) + z[1] * rest
        self.lean = known["azimuth_optical_deg"].usable_value
        self.spherical = known.spherical

    def stand(self, tilt: float, roll: float, turn: float) -> Standing:
        return stand(
            self.sra,
            self.vta,
            lean_deg=self.lean,
            tilt_deg=tilt,
            roll_deg=roll,
            turn_deg=turn,
            zenith_deg=0.0,
        )

    def chances(self, s: Standing, policy: Policy) -> Chances:
        band = policy.rake_accepted_deg
        rake = (s.rake >= band[0] - DECIMAL_SLACK_DEG) & (s.rake <= band[1] + DECIMAL_SLACK_DEG)
        tracking = s.tracking <= policy.tracking_limit_deg + DECIMAL_SLACK_DEG
        return self._chances(rake, tracking, rake & tracking)

    def some(self, room: float, policy: Policy) -> Chances:
        could = reach(np.full_like(self.vta, np.nan) if self.spherical else self.sra, self.vta, room, policy)
        return self._chances(could.rake, could.tracking, could.both)

    def _chances(self, rake: Any, tracking: Any, both: Any) -> Chances:
        p_rake = math.nan if np.isnan(self.sra).any() else float(np.mean(rake))
        p_tracking = math.nan if np.isnan(self.vta).any() else float(np.mean(tracking))
        if self.spherical:
            return Chances(math.nan, p_tracking, p_tracking)
        known = not (math.isnan(p_rake) or math.isnan(p_tracking))
        return Chances(p_rake, p_tracking, float(np.mean(both)) if known else math.nan)


@lru_cache(maxsize=1)
def _normal() -> Floats:
    """Standard normal points (2, `DRAWS`), evenly spread."""
    return np.asarray(normal_quantile(np.clip(sobol_points(DRAWS, 2, seed=11).T, 1e-9, 1.0 - 1e-9)))


def _roll(known: Known) -> Correction:
    """The roll that the electrical azimuth asks for, or else the one that is told."""
    read, set_to = known["azimuth_electrical_deg"], known["roll_applied_deg"]
    by = ("azimuth_electrical_deg",)
    if read.how == READ:
        asked = Figure(0.0 - read.value, read.sd)
        return done_or_left(asked, by)
    if read.how == SLIP:
        return NONE._replace(by=by, why=again(known, *by))
    if set_to.how == READ:
        figure = Figure(set_to.value, math.nan)
        return Correction(DO if set_to.value else NOTHING, figure, figure, ("roll_applied_deg",))
    return NONE._replace(why="read the electrical azimuth: the roll stands on it")


def _edge(known: Known) -> Correction:
    """Whether the zenith is worth a turn; its exact size comes after tilt and roll."""
    read, by = known["zenith_deg"], ("zenith_deg",)
    if known.spherical:
        return Correction(NOTHING, Figure(0.0, 0.0), Figure(0.0, 0.0), (), "a spherical stylus has no zenith")
    if read.how == READ:
        asked = Figure(read.value, read.sd)
        return done_or_left(asked, by)
    if read.how == SLIP:
        return NONE._replace(by=by, why=again(known, *by))
    return NONE._replace(why="read the zenith: the turn stands on it")


def _level_zenith(known: Known, roll: Correction) -> float:
    """The zenith on a level body; with a roll that is set already it was read on the rolled one."""
    zenith = known["zenith_deg"].usable_value
    if roll.by != ("roll_applied_deg",):
        return zenith
    return math.degrees(math.atan(math.tan(math.radians(zenith)) * math.cos(math.radians(roll.degrees))))


def _turn(edge: Correction, tilt: float, roll: float, zenith: float) -> Correction:
    """The edge's correction as a turn of the tilted and rolled body."""
    if edge.decision != DO:
        return edge
    exact = float(square_turn(zenith, tilt, roll))
    return edge._replace(asked=Figure(exact, edge.asked.sd), set=Figure(exact, edge.asked.sd))


def _tilt(
    known: Known,
    draws: _Draws,
    likely: _Draws,
    policy: Policy,
    room: float,
    roll: float,
    zenith: float,
) -> tuple[Correction, Chances]:
    """Tilt: what the policy asks for, whether it is worth doing, and the chances of leaving it."""
    turn = 0.0 if math.isnan(zenith) else float(square_turn(zenith, 0.0, roll))
    before = likely.chances(likely.stand(0.0, roll, turn), policy)
    by, why = _stands_on(known, policy)
    if why:
        return NONE._replace(by=by, why=why), before
    space: dict[str, Any] = {"lean_deg": draws.lean, "zenith_deg": zenith, "roll_deg": roll}
    angles = (known["sra_dynamic_deg"].usable_value, known["vta_dynamic_deg"].usable_value)
    wanted = float(solve(*angles, room, policy, **space).tilt)
    spread = float(np.std(choose_tilt(draws.sra, draws.vta, room, policy).tilt_deg))
    asked = Figure(wanted, spread)
    if abs(wanted) <= DECIMAL_SLACK_DEG:
        return Correction(NOTHING, asked, Figure(0.0, 0.0), by), before
    after = likely.chances(likely.stand(wanted, roll, turn), policy)
    left = _leave(known, asked, before, after, policy)
    if left:
        return Correction(LEAVE, asked, Figure(0.0, 0.0), by, left), before
    return Correction(DO, asked, asked, by), before


def _stands_on(known: Known, policy: Policy) -> tuple[tuple[str, ...], str]:
    """The readings that a tilt stands on, and why it is withheld, if it is."""
    names = ("vta_dynamic_deg",) if known.spherical else ("sra_dynamic_deg", "vta_dynamic_deg")
    slips = [n for n in ("sra_static_deg", *names) if known[n].how == SLIP]
    if slips:
        return names, again(known, *slips)
    first = known[names[0]]
    if not first.usable:
        if not known.spherical and not known.stylus:
            return (), "tell the stylus profile, or read the rake with the record turning"
        return (), f"read the {WORDS[names[0]]}: the tilt stands on it"
    widest = 0.5 * (policy.rake_accepted_deg[1] - policy.rake_accepted_deg[0])
    if first.how == PREDICTED and first.sd > widest:
        why = (
            f"read the {WORDS[names[0]]}: predicted, it is {first.value:.1f} ± {DOUBT * first.sd:.1f}°, too "
            "wide to tilt by"
        )
        return (), why
    return tuple(n for n in names if known[n].usable), ""


def again(known: Known, *names: str) -> str:
    """Ask for readings that can only be slips."""
    told_as = " and ".join(f"{WORDS[n]} {known[n].value:.2f}°" for n in names)
    return f"read again before any advice: {told_as} can only be a slip"


def _leave(known: Known, asked: Figure, before: Chances, after: Chances, policy: Policy) -> str:
    """Why a tilt is better left, or empty."""
    gains = [a - b for a, b in zip(after, before, strict=True) if not math.isnan(a - b)]
    if abs(asked.value) < asked.doubt and max(gains, default=0.0) < WORTH:
        return f"is smaller than its doubt of {asked.doubt:.2f}° and gains nothing worth it"
    if known.spherical or not max((c for c in after if not math.isnan(c)), default=1.0) <= NEVER:
        return ""
    level, tilted = (sum(misses(known, t, policy)) for t in (0.0, asked.value))
    if level - tilted > DOUBT * known["sra_dynamic_deg"].sd:
        return ""
    return "would meet neither target: what the rake gains by it the tracking angle loses"


def misses(known: Known, tilt: float, policy: Policy) -> tuple[float, float]:
    """By how much rake and tracking angle miss their targets at a tilt [degrees]; 0 where met or unread."""
    band = policy.rake_accepted_deg
    rake = known["sra_dynamic_deg"].usable_value + tilt
    tracking = known["vta_dynamic_deg"].usable_value + tilt
    return (
        float(np.nan_to_num(max(band[0] - rake, rake - band[1], 0.0))),
        float(np.nan_to_num(max(tracking - policy.tracking_limit_deg, 0.0))),
    )


def _stand(known: Known, zenith: float, tilt: float, roll: float, turning: float) -> Standing:
    """Where the unit stands by its figures; an edge that isn't turned stays as it was read."""
    turn = 0.0 if math.isnan(turning) else float(square_turn(turning, tilt, roll))
    return stand(
        known["sra_dynamic_deg"].usable_value,
        known["vta_dynamic_deg"].usable_value,
        lean_deg=known["azimuth_optical_deg"].usable_value,
        zenith_deg=zenith,
        tilt_deg=tilt,
        roll_deg=roll,
        turn_deg=turn,
    )


def _outcome(known: Known, now: Standing, tilt: Correction, policy: Policy) -> int:
    if tilt.decision == WITHHELD:
        return UNREAD
    rake = math.nan if known.spherical else float(now.rake)
    if not known.spherical and math.isnan(rake):
        return UNREAD
    return int(outcome_at(0.0, rake, float(now.tracking), policy))


def _limited_by(known: Known, tilt: Correction, room: float, code: int, policy: Policy) -> str:
    if code in (BOTH, UNREAD):
        return "nothing"
    angles = known["sra_dynamic_deg"].usable_value, known["vta_dynamic_deg"].usable_value
    could = reach(*angles, room, policy)
    if could.conflict_built_in:
        return "built_in"
    if could.both:
        return "preference"
    low = policy.tilt_lower_limit_deg + DECIMAL_SLACK_DEG
    return "lower_limit" if tilt.asked.value <= low else "room"


def _lean(known: Known, roll: Correction) -> Figure:
    read = known["azimuth_electrical_deg"]
    return Figure(read.value + roll.degrees, read.sd) if read.how == READ else Figure()


def _seen(known: Known, now: Standing, turn: Correction, by_angle: float, roll: Correction) -> Figure:
    """Where the cantilever will be seen; unknown without a turn, or under a roll without tracking angle."""
    if turn.decision == WITHHELD:
        return Figure()
    if roll.degrees == 0.0 and not known["vta_dynamic_deg"].usable:
        return turn.set
    own = known["zenith_deg"].sd if turn.decision == DO else 0.0
    return Figure(float(now.seen), math.hypot(own, by_angle))


def _bare(turn: Correction, zenith: Figure) -> Figure:
    """The same on a level, upright body: the turn is the reading itself."""
    if turn.decision == WITHHELD:
        return Figure()
    return zenith if turn.decision == DO else Figure(0.0, 0.0)


def _costs(
    known: Known, turn: Correction, arm_length_mm: float | None, limits: str
) -> tuple[ZenithCost | None, ZenithCost | None]:
    """What the turn costs, without it and with it."""
    if known.spherical or not known["zenith_deg"].usable or not turn.asked.value:
        return None, None
    setting = usual_alignment(USUAL_ARM_MM if arm_length_mm is None else arm_length_mm, limits)
    span, zenith = groove_limits(limits), known["zenith_deg"].value
    profile = known.stylus or None
    return (
        turn_cost(0.0, zenith, setting, span, profile),
        turn_cost(turn.asked.value, zenith, setting, span, profile),
    )


def _ways(known: Known, tilt: float, roll: float, made: str, room: float, policy: Policy) -> Any:
    """Every mounting, the advised one first."""
    step = policy.wedge_step_deg
    steps = round(tilt / step)
    if not math.isnan(room) and steps * step > room - policy.clearance_deg + DECIMAL_SLACK_DEG:
        steps -= 1
    lengths = {n: known[n].usable_value for n in ("height_mm", "tip_to_mount_mm")}
    doubts = {"height_sd_mm": known["height_mm"].sd, "tip_sd_mm": known["tip_to_mount_mm"].sd}
    ways = mountings(tilt, roll, round(steps * step, 6), policy, **lengths, **doubts)

    def rank(way: Any) -> tuple[bool, float]:
        chosen = way.kind == made or (way.kind == "none" and made in ("", "none", "arm_only"))
        return not chosen, abs(way.trim_deg)

    best = min(ways, key=rank)
    return (best, *(way for way in ways if way is not best))

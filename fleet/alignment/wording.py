"""One alignment in words: the steps in the order of the hands, what to mind, and the short of it.

Every ± is two standard uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from fleet.alignment.alignment import DO, LEAVE, NEVER, SURELY, WITHHELD, Alignment, Correction, Figure
from fleet.alignment.readings import DOUBT, PREDICTED, READ, WORDS
from fleet.alignment.zenith import cost_sentence, sense_from_above
from fleet.numerals import percent
from fleet.policy.policy import DECIMAL_SLACK_DEG
from fleet.words import CLEARANCE, DUST, GLUE, NO_ROOM, REMEDIES, STEEL, STEEP_ROLL, STEEP_ROLL_DEG

if TYPE_CHECKING:
    from fleet.alignment.stack_height import Mounting
    from fleet.policy.policy import Policy


def add_words(alignment: Alignment, policy: Policy) -> Alignment:
    """The same alignment with its steps, cautions and sentence."""
    steps = tuple(_steps(alignment, policy))
    told_first = [f"{heading}: {text}" for heading, text in steps if heading in ("Read again", "Tilt")]
    return replace(
        alignment,
        steps=steps,
        cautions=tuple(_cautions(alignment, policy)),
        sentence=" ".join(told_first),
    )


def _steps(a: Alignment, policy: Policy) -> list[tuple[str, str]]:
    steps: list[tuple[str, str]] = []
    if a.known.slips:
        slips = ", ".join(f"{WORDS[n]} {a.known[n].value:.2f}°" for n in a.known.slips)
        steps.append(("Read again", f"{slips}: no pickup stands there, so it can only be a slip."))
    predicted = [_prediction(a, n) for n in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg")]
    if any(predicted) and a.tilt.decision != WITHHELD:
        steps.append(("Not read", " ".join(p for p in predicted if p)))
    steps.append(("Tilt", _tilt(a, policy)))
    if a.tilt.decision == DO:
        steps.append(("Wedge", _wedge(a)))
        steps.append(("Height", _height(a)))
    if a.mounting.kind != "none":
        steps.append(("Force", _force(a)))
        steps.append(("Overhang", _overhang(a.mounting)))
    steps += [("Roll", _roll(a)), ("Turn", _turn(a))]
    if any(c.decision == DO for c in (a.tilt, a.roll, a.turn)):
        steps.append(("Check again", _again(a)))
    return steps


def pm(figure: Figure, digits: int = 2) -> str:
    """A figure in degrees with its doubt."""
    if math.isnan(figure.sd) or figure.sd == 0.0:
        return f"{figure.value:.{digits}f}°"
    return f"{figure.value:.{digits}f} ± {figure.doubt:.{digits}f}°"


def _prediction(a: Alignment, name: str) -> str:
    given = a.known[name]
    if given.how != PREDICTED or (name == "sra_dynamic_deg" and a.known.spherical):
        return ""
    if name == "tilt_room_deg" and not a.tilt.asked.value > 0.0:
        return ""
    if name == "tilt_room_deg":
        low = f"nine of ten have {a.room_used_deg:.1f}° or more" if a.room_used_deg > 0 else "it may be none"
        return (
            f"Tilt room predicted from {whose_room(a)}: {given.value:.1f} ± {DOUBT * given.sd:.1f}°; {low}."
        )
    by = " and ".join(WORDS[n] for n in given.by) or "its kind alone"
    text = f"{WORDS[name]} predicted from {by}: {given.value:.1f} ± {DOUBT * given.sd:.1f}°."
    return text[:1].upper() + text[1:]


def whose_room(a: Alignment) -> str:
    """Whose tilt room stands in for one that wasn't read."""
    by = a.known["tilt_room_deg"].by
    return "its family" if by == ("body_family",) else "the fleet" if by else "common practice"


def _basis(a: Alignment, correction: Correction) -> str:
    """The readings that a correction stands on."""
    parts = []
    for name in correction.by:
        given = a.known[name]
        how = "" if given.how == READ else f", {given.how}"
        parts.append(f"{WORDS[name]} {given.value:.2f}°{how}")
    return " and ".join(parts)


def _target(chance: float, name: str) -> str:
    if chance >= SURELY:
        return f"{name} met"
    return f"{name} not met" if chance <= NEVER else f"{name} may be met: {percent(chance)}"


def _targets(a: Alignment) -> str:
    """Both targets by their chances."""
    rake, tracking, both = a.after
    if math.isnan(rake):
        return "" if math.isnan(tracking) else _target(tracking, "tracking angle")
    if math.isnan(tracking):
        return _target(rake, "rake")
    if both >= SURELY:
        return "both targets met"
    if max(rake, tracking) <= NEVER:
        return "neither target met"
    return f"{_target(rake, 'rake')}, {_target(tracking, 'tracking angle')}"


def _tilt(a: Alignment, policy: Policy) -> str:
    tilt = a.tilt
    if tilt.decision == WITHHELD:
        return f"withheld: {tilt.why}."
    angles = [f"rake {pm(a.rake)}"] if not math.isnan(a.rake.value) else []
    if not math.isnan(a.tracking.value):
        angles.append(f"tracking angle {pm(a.tracking)}")
    stands = " and ".join(angles)
    targets = _targets(a)
    if a.known.spherical:
        targets += " (a spherical stylus has no rake)"
    basis = f" Stands on {_basis(a, tilt)}."
    if tilt.decision == DO:
        sense = f"tail {'up' if tilt.set.value > 0 else 'down'}"
        head = f"{_signed(tilt.set)} ({sense}) gives {stands}: {targets}."
    elif tilt.decision == LEAVE:
        asked = f"Leave it level: a tilt of {tilt.asked.value:+.2f}° {tilt.why}."
        head = f"{asked} As it is it stands at {stands}: {targets}."
    else:
        head = f"No tilt is asked: level it stands at {stands}: {targets}."
    return f"{head}{_why(a, policy)}{_gain(a)}{basis}"


def _signed(figure: Figure) -> str:
    if math.isnan(figure.sd) or figure.doubt < 0.005:
        return f"{figure.value:+.2f}°"
    return f"{figure.value:+.2f} ± {figure.doubt:.2f}°"


def _why(a: Alignment, policy: Policy) -> str:
    """What stands in the way of both targets."""
    if a.limited_by == "nothing":
        return ""
    if a.known.spherical:
        return " The lower limit of tilt keeps tracking from coming down further."
    rake, tracking = a.known["sra_dynamic_deg"], a.known["vta_dynamic_deg"]
    needed = policy.rake_accepted_deg[0] - policy.tracking_limit_deg
    var = max(rake.sd**2 + tracking.sd**2 - 2.0 * a.known.covariance, 0.0)
    built_in = Figure(rake.value - tracking.value, math.sqrt(var))
    chance = a.some.both
    if a.limited_by == "built_in":
        could = "No tilt meets both" if chance <= NEVER else f"Some tilt may meet both ({percent(chance)})"
        return f" {could}: the built-in angle is {pm(built_in)}, {needed:.2f}° is needed."
    if a.limited_by == "preference":
        return " A tilt nearer the accepted edge would meet both; the policy prefers this one."
    what = "tilt room" if a.limited_by == "room" else "lower limit of tilt"
    return f" The built-in angle would allow both; the {what} doesn't."


def _gain(a: Alignment) -> str:
    """What is gained where not even one target is met."""
    after = [c for c in a.after if not math.isnan(c)]
    if a.tilt.decision != DO or not after or max(after) > NEVER or a.known.spherical:
        return ""
    return " No target is met with it or without; it only brings the rake nearer."


def _wedge(a: Alignment) -> str:
    m = a.mounting
    if m.kind == "none":
        return "None: the arm alone does it." if a.remedy == "arm_only" else "None."
    kind = "a stock wedge" if m.kind == "stock_wedge" else "a wedge made to measure"
    thin, thick = ("tail", "nose") if m.tilt_deg > 0 else ("nose", "tail")
    ends = {"nose": m.nose_mm, "tail": m.tail_mm}
    text = f"Use {kind} of {m.tilt_deg:+g}°: {ends[thin]:.2f} mm at the {thin}, "
    text += f"{ends[thick]:.2f} mm at the {thick}"
    if m.roll_deg:
        text += (
            f"; its roll of {_roll_words(m.roll_deg)} makes it {m.outer_mm:.2f} mm at the side away from the "
            f"spindle, {m.inner_mm:.2f} mm at the other"
        )
    rest = f"; the arm does the last {m.trim_deg:+.2f}°" if abs(m.trim_deg) >= 0.005 else ""
    return f"{text}{rest}."


def _height(a: Alignment) -> str:
    """Bearing or headshell, and the other mountings in one breath."""
    m = a.mounting
    if m.kind == "none":
        if math.isnan(a.arm_rise_mm):
            return "Tell the arm's length, and how far its bearing must move can be said."
        return f"Bearing {abs(a.arm_rise_mm):.1f} mm {'higher' if a.arm_rise_mm > 0 else 'lower'}."
    if math.isnan(m.height_mm):
        return "Read the body's height and tip-to-mount distance: the arm's height stands on them."
    text = f"{_stands(m)}"
    if not math.isnan(a.arm_rise_mm) and abs(a.arm_rise_mm) >= 0.05:
        text += f", and its bearing {abs(a.arm_rise_mm):.1f} mm {'higher' if a.arm_rise_mm > 0 else 'lower'}"
    others = [o for o in a.mountings[1:] if not math.isnan(o.height_mm)]
    if others:
        text += "; " + ", ".join(
            f"{_base(o.kind)}{f' of {o.tilt_deg:+g}°' if o.tilt_deg else ''} {o.height_mm:.2f} mm"
            for o in others
        )
    return f"{text}."


def _base(kind: str) -> str:
    return "bare and level" if kind == "none" else f"on {REMEDIES[kind]}"


def _stands(m: Mounting) -> str:
    way = "raise" if m.arm_rise_mm > 0 else "lower"
    doubt = f" ± {DOUBT * m.height_sd_mm:.2f}" if m.height_sd_mm > 0.0 else ""
    return (
        f"The headshell stands {m.height_mm:.2f}{doubt} mm above the record at the hole line: {way} the "
        f"arm by {abs(m.arm_rise_mm):.2f} mm"
    )


def _force(a: Alignment) -> str:
    m = a.mounting
    to = "" if math.isnan(a.known.vtf_mn) else f" to {a.known.vtf_mn:.1f} mN"
    return (
        "Before the stylus touches anything, balance the wedge out: it weighs "
        f"{m.weight_mn:.0f} mN, all of it on the stylus. Then set the tracking force{to} and the side force "
        f"again. Screws {m.holes_mm:.1f} mm longer; they must not reach into the body."
    )


def _overhang(m: Mounting) -> str:
    if math.isnan(m.mount_shift_mm):
        return "Set the overhang again: the tilt moves the tip against the mounting holes."
    way = "nearer to" if m.mount_shift_mm < 0 else "further from"
    text = (
        f"The tilt brings the tip {abs(m.mount_shift_mm):.2f} mm {way} the hole line: "
        f"set the overhang again, the body {abs(m.mount_shift_mm):.2f} mm "
        f"{'forward' if m.mount_shift_mm < 0 else 'back'}."
    )
    if abs(m.sideways_mm) >= 0.05:
        text += (
            f" The roll puts the tip {abs(m.sideways_mm):.2f} mm "
            f"{'towards' if m.sideways_mm > 0 else 'away from'} the spindle."
        )
    return text


def _roll_words(degrees: float) -> str:
    return f"{abs(degrees):.1f}° {'clockwise' if degrees > 0 else 'anticlockwise'}, facing the nose"


def _roll(a: Alignment) -> str:
    roll = a.roll
    if roll.decision == WITHHELD:
        return f"withheld: {roll.why}."
    if roll.decision == LEAVE:
        return f"Leave it: {_roll_words(roll.asked.value)}, is {roll.why}."
    if roll.decision != DO:
        return "None is asked."
    doubt = "" if math.isnan(roll.set.sd) else f" (± {roll.set.doubt:.1f}°)"
    if roll.by == ("roll_applied_deg",):
        return f"As set: {_roll_words(roll.set.value)}."
    text = f"The body {_roll_words(roll.set.value)}{doubt}: the electrical azimuth asks for it."
    if a.mounting.roll_deg == 0.0:
        text += " Headshell or shims make it."
    if abs(roll.set.value) > STEEP_ROLL_DEG:
        text += _diamond(a)
    return text


def _diamond(a: Alignment) -> str:
    """What a steep roll does to the diamond."""
    seen = a.known["azimuth_optical_deg"]
    text = f" {STEEP_ROLL}"
    if not seen.usable:
        return f"{text}: look at the diamond before rolling so far."
    return f"{text}: it would lean {abs(seen.value + a.roll.set.value):.1f}°, {abs(seen.value):.1f}° now."


def _turn(a: Alignment) -> str:
    turn = a.turn
    if turn.decision == WITHHELD:
        return f"withheld: {turn.why}."
    if a.known.spherical:
        return f"None: {turn.why}."
    if turn.decision == LEAVE:
        asked = sense_from_above(turn.asked.value)
        text = f"Leave it: the zenith asks for {asked}, {turn.why}."
    elif turn.decision == DO:
        doubt = f" (± {turn.set.doubt:.2f}°)"
        text = f"The body {sense_from_above(turn.set.value)}{doubt}, seen from above."
    else:
        text = "None is asked."
    text += _cantilever(a)
    if turn.decision == DO and a.cost_before is not None and a.cost_after is not None:
        text += f" {cost_sentence(a.cost_before, a.cost_after)}"
        if not a.known.stylus:
            text += " The stylus wasn't told: the skew is that of a sharp edge, the worst case."
    return text


def _cantilever(a: Alignment) -> str:
    """Both directions in which the cantilever is seen, for who aligns at it."""
    moved = a.tilt.decision == DO or a.roll.decision == DO
    if math.isnan(a.seen.value) or (a.turn.decision != DO and not moved):
        return (
            ""
            if not math.isnan(a.seen.value)
            else " Read the tracking angle: where the cantilever will be seen stands on it."
        )
    text = f" Aligning at the cantilever, let it stand {_sense(a.seen)}"
    if moved and abs(a.seen.value - a.seen_bare.value) >= 0.005:
        rolled = (
            "tilted and rolled"
            if a.roll.decision == DO and a.tilt.decision == DO
            else ("rolled" if a.roll.decision == DO else "tilted")
        )
        text += f" on the {rolled} body ({_sense(a.seen_bare)} on a level, upright one)"
    if a.roll.decision == WITHHELD:
        text += "; with a roll it would be seen elsewhere"
    return f"{text}."


def _sense(figure: Figure) -> str:
    words = sense_from_above(figure.value)
    return words if figure.doubt < 0.005 or math.isnan(figure.sd) else f"{words} (± {figure.doubt:.2f}°)"


def _again(a: Alignment) -> str:
    names = ["rake and tracking angle, record turning"] if not a.known.spherical else ["the tracking angle"]
    if a.roll.decision == DO:
        names.append("crosstalk both ways")
    if a.turn.decision == DO:
        names.append("the edge against the groove")
    return f"Force, overhang and side force; then read {', '.join(names)} again."


def _more(a: Alignment, policy: Policy) -> str:
    """What a rake would ask for if there were room."""
    rake = a.known["sra_dynamic_deg"].usable_value
    wanted = policy.aim_deg - rake
    return f"; the rake asks for {wanted:.1f}°" if wanted > a.room_used_deg + 0.05 else ""


def _cautions(a: Alignment, policy: Policy) -> list[str]:
    out = []
    room = a.known["tilt_room_deg"]
    if a.tilt.decision == DO:
        if math.isnan(a.room_used_deg) and a.tilt.set.value > 0.0:
            out.append(NO_ROOM)
        elif a.tilt.set.value <= 0.0:
            pass
        elif room.how == PREDICTED:
            held = a.tilt.set.value >= a.room_used_deg - 1e-6
            of = f"nine of ten of {whose_room(a)}" if room.by else "nine of ten by common practice"
            out.append(
                "The tilt room was not read: "
                + (
                    f"the tilt is held at the {a.room_used_deg:.1f}° that {of} have{_more(a, policy)}. "
                    if held
                    else f"{of} have {a.room_used_deg:.1f}°. "
                )
                + "Read it before a wedge is cut."
            )
        elif a.tilt.set.value >= a.room_used_deg - 1e-6:
            kept = f" but the {policy.clearance_deg:g}° that the policy keeps" if policy.clearance_deg else ""
            out.append(f"This tilt takes all the room there is{kept}.")
        low, high = policy.wedge_range_deg
        wedge = a.mounting.tilt_deg
        if a.mounting.kind == "made_wedge" and not (
            low - DECIMAL_SLACK_DEG <= wedge <= high + DECIMAL_SLACK_DEG
        ):
            out.append(f"A wedge of {wedge:+.2f}° lies beyond what is made ({low:g} to {high:g}°).")
    if a.tilt.decision == DO or a.roll.decision == DO:
        out.append(CLEARANCE)
    if a.mounting.kind == "made_wedge":
        out.append(DUST)
    if any(c.decision == DO for c in (a.tilt, a.roll, a.turn)):
        out += [STEEL, GLUE]
    return out

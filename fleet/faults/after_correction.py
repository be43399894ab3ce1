"""Read again after the correction: did the wedge give what it should, and what is the next turn if not.

Level angles r, v and the tilt t that the body really has are unknown; they are read as r, v before and r + t,
v + t after. The tilt is as built within what seating leaves open, or it is not, and then anywhere near: a
mixture of two normals, each updated exactly by the readings that there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import scipy

from fleet.alignment.alignment import DO, LEAVE, NOTHING, WITHHELD, WORTH, Chances, Figure
from fleet.alignment.readings import DOUBT, MISSING, take_readings
from fleet.alignment.solve import stand
from fleet.alignment.tilt import choose_tilt
from fleet.faults.likelihood_ratio import SUREST
from fleet.house_model.chain import READING_NOISE, SPHERICAL
from fleet.numerals import number, percent, unknown
from fleet.policy.policy import DECIMAL_SLACK_DEG, Policy
from fleet.statistics.gram import Floats

SEATING_SD_DEG: Final = 0.15
"""A wedge that is right gives its tilt within about this: seating, screws (common practice, no source)."""
WRONG_SD_DEG: Final = 1.5
WRONG_SHARE: Final = 0.1
"""One correction in ten isn't what it should be, by a degree or two (common practice, no source)."""
WIDE_SD_DEG: Final = 30.0
SMALLEST_TURN_DEG: Final = 0.05
"""A turn that prints as nought is none."""


@dataclass(frozen=True)
class AfterCorrection:
    """What the correction gave.

    Attributes
    ----------
    tilt_deg : tilt as built [degrees]
    rake_expected, tracking_expected : what it should have given [degrees]
    rake_read, tracking_read : as read again [degrees]
    short : what is missing of the tilt, + = the tail is lower than it should be [degrees]
    p_off : chance that the correction isn't what it should be; NaN where it can't be said
    met : chances that the true angles meet their targets now
    decision : `do`, `leave`, `nothing` or `withheld`, of the next turn
    turn : the next tilt on top of the one built, + = tail up [degrees]
    sentence : the whole in words
    """

    tilt_deg: float
    rake_expected: Figure
    tracking_expected: Figure
    rake_read: float
    tracking_read: float
    short: Figure
    p_off: float
    met: Chances
    decision: str
    turn: Figure
    sentence: str

    @property
    def in_short(self) -> str:
        """What it gave and what is left to do, in a few words."""
        gave = "" if math.isnan(self.p_off) else ("gave what it should" if self.p_off < 0.5 else "is off")
        if not gave:
            return "what the last correction gave isn't known"
        words = f"the last correction {gave} ({percent(max(self.p_off, 1.0 - self.p_off))})"
        return words + (f", turn it {self.turn.value:+.1f}° more" if self.decision == DO else "")


def after_correction(
    sheet: Mapping[Any, Any], policy: Policy, noise: Mapping[str, float] | None = None
) -> AfterCorrection | None:
    """Say whether one sheet's correction gave what it should, and what is left to do.

    Parameters
    ----------
    sheet : mapping
        Bench-sheet columns; what wasn't read is empty or left out.
    policy : Policy
        Targets and limits of the next turn.
    noise : mapping, optional
        Standard deviation of one reading; common practice without it.

    Returns
    -------
    AfterCorrection, or None where nothing was corrected and nothing read again.
    """
    noise = noise or READING_NOISE
    tilt = _number(sheet, "tilt_applied_deg")
    spherical = sheet.get("stylus_profile") == SPHERICAL
    read = np.array(
        [math.nan if spherical else _number(sheet, "sra_after_deg"), _number(sheet, "vta_after_deg")]
    )
    if math.isnan(tilt) and np.isnan(read).all():
        return None
    level, expected = _expected(sheet, tilt, noise)
    sds = np.array([noise["sra_dynamic_deg"], noise["vta_dynamic_deg"]])
    blank = AfterCorrection(
        tilt, expected[0], expected[1], float(read[0]), float(read[1]), Figure(), math.nan, Chances(),
        WITHHELD, Figure(), "",
    )  # fmt: skip
    if np.isnan(read).all():
        return replace(blank, sentence=f"The tilt of {tilt:+.2f}° was not read again: {_NOT_SHOWN}.")
    mean, cov, p_off = _updated(level, tilt, read, sds)
    if math.isnan(tilt) or np.isnan(level[:, 0][~np.isnan(read)]).all():
        p_off, short = math.nan, Figure()
    else:
        short = Figure(tilt - float(mean[2]), math.sqrt(float(cov[2, 2])))
    return _next_turn(replace(blank, short=short, p_off=p_off), mean, cov, policy, sheet, spherical)


_NOT_SHOWN: Final = "what it gave isn't known; read rake and tracking angle, record turning"


def _expected(
    sheet: Mapping[Any, Any], tilt: float, noise: Mapping[str, float]
) -> tuple[Floats, tuple[Figure, Figure]]:
    """Level angles with their sd (2, 2), roll counted in, and what the tilt should have given."""
    known = take_readings(sheet, noise)
    rake, tracking = known["sra_dynamic_deg"], known["vta_dynamic_deg"]
    roll = _number(sheet, "roll_applied_deg")
    lean = known["azimuth_optical_deg"].usable_value
    s = stand(
        rake.usable_value,
        tracking.usable_value,
        lean_deg=lean,
        tilt_deg=0.0 if math.isnan(tilt) else tilt,
        roll_deg=0.0 if math.isnan(roll) else roll,
    )
    made = 0.0 if math.isnan(tilt) else tilt
    level = np.array([[float(s.rake) - made, rake.sd], [float(s.tracking) - made, tracking.sd]])
    if math.isnan(tilt):
        return level, (Figure(), Figure())
    figures = [
        Figure(v + made, math.hypot(sd, SEATING_SD_DEG)) if g.how != MISSING else Figure()
        for (v, sd), g in zip(level, (rake, tracking), strict=True)
    ]
    return level, (figures[0], figures[1])


def _updated(level: Floats, tilt: float, read: Floats, sds: Floats) -> tuple[Floats, Floats, float]:
    """Rake, tracking angle (level) and tilt given everything read: mean, covariance, chance it is off."""
    built = 0.0 if math.isnan(tilt) else tilt
    known = ~np.isnan(level[:, 0])
    mean = np.array([*np.where(known, level[:, 0], np.nan_to_num(read - built, nan=90.0)), built])
    have = ~np.isnan(read)
    load = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1.0]])[have]
    parts = []
    for share, sd in ((1.0 - WRONG_SHARE, SEATING_SD_DEG), (WRONG_SHARE, WRONG_SD_DEG)):
        spread = WIDE_SD_DEG if math.isnan(tilt) else sd
        prior = np.diag([*np.where(known, level[:, 1], WIDE_SD_DEG) ** 2, spread**2])
        total = load @ prior @ load.T + np.diag(sds[have] ** 2)
        off = read[have] - load @ mean
        gain = np.linalg.solve(total, load @ prior).T
        fit = float(off @ np.linalg.solve(total, off))
        weight = share * math.exp(-0.5 * fit) / math.sqrt(float(np.linalg.det(total)))
        parts.append((weight, mean + gain @ off, prior - gain @ load @ prior))
    total_weight = sum(w for w, _, _ in parts)
    if total_weight <= 0.0:
        return parts[1][1], parts[1][2], 1.0 - 1e-9
    shares = [w / total_weight for w, _, _ in parts]
    middle = sum(s * m for s, (_, m, _) in zip(shares, parts, strict=True))
    cov = sum(s * (c + np.outer(m - middle, m - middle)) for s, (_, m, c) in zip(shares, parts, strict=True))
    return np.asarray(middle), np.asarray(cov), float(np.clip(shares[1], *SUREST))


def _next_turn(
    found: AfterCorrection,
    mean: Floats,
    cov: Floats,
    policy: Policy,
    sheet: Mapping[Any, Any],
    spherical: bool,
) -> AfterCorrection:
    """What is left to do from where the unit stands now."""
    known = np.diag(cov)[:2] < WIDE_SD_DEG  # an angle that nobody read stays wide
    turned = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1.0]])
    now, now_cov = turned @ mean, turned @ cov @ turned.T
    known &= np.diag(now_cov) < 1.0
    rake = math.nan if spherical or not known[0] else float(now[0])
    tracking = float(now[1]) if known[1] else math.nan
    built = float(mean[2])
    room = _number(sheet, "tilt_room_deg")
    if math.isnan(rake) and (math.isnan(tracking) or not spherical):
        return replace(found, sentence=f"{_gave(found)} Read the rake again: the next turn stands on it.")
    wanted = float(choose_tilt(rake - built, tracking - built, room, policy).tilt_deg) - built
    sd = math.sqrt(float(now_cov[1, 1] if spherical else now_cov[0, 0]))
    now_met, then_met = (_chances(now, now_cov, t, (rake, tracking), policy) for t in (0.0, wanted))
    gains = [b - a for a, b in zip(now_met, then_met, strict=True) if not math.isnan(b - a)]
    turn = Figure(wanted, sd)
    if abs(wanted) < SMALLEST_TURN_DEG:
        decision = NOTHING
    elif abs(wanted) < DOUBT * sd and max(gains, default=0.0) < WORTH:
        decision = LEAVE
    else:
        decision = DO
    where = "; ".join(
        f"{name} {number(v, 2)} ± {number(DOUBT * math.sqrt(float(now_cov[k, k])), 2)}°"
        for k, (name, v) in enumerate((("rake", rake), ("tracking angle", tracking)))
        if not math.isnan(v)
    )
    targets = f"stands now at {where}; met: {_met_words(now_met)}"
    said = {
        NOTHING: f"It {targets}. Nothing more is asked.",
        LEAVE: f"It {targets}. Leave it: {wanted:+.1f}° more is smaller than its doubt of {DOUBT * sd:.1f}°.",
        DO: f"It {targets}. {'Raise' if wanted > 0 else 'Lower'} the tail {abs(wanted):.1f}° more "
        f"(± {DOUBT * sd:.1f}°); then met: {_met_words(then_met)}.",
    }[decision]
    return replace(found, met=now_met, decision=decision, turn=turn, sentence=f"{_gave(found)} {said}")


def _chances(now: Floats, cov: Floats, tilt: float, read: tuple[float, float], policy: Policy) -> Chances:
    """Chances of the targets after one more tilt, of the angles that are known."""
    mean, sd = now + tilt, np.sqrt(np.diag(cov))
    low, high = policy.rake_accepted_deg
    limit = policy.tracking_limit_deg + DECIMAL_SLACK_DEG
    correlation = float(cov[0, 1] / (sd[0] * sd[1]))
    rake = _below(high + DECIMAL_SLACK_DEG, mean[0], sd[0]) - _below(low - DECIMAL_SLACK_DEG, mean[0], sd[0])
    tracking = _below(limit, mean[1], sd[1])
    joint = scipy.stats.multivariate_normal(np.zeros(2), [[1.0, correlation], [correlation, 1.0]])
    ends = [(e - mean[0]) / sd[0] for e in (high + DECIMAL_SLACK_DEG, low - DECIMAL_SLACK_DEG)]
    top = (limit - mean[1]) / sd[1]
    both = float(joint.cdf([ends[0], top]) - joint.cdf([ends[1], top]))
    told = [math.nan if math.isnan(angle) else p for angle, p in zip(read, (rake, tracking), strict=True)]
    if math.isnan(told[0]) or math.isnan(told[1]):
        both = math.nan if math.isnan(told[1]) or not math.isnan(told[0]) else told[1]
    return Chances(*(float(np.clip(p, *SUREST)) for p in (*told, both)))


def _below(limit: float, mean: float, sd: float) -> float:
    return float(scipy.special.ndtr((limit - mean) / sd))


def _met_words(chances: Chances) -> str:
    told = [
        f"{name} {percent(p)}"
        for name, p in (("rake", chances.rake), ("tracking angle", chances.tracking))
        if not math.isnan(p)
    ]
    return ", ".join(told)


def _gave(found: AfterCorrection) -> str:
    """Whether the correction gave what it should, in words."""
    sides = [
        f"{name} {number(read, 2)}°"
        + ("" if unknown(due.value) else f" where {due.value:.2f} ± {due.doubt:.2f}° was due")
        for name, read, due in (
            ("rake", found.rake_read, found.rake_expected),
            ("tracking angle", found.tracking_read, found.tracking_expected),
        )
        if not math.isnan(read)
    ]
    start = f"Read again: {', '.join(sides)}."
    if math.isnan(found.p_off):
        why = "the tilt wasn't written down" if math.isnan(found.tilt_deg) else "no reading before it"
        return f"{start} What the correction gave can't be told: {why}."
    if found.p_off < 0.5:
        return (
            f"{start} The tilt of {found.tilt_deg:+.2f}° gave what it should ({percent(1.0 - found.p_off)})."
        )
    way = (
        "fell short by"
        if found.short.value * math.copysign(1.0, found.tilt_deg or 1.0) > 0
        else "went too far by"
    )
    return (
        f"{start} The tilt of {found.tilt_deg:+.2f}° {way} {abs(found.short.value):.1f} ± "
        f"{found.short.doubt:.1f}° ({percent(found.p_off)})."
    )


def _number(sheet: Mapping[Any, Any], name: str) -> float:
    value = sheet.get(name)
    return math.nan if unknown(value) else float(value)  # type: ignore[arg-type]

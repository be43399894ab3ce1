"""What changed between two visits of one assembly: only noise, wear, something that moved, or a slip.

The readings that both visits took are differenced. Unchanged, the difference is reading noise of two visits,
what the hours between them do to the fleet's units, and what another tracking force does. Every way to
change is a direction in the space of the readings with a plausible range of sizes; its likelihood ratio
against "only noise" is that of `fleet.faults.signatures`, and Bayes' rule gives each its chance. A reading
that either visit lacks has no row: it is marginalised, not filled in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np

from fleet.faults.likelihood_ratio import SUREST
from fleet.faults.signatures import Bumps, Floats, log_bumps
from fleet.house_model.chain import (
    FORCE_LIMITS,
    READING_NOISE,
    READINGS,
    SPHERICAL,
    TYPICAL_DRAG_RATIO,
    TYPICAL_VTA_DEG,
)
from fleet.house_model.house import House
from fleet.numerals import count, day, percent, plus_minus, unknown, with_sign
from fleet.physics.sag import pressed_deg
from fleet.words import quantity

NOISE, WORN, DRIFTED, MISREAD = "noise", "worn", "drifted", "misread"
STATES: Final = (NOISE, WORN, DRIFTED, MISREAD)
STATE_WORDS: Final = {
    NOISE: "Only noise",
    WORN: "Worn",
    DRIFTED: "Drifted",
    MISREAD: "Probably a slip in one reading",
}
OTHER_WORDS: Final = {NOISE: "only noise", WORN: "worn", DRIFTED: "drifted", MISREAD: "a slip in one reading"}
HOURS_A_DAY: Final = 1.5
UNTOLD_HOURS: Final = 250.0
"""Play between visits where neither hours nor days are told (common practice, no source)."""
WEAR_HOURS: Final = 5000.0
"""A suspension settles visibly about once in so many hours of play (common practice, no source)."""
MOVED: Final = 0.04
"""Chance that something moved between two visits: a knock, a loose stylus (common practice, no source)."""
SLIPPED: Final = 0.02
"""Chance that one of the two sheets holds a slip (common practice, no source)."""
AGEING_SD: Final = 0.5
"""Doubt of what hours do to an angle without a fitted model [degrees per 1000 h]."""
WORTH_NAMING: Final = 0.05
TYPICAL_SAG_DEG: Final = 0.8
_SETTLED: Final[Bumps] = ((0.8, 0.4), (2.0, 0.8))
_SMALL: Final[Bumps] = ((0.8, 0.4), (2.0, 0.8), (5.0, 1.5))
_BALANCE: Final[Bumps] = ((0.6, 0.3), (1.5, 0.5))
_FAR: Final[Bumps] = ((4.0, 1.5), (9.0, 2.0), (18.0, 6.0))


class Way(NamedTuple):
    """One way in which a unit, or its sheet, may change between visits.

    Attributes
    ----------
    state : `worn`, `drifted` or `misread`
    cause : in words
    moves : degrees (dB for the balance) of each reading per degree of change
    bumps : sizes (middle, sd)
    both : whether the opposite sense is as likely
    link : quantity that the size is of
    """

    state: str
    cause: str
    moves: Mapping[str, float]
    bumps: Bumps
    both: bool
    link: str


_STILL: Final = "sra_static_deg"
_SIDE: Final = dict.fromkeys((_STILL, "sra_dynamic_deg", "vta_dynamic_deg"), 1.0)
_SOFTER: Final = {_STILL: -1.0, "sra_dynamic_deg": -1.12, "vta_dynamic_deg": -1.12}
"""A softer suspension sinks and sags more: the sag by drag ratio times tan of the angle (derived)."""
WAYS: Final = (
    Way(WORN, "the suspension has settled", dict.fromkeys(_SIDE, -1.0), _SETTLED, False, "tracking"),
    Way(WORN, "the suspension has become softer", _SOFTER, _SETTLED, False, "tracking"),
    Way(DRIFTED, "the cantilever stands steeper", _SIDE, _SETTLED, False, "tracking"),
    Way(
        DRIFTED,
        "the stylus has moved on the cantilever",
        {n: v for n, v in _SIDE.items() if n.startswith("sra")},
        _SMALL,
        True,
        "built_in",
    ),
    Way(DRIFTED, "the stylus has turned on the cantilever", {"zenith_deg": 1.0}, _SMALL, True, "zenith"),
    Way(
        DRIFTED,
        "the stylus or its cantilever has canted",
        {"azimuth_optical_deg": 1.0, "azimuth_electrical_deg": 0.3},
        _SMALL,
        True,
        "azimuth_seen",
    ),
    Way(
        DRIFTED,
        "the assembly has rolled",
        {"azimuth_optical_deg": 1.0, "azimuth_electrical_deg": 1.0},
        _SMALL,
        True,
        "azimuth_seen",
    ),
    Way(
        DRIFTED,
        "the generator has moved",
        {"azimuth_electrical_deg": 1.0},
        _SMALL,
        True,
        "azimuth_electrical",
    ),
    Way(
        DRIFTED,
        "the channels have come apart",
        {"channel_balance_db": 1.0},
        _BALANCE,
        True,
        "balance",
    ),
    *(Way(MISREAD, f"the {quantity(n).short} alone has jumped", {n: 1.0}, _SMALL, True, n) for n in _SIDE),
    *(
        Way(MISREAD, f"the {quantity(n).short} has jumped", {n: 1.0}, _FAR, True, n)
        for n in READINGS
        if n not in _SIDE
    ),
)
"""Directions from mechanics; sizes from just seen to plain (common practice, no source)."""


@dataclass(frozen=True)
class Change:
    """What changed from one visit to a later one.

    Attributes
    ----------
    before, after : sheet numbers, "" where there is none
    hours : hours of play between them; NaN if not told
    moved : by reading taken at both: later less earlier [degrees, dB]
    sd : by reading, what noise and hours leave open of an unchanged unit's difference
    chances : by state of `STATES`; NaN where no reading is common to both
    cause : the likeliest way to change, in words; "" where nothing is comparable
    size, size_sd : how far that way, of `link` [degrees, dB]
    link : quantity that the size is of
    since : day of the earlier visit, or its sheet
    sentence : the whole in words
    """

    before: str
    after: str
    hours: float
    moved: Mapping[str, float]
    sd: Mapping[str, float]
    chances: Mapping[str, float]
    cause: str
    size: float
    size_sd: float
    link: str
    since: str
    sentence: str

    @property
    def state(self) -> str:
        """The likeliest state; "" where nothing is comparable."""
        known = {s: p for s, p in self.chances.items() if not math.isnan(p)}
        return max(known, key=lambda s: known[s]) if known else ""

    def record(self) -> dict[str, Any]:
        """Comparison, chances and sentence as one flat row, for JSON, CSV and Parquet."""
        return {
            "compared_with": self.before,
            "hours_between": self.hours,
            **{f"p_{state}": self.chances[state] for state in STATES},
            "change": self.sentence,
        }

    @property
    def in_short(self) -> str:
        """The state with its chance, in a few words."""
        return (
            f"{STATE_WORDS[self.state].lower()} ({percent(self.chances[self.state])})" if self.state else ""
        )

    @property
    def changed(self) -> bool:
        """Whether more speaks for a change, or a slip, than for noise alone."""
        return self.chances[NOISE] < 0.5


def compare(before: Mapping[Any, Any], after: Mapping[Any, Any], house: House | None = None) -> Change:
    """Say what changed between two visits of one assembly.

    Parameters
    ----------
    before, after : mapping
        Bench-sheet columns of the two visits; what wasn't read is empty or left out.
    house : House, optional
        Its reading noise and what hours do in the fleet; common practice without it.
    """
    noise = READING_NOISE if house is None else house.noise
    names = [n for n in READINGS if not (unknown(before.get(n)) or unknown(after.get(n)))]
    if SPHERICAL in (before.get("stylus_profile"), after.get("stylus_profile")):
        names = [n for n in names if not (n.startswith("sra") or n == "zenith_deg")]
    hours, played, doubt = _hours(before, after)
    labels = _label(before), _label(after)
    if not names:
        nothing = dict.fromkeys(STATES, math.nan)
        said = f"No reading was taken both then ({_when(before)}) and now: nothing can be compared."
        return Change(*labels, hours, {}, {}, nothing, "", math.nan, math.nan, "", _when(before), said)
    difference = np.array([float(after[n]) - float(before[n]) for n in names])
    expected, cov = _unchanged(names, before, after, house, played, doubt)
    cov = cov + np.diag([2.0 * noise[n] ** 2 for n in names])
    rest = difference - expected
    ways = [w for w in WAYS if set(w.moves) & set(names)]
    directions = np.array([[w.moves.get(n, 0.0) for n in names] for w in ways])
    along, power = directions @ np.linalg.solve(cov, rest), _powers(directions, cov)
    ratio = np.array(
        [float(log_bumps(a, p, w.bumps, both=w.both)) for a, p, w in zip(along, power, ways, strict=True)]
    )
    chances, each = _posterior(ways, ratio, played)
    found = Change(
        *labels,
        hours,
        dict(zip(names, difference.tolist(), strict=True)),
        dict(zip(names, np.sqrt(np.diag(cov)).tolist(), strict=True)),
        chances,
        "",
        math.nan,
        math.nan,
        "",
        _when(before),
        "",
    )
    best = int(np.argmax([e if ways[i].state == _leading(chances) else -1.0 for i, e in enumerate(each)]))
    way = ways[best]
    return _told(found, way, float(along[best] / power[best]), float(power[best] ** -0.5), before, after)


def _leading(chances: Mapping[str, float]) -> str:
    """The likeliest state but noise."""
    return max(STATES[1:], key=lambda s: chances[s])


def _powers(directions: Floats, cov: Floats) -> Floats:
    return np.asarray(np.einsum("wi,iw->w", directions, np.linalg.solve(cov, directions.T)))


def _posterior(ways: list[Way], ratio: Floats, played: float) -> tuple[dict[str, float], Floats]:
    """Chance of each state, and of each way."""
    shares = {WORN: 1.0 - math.exp(-played / WEAR_HOURS), DRIFTED: MOVED, MISREAD: SLIPPED}
    count_of = {s: sum(w.state == s for w in WAYS) for s in shares}
    prior = np.array([shares[w.state] / count_of[w.state] for w in ways])
    top = max(float(ratio.max()), 0.0)
    weight = prior * np.exp(ratio - top)
    sound = (1.0 - prior.sum()) * math.exp(-top)
    total = float(weight.sum() + sound)
    each = weight / total
    chances = {s: float(sum(e for e, w in zip(each, ways, strict=True) if w.state == s)) for s in shares}
    return {s: float(np.clip(p, *SUREST)) for s, p in {NOISE: sound / total, **chances}.items()}, each


def _hours(before: Mapping[Any, Any], after: Mapping[Any, Any]) -> tuple[float, float, float]:
    """Hours between visits as told (else NaN), and as reckoned with, with their doubt."""
    told = [before.get("hours_used"), after.get("hours_used")]
    if not any(unknown(h) for h in told):
        between = float(told[1]) - float(told[0])  # type: ignore[arg-type]
        if between >= 0.0:
            return between, between, 0.0
    days = [before.get("measured_on"), after.get("measured_on")]
    if any(unknown(d) for d in days):
        return math.nan, UNTOLD_HOURS, UNTOLD_HOURS
    guess = HOURS_A_DAY * max((days[1] - days[0]).days, 0)  # type: ignore[operator]
    return math.nan, guess, guess


def _unchanged(
    names: list[str],
    before: Mapping[Any, Any],
    after: Mapping[Any, Any],
    house: House | None,
    played: float,
    doubt: float,
) -> tuple[Floats, Floats]:
    """What hours and force do to the difference of an unchanged unit: expectation and covariance."""
    tracking, built_in = (
        np.array([float(n in _SIDE) for n in names]),
        np.array([float(n.startswith("sra")) for n in names]),
    )
    mean, cov = np.zeros(len(names)), np.zeros((len(names), len(names)))
    slopes = _ageing(house)
    for direction, (slope, sd) in zip((tracking, built_in), slopes, strict=True):
        mean += direction * slope * played / 1000.0
        var = (sd * played) ** 2 + (slope * doubt) ** 2 + (sd * doubt) ** 2
        cov += np.outer(direction, direction) * var / 1e6
    pressed = _force(before, after)
    mean += tracking * pressed
    cov += np.outer(tracking, tracking) * (0.5 * pressed) ** 2
    return mean, cov


def _ageing(house: House | None) -> tuple[tuple[float, float], tuple[float, float]]:
    """What 1000 hours do to tracking and built-in angle: slope and its doubt [degrees]."""
    if house is None:
        return (0.0, AGEING_SD), (0.0, AGEING_SD)
    slopes = house.angles.slope("aged")
    turned = np.linalg.solve(house.turn, slopes.reshape(2, -1))
    own = [(float(s.mean()), float(min(s.std(), AGEING_SD))) for s in turned]
    return own[0], own[1]


def _force(before: Mapping[Any, Any], after: Mapping[Any, Any]) -> float:
    """What another tracking force does to the angles [degrees]; 0 where either is not told."""
    forces = [before.get("vtf_mn"), after.get("vtf_mn")]
    if any(unknown(f) for f in forces):
        return 0.0
    times = float(np.clip(float(forces[1]) / float(forces[0]), *FORCE_LIMITS))  # type: ignore[arg-type]
    if abs(times - 1.0) < 0.01:
        return 0.0
    turning = before.get("vta_dynamic_deg")
    still = (TYPICAL_VTA_DEG if unknown(turning) else float(turning)) + TYPICAL_SAG_DEG  # type: ignore[arg-type]
    return float(pressed_deg(still, TYPICAL_SAG_DEG, times, TYPICAL_DRAG_RATIO))


def _told(
    found: Change, way: Way, size: float, sd: float, before: Mapping[Any, Any], after: Mapping[Any, Any]
) -> Change:
    """The change with its cause, size and sentence."""
    chances = found.chances
    since = f"since {_when(before)}" + (
        "" if math.isnan(found.hours) else f", {count(round(found.hours), 'hour')} of play"
    )
    if not found.changed:
        far = max(found.moved, key=lambda n: abs(found.moved[n]) / found.sd[n])
        own = quantity(far)
        said = (
            f"Only noise {since} ({percent(chances[NOISE])}): most moved the {own.short}, by "
            f"{own.signed(found.moved[far])}; on an unchanged unit it moves "
            f"{plus_minus(2.0 * found.sd[far], own.unit)}."
        )
    else:
        own = quantity(way.link)
        text = with_sign(size * way.moves.get(_STILL, 1.0) if way.link == "tracking" else size, own.unit)
        said = (
            f"{STATE_WORDS[found.state]} {since} ({percent(chances[found.state])}; {_others(found)}): "
            f"{way.cause}, {own.short} {text} {plus_minus(2.0 * sd, own.unit)}."
        )
        said += _what_to_do(found.state) + _benches(before, after)
    return replace(found, cause=way.cause, size=size, size_sd=sd, link=way.link, sentence=said)


def _others(found: Change) -> str:
    """Noise, and what else may well be, with their chances."""
    told = [s for s in STATES[1:] if s != found.state and found.chances[s] >= WORTH_NAMING]
    return "; ".join(f"{OTHER_WORDS[s]} {percent(found.chances[s])}" for s in (*told, NOISE))


def _what_to_do(state: str) -> str:
    return {
        WORN: " Align it anew; where it goes on settling, its suspension is at its end.",
        DRIFTED: " Read it again; if it stays, look at the stylus and the cantilever before aligning anew.",
        MISREAD: " Read it again before anything is decided.",
    }.get(state, "")


def _benches(before: Mapping[Any, Any], after: Mapping[Any, Any]) -> str:
    """That two benches may differ by more than one bench's noise."""
    benches = [v.get("bench") for v in (before, after)]
    if any(unknown(b) for b in benches) or benches[0] == benches[1]:
        return ""
    return " Two benches read it: how far they differ is not counted here."


def _when(visit: Mapping[Any, Any]) -> str:
    date = visit.get("measured_on")
    if unknown(date):
        return f"sheet {_label(visit)}" if _label(visit) else "the visit before"
    return day(date)


def _label(visit: Mapping[Any, Any]) -> str:
    own = visit.get("sheet_no")
    return "" if unknown(own) else str(own)

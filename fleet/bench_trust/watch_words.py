"""The bench watch in words: one sentence a reading, the answer for the bench, what to mind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fleet.numerals import figure, percent, with_sign
from fleet.words import quantity

if TYPE_CHECKING:
    from fleet.bench_trust.watched_reading import ReadingWatch
    from fleet.statistics.change_point import Change

PICKUP_OR_BENCH: Final = (
    "A check pickup tells that something moved, not what: read a second one, or clean and look at this one, "
    "before you touch the bench."
)
_WEEKS_A_YEAR: Final = 52.0
_CLEAR: Final = 2.0
_PLAIN: Final = 3.3


def day(stamp: pd.Timestamp) -> str:
    """A day as people say it: 3 May 2025."""
    return f"{stamp.day} {stamp:%B %Y}"


def change_words(change: Change, unit: str) -> str:
    """How, since when and how much a reading moved: `crept +0.02°/week since about 3 May 2025, ± 3 weeks`."""
    weeks = max(1, round(change.weeks_either_way))
    about = f"since about {day(change.since)}, ± {weeks} week{'' if weeks == 1 else 's'}"
    if change.kind == "creep":
        digits = 3 if abs(change.rate) < 0.1 else 2
        span = f"{with_sign(change.rate_low, '', digits)} to {with_sign(change.rate_high, '', digits)}"
        return f"crept {with_sign(change.rate, unit, digits)}/week ({span}) {about}"
    if change.kind == "step":
        span = f"{with_sign(change.size_low, '')} to {with_sign(change.size_high, '')}"
        at = about.replace("since about", "at about")
        return f"jumped by {with_sign(change.size, unit)} ({span}) {at}"
    creep = percent(change.creep_chance)
    return f"moved {about} (a creep, chance {creep}, or a jump: the checks can't tell yet)"


def reading_sentence(r: ReadingWatch) -> str:
    """Say how one reading stands."""
    word, unit = quantity(r.reading).short, quantity(r.reading).unit
    watched = r.watched
    if watched.empty:
        return f"The {word} reading has no check after its baseline yet."
    if r.alarm and r.change is not None:
        c = r.change
        said = (
            f"The {word} reading has {change_words(c, unit)}; now it is off by {with_sign(c.now, unit)} "
            f"(95 %: {with_sign(c.now_low, '')} to {with_sign(c.now_high, '')})."
        )
        return (
            said if c.p_value < 0.05 else f"{said} One single change explains it poorly (p {c.p_value:.2f})."
        )
    last = watched.iloc[-1]
    if r.slip:
        return (
            f"The newest {word} reading is off by {with_sign(float(last['off']), unit)}, beyond what a "
            f"single check may be ({figure(last['single_limit'], unit)}): read the check pickup again."
        )
    said = (
        f"The {word} reading shows no change in {len(watched)} checks since its baseline: the average stands "
        f"{with_sign(float(last['ewma']), unit)} from it."
    )
    earlier = watched.loc[watched["signal"] != "", "measured_on"]
    if len(earlier):
        said += f" Earlier signals: {len(earlier)}, the last on {day(earlier.max())}."
    return said


def bench_lines(
    found: Sequence[ReadingWatch], overall_checks: float, every: Mapping[str, float]
) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """The answer in one sentence, the lines behind it, and the cautions, of all benches."""
    sentences, lines, cautions = [], [], []
    for bench in every:
        own = [r for r in found if r.bench == bench]
        off = [r for r in own if r.alarm]
        sentences.append(_answer(bench, own, off))
        lines += [r.sentence for r in own]
        lines += [
            *_temperature_line(own),
            *_scale_line(own, bool(off)),
            _rate_line(bench, own, overall_checks),
        ]
        cautions += [caution for r in own for caution in r.cautions]
        if off:
            cautions.append(PICKUP_OR_BENCH)
    return " ".join(sentences), tuple(lines), tuple(dict.fromkeys(cautions))


def _answer(bench: str, own: Sequence[ReadingWatch], off: Sequence[ReadingWatch]) -> str:
    if all(r.watched.empty for r in own):
        return (
            f"Bench {bench}: there is no check after the baseline yet, so nobody can tell whether it moved."
        )
    if not off:
        slips = [quantity(r.reading).short for r in own if r.slip]
        again = f"; read the check pickup again, its newest {' and '.join(slips)} is odd" if slips else ""
        return f"Bench {bench}: no reading has moved from its baseline{again}."
    lead = max(off, key=lambda r: 0.0 if r.change is None else abs(r.change.now) / r.fit.sd)
    if len(off) > 1 and any(r.reading == "rake_both_deg" for r in off):
        lead = next(r for r in off if r.reading == "rake_both_deg")
    said = f"Bench {bench}: {lead.sentence[:1].lower()}{lead.sentence[1:]}"
    together = {"rake_both_deg", "sra_static_deg", "sra_dynamic_deg"}
    others = [
        quantity(r.reading).short
        for r in off
        if r is not lead and not (lead.reading == "rake_both_deg" and r.reading in together)
    ]
    return said + (f" Also off: {', '.join(others)}." if others else "")


def _temperature_line(own: Sequence[ReadingWatch]) -> list[str]:
    plain = [r for r in own if r.reading != "rake_both_deg"]
    known = [r for r in plain if not np.isnan(r.fit.temperature_c)]
    if not known:
        return ["Temperature was hardly noted or hardly moved, so nothing is taken out for it."]
    told = [
        f"{quantity(r.reading).short} {with_sign(r.fit.per_kelvin, quantity(r.reading).unit, 3)}/K"
        for r in known
        if abs(r.fit.per_kelvin) > _CLEAR * r.fit.per_kelvin_se
    ]
    about = f"Readings are compared at {known[0].fit.temperature_c:.1f} °C"
    return [
        f"{about}; warmth clearly moves {', '.join(told)}."
        if told
        else f"{about}; warmth moves none clearly."
    ]


def _scale_line(own: Sequence[ReadingWatch], off: bool) -> list[str]:
    """Whether both rakes moved alike (the scale) or one of them (force, drag, record)."""
    rake = {r.reading: r for r in own}
    both, still, turning = (rake.get(n) for n in ("rake_both_deg", "sra_static_deg", "sra_dynamic_deg"))
    if not off or both is None or still is None or turning is None or both.change is None:
        return []
    if not any(r.alarm for r in (both, still, turning)):
        return []
    first = both.change.since
    means, errors = [], []
    for r in (still, turning):
        s = r.series.dropna(subset=["off"])
        after = s.loc[s["measured_on"] >= first, "off"]
        before = s.loc[s["measured_on"] < first, "off"]
        means.append(float(after.mean() - before.mean()))
        errors.append(r.fit.sd / np.sqrt(max(len(after), 1)))
    apart = abs(means[0] - means[1]) / float(np.hypot(*errors))
    static, dynamic = (with_sign(mean, "°") for mean in means)
    said = f"Since then static rake is on average {static} off, dynamic {dynamic}"
    if apart < _CLEAR:
        return [f"{said}: both alike, as when the rake scale, its zero or the camera moves."]
    if apart < _PLAIN:
        return [
            f"{said}: whether both moved alike (the scale) or not (force, record, suspension) is open yet."
        ]
    return [f"{said}: not alike, so look at tracking force, record and suspension before the scale."]


def _rate_line(bench: str, own: Sequence[ReadingWatch], overall_checks: float) -> str:
    charts = 3 * len(own)
    first, last = min(r.baseline_from for r in own), max(r.baseline_to for r in own)
    years = overall_checks / _WEEKS_A_YEAR
    return (
        f"Limits come from {own[0].baseline_checks} checks, {day(first)} to {day(last)}. On a steady "
        f"bench {bench} each of {charts} charts raises a false alarm in {overall_checks * charts:.0f} "
        f"checks on average, all together at most one in {overall_checks:.0f} ({years:.1f} years of "
        "weekly checks)."
    )

"""Why a sheet is suspect, in one sentence: which reading is off, by how much, what that means."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.faults.likelihood_ratio import Scores
from fleet.faults.signatures import FAULTS, SAG
from fleet.house_model.chain import ANGLES, JUDGED, RAKE, RAKE_LINKS
from fleet.house_model.loo_residuals import Residuals
from fleet.numerals import percent, unknown
from fleet.words import FAULT_WORDS, fault_words, quantity

JUDGED_COLUMNS: Final = (
    "sheet_no", "unit", "measured_on", "score", "p_value", "q_value", "flagged", "list_false_share",
    "leading_fault", "p_healthy", *(f"p_{fault}" for fault in FAULTS), "why",
)  # fmt: skip
"""What is told of a sheet that was judged."""
OFF_SIGMAS: Final = 2.5
NEARLY_SURE: Final = 0.8
"""A likeliest fault below this share of all faults has the next one named after it."""
WORTH_NAMING: Final = 0.1
_NEVER: Final = np.array([name == RAKE for name in JUDGED])
_NEVER_SPHERICAL: Final = np.array([name == RAKE or name in RAKE_LINKS for name in JUDGED])


def plain(scores: Scores, flagged: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Sentences of the sheets that are normal in every reading; None for those that need one of their own."""
    near = scores.farthest < OFF_SIGMAS
    normal = ~flagged & near & (scores.healthy >= 0.5) & ~np.isnan(scores.score)
    share, place = np.unique(np.floor(1e4 * scores.healthy) / 1e4, return_inverse=True)
    texts = np.array([f"Normal for its kind ({percent(p)} sure)." for p in share], dtype=object)
    out: NDArray[np.object_] = texts[place]
    out[~normal] = None
    return out


def sound(resid: Residuals, scores: Scores, rows: NDArray[np.int64]) -> list[str]:
    """Sentences of sheets that are likelier sound and not flagged: those of `explain`, for many at once."""
    z = np.nan_to_num(resid.value[rows] / np.sqrt(np.einsum("mii->mi", resid.covariance)[rows]))
    far = np.abs(z).argmax(axis=1)
    columns = (
        far, np.abs(z[np.arange(len(rows)), far]), resid.value[rows, far], resid.expected[rows, far],
        resid.seen["family"][rows], scores.healthy[rows], np.isnan(scores.score[rows]),
    )  # fmt: skip
    out = []
    for j, sigmas, value, expected, known, healthy, unread in zip(
        *(c.tolist() for c in columns), strict=True
    ):
        off = f"; {_departure(j, value, expected, sigmas, known=known)}" if sigmas >= OFF_SIGMAS else ""
        text = f"Normal for its kind ({percent(healthy)} sure){off}."
        out.append("Nothing was read that could be judged." if unread else text)
    return out


def explain(
    sheet: Mapping[Any, Any] | None,
    resid: Residuals,
    scores: Scores,
    i: int,
    *,
    flagged: bool,
    means: str = "",
    sound: tuple[str, ...] = (),
    suspect: tuple[str, ...] = (),
) -> str:
    """One sentence for sheet ``i``.

    Parameters
    ----------
    sheet : its readings, canonical columns; may be None where no slip is proposed
    resid, scores : of all sheets
    flagged : what the list says of its unit
    means : what its likeliest fault means for the owner (see `fleet.faults.consequences`)
    sound, suspect : numbers of its unit's other sheets that read sound by themselves, and that don't
    """
    if np.isnan(scores.score[i]):
        return "Nothing was read that could be judged."
    healthy = float(scores.healthy[i])
    off = departures(resid, i)
    if not flagged and healthy >= 0.5:
        return f"Normal for its kind ({percent(healthy)} sure){'' if not off else f'; {off[0]}'}."
    if flagged and healthy >= 0.5:
        return _sound_but_flagged(healthy, off, suspect)
    fault = FAULTS[int(scores.faults[i].argmax())]
    seen = "; ".join(off) if off else "no single reading is far off, but together they are unlikely"
    cause = FAULT_WORDS[fault].cause + _else(scores, i)
    if fault == "misread" and sheet is not None:
        means = proposal(sheet, resid, scores, i)
    parts = [part for part in (cause, means, _action(fault, flagged=flagged, sound=sound)) if part]
    text = f"{_capital(seen)}{_rest(resid, i, len(off))}: {'; '.join(parts)}."
    if not flagged:
        text += (
            f" Not flagged: among so many units one like this is to be expected ({percent(healthy)} sound)."
        )
    return text


def _sound_but_flagged(healthy: float, off: list[str], suspect: tuple[str, ...]) -> str:
    """A flagged unit's sheet that is likelier sound: which sheet makes the unit suspect, and no fault."""
    head = f"This sheet reads sound ({percent(healthy)} sure){'' if not off else f'; {off[0]}'}"
    if not suspect:
        return f"{head}, though the list flags it: measure it again before anything else."
    which = f"sheet {suspect[0]} makes" if len(suspect) == 1 else f"sheets {', '.join(suspect)} make"
    return f"{head}; {which} its unit suspect: measure it again before anything else."


def _action(fault: str, *, flagged: bool, sound: tuple[str, ...]) -> str:
    """What to do: a unit goes back to its maker only where it is itself probably faulty."""
    if sound:
        which = f"sheet {sound[0]} of the same unit reads" if len(sound) == 1 else "its other sheets read"
        return f"{which} sound, so measure it again before anything else"
    return FAULT_WORDS[fault].action if flagged else "measure it again"


def _rest(resid: Residuals, i: int, off: int) -> str:
    """That what is not off is normal, as far as it was read."""
    there = ~np.isnan(resid.value[i])
    if not 0 < off < int(there.sum()):
        return ""
    whole = there.all() or (there | np.isnan(resid.expected[i]) | _cannot_be_read(resid, i)).all()
    return "; everything else normal" if whole else "; everything else that was read is normal"


def _cannot_be_read(resid: Residuals, i: int) -> NDArray[np.bool_]:
    """A spherical stylus has no rake; a rake stands by itself only where the tracking angle is missing."""
    return _NEVER_SPHERICAL if resid.spherical[i] else _NEVER


def _else(scores: Scores, i: int) -> str:
    """The next likeliest fault with its share of all faults, where the likeliest isn't nearly sure."""
    share = scores.faults[i] / scores.faults[i].sum()
    first, second = np.argsort(-share)[:2].tolist()
    if share[first] >= NEARLY_SURE or share[second] < WORTH_NAMING:
        return ""
    other = "none of the known faults" if FAULTS[second] == "other" else fault_words(FAULTS[second])
    return f" ({percent(share[first])}), or else {other} ({percent(share[second])})"


def digits_of(link: str) -> int:
    """Decimals that a link's residual deserves: sag is known best."""
    return 2 if link == "sag" else 1


def departures(resid: Residuals, i: int) -> list[str]:
    """The residuals that stand out, the farthest first, in words with figures."""
    value = resid.value[i].tolist()
    z = (resid.value[i] / np.sqrt(resid.covariance[i].diagonal())).tolist()
    order = sorted((j for j, x in enumerate(z) if abs(x) >= OFF_SIGMAS), key=lambda j: -abs(z[j]))
    known = bool(resid.seen["family"][i])
    expected = resid.expected[i].tolist()
    return [_departure(j, value[j], expected[j], abs(z[j]), known=known) for j in order]


def _departure(j: int, value: float, expected: float, sigmas: float, *, known: bool) -> str:
    """One residual that stands out, in words with figures."""
    whose = "its family" if known else "its kind"
    own, digits = quantity(JUDGED[j]), digits_of(JUDGED[j])
    sense = "above" if value > 0.0 else "below"
    if JUDGED[j] in (*ANGLES, RAKE):
        return f"{own.long} {own.figure(abs(value), digits)} {sense} {whose} ({sigmas:.1f} of its own sigmas)"
    return f"{own.long} {own.signed(value + expected, digits)} ({sigmas:.1f} sigmas from {whose})"


def proposal(sheet: Mapping[Any, Any], resid: Residuals, scores: Scores, i: int) -> str:
    """The reading that a slip would explain and what it would be; never applied."""
    item = scores.items[int(scores.best_slip[i])]
    column = item.column
    if item.undo is None and unknown(sheet.get(column)):
        column = "sra_static_deg"
    if item.undo == SAG:
        return (
            f"still and turning rake look swapped: {float(sheet['sra_dynamic_deg']):.2f}° still, "
            f"{float(sheet['sra_static_deg']):.2f}° turning would be normal"
        )
    reading = float(sheet[column])
    if item.undo is not None:
        return f"{quantity(column).short} looks to have the wrong sign: {-reading:+.2f} would be normal"
    shift, sd = _shift(item.vector, resid, i)
    normal = reading - shift
    text = f"{quantity(column).short} {reading:.2f} looks misread: about {normal:.1f} would be normal"
    meant = likely_gross_error(reading, normal, sd)
    return text if meant is None else f"{text}, perhaps {meant:.2f}"


def likely_gross_error(reading: float, normal: float, sd: float) -> float | None:
    """The one figure near what is normal that a slip of the pen turns into this reading.

    Parameters
    ----------
    reading : as written
    normal, sd : what would be normal, and how sure that is; figures beyond two of its sds are no candidates

    Returns
    -------
    float or None
        Tens one or two too many or too few, two neighbouring digits exchanged, or the point one place off;
        None if none of these comes near, or several do.
    """
    digits = f"{abs(reading):.2f}"
    found = [reading + step for step in (-20.0, -10.0, 10.0, 20.0)] + [reading * 10.0, reading / 10.0]
    for a, b in pairwise(k for k, c in enumerate(digits) if c != "."):
        turned = list(digits)
        turned[a], turned[b] = turned[b], turned[a]
        found.append(float(np.copysign(float("".join(turned)), reading)))
    near = {round(x, 3) for x in found if abs(x - normal) <= 2.0 * sd and abs(x - reading) > 2.0 * sd}
    return near.pop() if len(near) == 1 else None


def _shift(
    vector: np.ndarray[tuple[int, ...], np.dtype[np.float64]], resid: Residuals, i: int
) -> tuple[float, float]:
    """Size along a direction that explains the residuals best, and its sd (generalised least squares)."""
    read = np.flatnonzero(~np.isnan(resid.value[i]))
    d = np.broadcast_to(vector, (1, len(JUDGED)))[0, read]
    weight = np.linalg.solve(resid.covariance[i][np.ix_(read, read)], d)
    power = float(weight @ d)
    return float(weight @ resid.value[i][read] / power), float(power**-0.5)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

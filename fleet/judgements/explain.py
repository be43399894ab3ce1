"""Why a sheet is suspect, in one sentence: which reading is off, by how much, what that means."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.judgements.scoring import Scores
from fleet.judgements.signatures import FAULTS, SAG
from fleet.models.house import House
from fleet.models.links import JUDGED
from fleet.models.residuals import Residuals

OFF_SIGMAS: Final = 2.5
READING_WORDS: Final = {
    "sra_static_deg": "rake still",
    "sra_dynamic_deg": "rake turning",
    "vta_dynamic_deg": "tracking angle",
    "zenith_deg": "zenith",
    "azimuth_optical_deg": "azimuth as seen",
    "azimuth_electrical_deg": "electrical azimuth",
    "channel_balance_db": "channel balance",
}
NAMES: Final = {
    "tracking": ("tracking angle (record still)", "°", 1),
    "built_in": ("built-in angle", "°", 1),
    "sag": ("sag", "°", 2),
    "zenith": ("zenith error", "°", 1),
    "azimuth_seen": ("azimuth as seen", "°", 1),
    "azimuth_electrical": ("electrical azimuth", "°", 1),
    "balance": ("channel balance", " dB", 1),
}
CAUSES: Final = {
    "rake_set_wrong": "stylus probably set at the wrong rake on the cantilever",
    "stylus_twisted": "stylus probably twisted on the cantilever",
    "stylus_canted": "stylus probably canted on the cantilever",
    "generator_rolled": "generator probably rolled in the body",
    "assembly_rolled": "the whole assembly is probably rolled in the body",
    "cantilever_angle": "cantilever probably set at the wrong angle",
    "suspension_soft": "suspension probably softer than its kind",
    "suspension_stiff": "suspension probably stiffer than its kind",
    "weak_channel": "one channel is probably weak",
    "misread": "probably a slip in the book-keeping, not a fault",
    "other": "it fits none of the known faults",
}
ACTIONS: Final = {
    "rake_set_wrong": "tilt serves one target only; return it to its maker",
    "stylus_twisted": "turning the body trades time skew for tracking distortion; return it to its maker",
    "stylus_canted": "roll can only split the difference; return it to its maker",
    "generator_rolled": "a roll of the body cures the crosstalk but cants the stylus; return it to its maker",
    "assembly_rolled": "a roll of the body corrects it",
    "cantilever_angle": "tilt moves rake along with it; return it to its maker",
    "suspension_soft": "watch the clearance; return it to its maker",
    "suspension_stiff": "check tracking force and the record's grip; return it to its maker",
    "weak_channel": "no alignment cures it; check leads and pins, then return it to its maker",
    "misread": "measure it again",
    "other": "measure it again",
}


def plain(resid: Residuals, scores: Scores, flagged: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Sentences of the sheets that are normal in every reading; None for those that need one of their own."""
    sd = np.sqrt(np.einsum("mii->mi", resid.covariance))
    off = (np.abs(resid.value) >= OFF_SIGMAS * sd).any(axis=1)
    normal = ~flagged & ~off & (scores.healthy >= 0.5) & ~np.isnan(scores.score)
    share, place = np.unique(np.round(scores.healthy, 4), return_inverse=True)
    texts = np.array([f"Normal for its kind ({_share(float(p))} sure)." for p in share], dtype=object)
    out: NDArray[np.object_] = texts[place]
    out[~normal] = None
    return out


def needs_readings(scores: Scores, i: int) -> bool:
    """Whether the sentence of sheet ``i`` may quote its readings."""
    return FAULTS[int(scores.faults[i].argmax())] == "misread"


def explain(
    house: House, sheet: pd.Series | None, resid: Residuals, scores: Scores, i: int, *, flagged: bool
) -> str:
    """One sentence for sheet ``i``.

    Parameters
    ----------
    house : House
    sheet : its readings, canonical columns; may be None where `needs_readings` says so
    resid, scores : of all sheets
    flagged : what the list says of its unit
    """
    if np.isnan(scores.score[i]):
        return "Nothing was read that could be judged."
    healthy = float(scores.healthy[i])
    off = departures(house, resid, i)
    if not flagged and healthy >= 0.5:
        return f"Normal for its kind ({_share(healthy)} sure){'' if not off else f'; {off[0]}'}."
    fault = FAULTS[int(scores.faults[i].argmax())]
    seen = "; ".join(off) if off else "no single reading is far off, but together they are unlikely"
    rest = "; everything else normal" if 0 < len(off) < int((~np.isnan(resid.value[i])).sum()) else ""
    cause = CAUSES[fault]
    if fault == "misread" and sheet is not None:
        cause += f" ({proposal(sheet, resid, scores, i)})"
    text = f"{_capital(seen)}{rest}: {cause}; {ACTIONS[fault]}."
    if flagged and healthy >= 0.5:
        text += f" The list flags it, though by itself it is more likely sound ({_share(healthy)})."
    elif not flagged:
        text += (
            f" Not flagged: among so many units one like this is to be expected ({_share(healthy)} sound)."
        )
    return text


def departures(house: House, resid: Residuals, i: int) -> list[str]:
    """The residuals that stand out, the farthest first, in words with figures."""
    value = resid.value[i]
    z = value / np.sqrt(resid.covariance[i].diagonal())
    order = [j for j in np.argsort(-np.abs(z)).tolist() if abs(z[j]) >= OFF_SIGMAS]
    known = bool(resid.seen["family"][i])
    whose = "its family" if known else "its kind"
    out = []
    for j in order:
        name, unit, digits = NAMES[JUDGED[j]]
        sense = "above" if value[j] > 0.0 else "below"
        if JUDGED[j] in ("tracking", "built_in", "sag"):
            out.append(
                f"{name} {abs(value[j]):.{digits}f}{unit} {sense} {whose} ({abs(z[j]):.1f} of its own sigmas)"
            )
        else:
            reading = value[j] + resid.expected[i, j]
            out.append(f"{name} {reading:+.{digits}f}{unit} ({abs(z[j]):.1f} sigmas from {whose})")
    del house
    return out


def proposal(sheet: pd.Series, resid: Residuals, scores: Scores, i: int) -> str:
    """The reading that a slip would explain and what it would be; never applied."""
    item = scores.items[int(scores.best_slip[i])]
    if item.undo == SAG:
        return (
            f"still and turning rake look swapped: {sheet['sra_dynamic_deg']:.2f}° still, "
            f"{sheet['sra_static_deg']:.2f}° turning would be normal"
        )
    reading = float(sheet[item.column])
    if item.undo is not None:
        return f"{READING_WORDS[item.column]} looks to have the wrong sign: {-reading:+.2f} would be normal"
    normal = reading - _shift(item.vector, resid, i)
    return f"{READING_WORDS[item.column]} {reading:.2f} looks misread: about {normal:.1f} would be normal"


def _shift(vector: np.ndarray[tuple[int, ...], np.dtype[np.float64]], resid: Residuals, i: int) -> float:
    """Size along a direction that explains the residuals best (generalised least squares)."""
    read = np.flatnonzero(~np.isnan(resid.value[i]))
    d = np.broadcast_to(vector, (1, len(JUDGED)))[0, read]
    weight = np.linalg.solve(resid.covariance[i][np.ix_(read, read)], d)
    return float(weight @ resid.value[i][read] / (weight @ d))


def _share(p: float) -> str:
    """A probability in per cent; never certain."""
    if p > 0.99:
        return "over 99%"
    return "under 1%" if p < 0.01 else f"{p:.0%}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

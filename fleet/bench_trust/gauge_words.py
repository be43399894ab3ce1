"""A gauge study in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from fleet.numerals import figure, percent, span, with_sign, with_unit
from fleet.words import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

    from fleet.bench_trust.gauge_study import Gauge

ENOUGH_CATEGORIES: Final = 5
_FEW_OPERATORS: Final = 5


def sentence(g: Gauge) -> str:
    """Say what one reading is worth, who is off, and how often to read an important unit."""
    known = QUANTITIES.get(g.reading)
    word, unit = (g.reading, "") if known is None else (known.short, known.unit)
    one = "One reading" if word == "reading" else f"One reading of the {word}"
    repeat, gauge = g.part("repeatability"), g.part("gauge")
    value, low, high = g.share["reml"]
    ndc = g.ndc["reml"][0]
    said = (
        f"{one} scatters by {_with_ends(repeat, unit)} in one hand and by {_with_ends(gauge, unit)} over "
        f"all hands: {_part(value)} of the spread of these units "
        f"({_part(low)} to {_part(high)}), {_categories(ndc)}."
    )
    if g.tolerance is not None:
        part = _part(float(gauge["of_tolerance"]))
        said += f" Six of its sigmas take {part} of the tolerance {with_unit(str(g.tolerance), unit)}."
    return f"{said} {_who(g, unit)}{_how_often(g, unit)}"


def _with_ends(row: pd.Series, unit: str) -> str:
    return f"{figure(row['sd'], unit, 3)} ({span(row['sd_low'], row['sd_high'], digits=3)})"


def _part(share: float) -> str:
    """A part of a spread; small ones with a digit more."""
    return percent(share, 1 if share < 0.1 else 0)


def _categories(ndc: float) -> str:
    if not np.isfinite(ndc):
        return "no limit to how many it tells apart"
    count = max(int(ndc), 1)
    return f"so it tells {count} distinct categor{'y' if count == 1 else 'ies'} of them apart"


def _who(g: Gauge, unit: str) -> str:
    off = g.habits[g.habits["off"]]
    if off.empty:
        return "No operator reads off the others by more than chance explains."
    told = "; ".join(
        f"{row['operator']} reads {with_sign(row['offset'], unit)} "
        f"({with_sign(row['offset_low'], '')} to {with_sign(row['offset_high'], '')})"
        for row in off.to_dict("records")
    )
    return f"Off the operators' mean: {told}."


def _how_often(g: Gauge, unit: str) -> str:
    if g.within is None:
        return ""
    one, turns = g.needed["one_operator"], g.needed["operators_in_turn"]
    aim = f" For ±{with_unit(str(g.within), unit)} (95 %) an important unit needs"
    if one == 1:
        return f"{aim} no second reading."
    if one is None and turns is None:
        return f"{aim} more readings than a bench will take: the reading itself must get better."
    if one is None:
        return f"{aim} {turns} readings, each by another operator; no number by one operator is enough."
    also = "" if turns is None or turns >= one else f", or {turns} by operators in turn"
    return f"{aim} {one} readings by one operator{also}."


def cautions(g: Gauge, cells: int) -> tuple[str, ...]:
    """What weakens the study."""
    out = []
    if g.operators < _FEW_OPERATORS:
        out.append(
            f"{g.operators} operators tell little of how operators differ in general: see how wide its "
            f"interval is."
        )
    if cells < g.units * g.operators or g.trials[0] != g.trials[1]:
        missing = g.units * g.operators - cells
        lacking = f", {missing} pairs of unit and operator not at all" if missing else ""
        out.append(
            f"Not every unit was read equally often ({g.trials[0]} to {g.trials[1]} times{lacking}): go "
            "by REML; the analysis of variance's tests are approximate."
        )
    if g.ndc["reml"][0] < ENOUGH_CATEGORIES:
        out.append(
            f"Fewer than {ENOUGH_CATEGORIES} categories: among units as alike as these, one reading "
            "doesn't sort. Units of all kinds spread more."
        )
    return tuple(out)

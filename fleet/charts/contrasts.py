"""Pictures of two groups set against each other, and of one quantity over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import BLUE, LIGHT, VERMILION, Look, colour_code, overlay, shape_code
from fleet.words import plain_word

if TYPE_CHECKING:
    from fleet.attainment.contrasts import Contrast
    from fleet.attainment.distributions import Quantity

RAW, MODEL = "as read", "house model"


def differences(found: Contrast, look: Look = LIGHT) -> alt.LayerChart:
    """Draw the difference of two groups, as read and as the house model expects it, with 95 % intervals."""
    rows = [
        {"estimate": RAW, "middle": found.shift, "low": found.shift_low, "high": found.shift_high},
        {"estimate": MODEL, "middle": found.model, "low": found.model_low, "high": found.model_high},
    ]
    told = pd.DataFrame(rows).dropna(subset="middle")
    names = told["estimate"].tolist()
    unit = found.quantity.unit
    title = f"{plain_word(found.pair[1])} less {plain_word(found.pair[0])} ({unit})"
    y = alt.Y("estimate:N", title=None, sort=names, axis=alt.Axis(ticks=False, domain=False))
    base = alt.Chart(told).encode(y=y, color=colour_code("estimate", names, [VERMILION, BLUE][: len(names)]))
    bars = (
        base.transform_filter("isValid(datum.low)")
        .mark_rule(strokeWidth=3)
        .encode(x=alt.X("low:Q", title=title), x2="high:Q")
    )
    points = base.mark_point(filled=True, size=110, opacity=1).encode(
        x=alt.X("middle:Q", title=title),
        shape=shape_code("estimate", names, ["diamond", "square"][: len(names)]),
        tooltip=[alt.Tooltip("estimate:N"), alt.Tooltip("middle:Q", title="difference", format="+.2f")],
    )
    zero = alt.Chart(pd.DataFrame({"x": [0.0]})).mark_rule(color=look.ink, strokeDash=[4, 4]).encode(x="x:Q")
    return overlay(zero, bars, points, height=50 * len(names) + 110, text=found.sentence)


def over_time(table: pd.DataFrame, quantity: Quantity, look: Look = LIGHT) -> alt.LayerChart:
    """Draw medians by period with their 95 % intervals, and the middle half of the readings behind them."""
    title = quantity.named.title
    periods = table["period"].tolist()
    every = max(1, -(-len(periods) // 14))
    axis = alt.Axis(values=periods[::every], labelAngle=0 if len(periods) <= 8 else -45)
    x = alt.X("period:O", title="Measured in", sort=periods, axis=axis)
    scale = alt.Scale(zero=False, nice=True)
    base = alt.Chart(table).encode(x=x)
    half = (
        base.transform_filter("isValid(datum.q25)")
        .mark_bar(width={"band": 0.55}, color=look.faint, opacity=0.35)
        .encode(y=alt.Y("q25:Q", title=title, scale=scale), y2="q75:Q")
    )
    line = base.mark_line(color=VERMILION, strokeWidth=1).encode(
        y=alt.Y("median:Q", scale=scale, title=title)
    )
    bars = (
        base.transform_filter("isValid(datum.low)")
        .mark_rule(color=VERMILION, strokeWidth=3)
        .encode(y=alt.Y("low:Q", scale=scale, title=title), y2="high:Q")
    )
    points = base.mark_point(shape="diamond", filled=True, size=90, opacity=1, color=VERMILION).encode(
        y=alt.Y("median:Q", scale=scale, title=title),
        tooltip=[
            alt.Tooltip("period:O", title="measured in"),
            alt.Tooltip("n:Q", title="units"),
            alt.Tooltip("median:Q", title="median", format=".2f"),
            alt.Tooltip("low:Q", title="95 % from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    first, last = table.iloc[0], table.iloc[-1]
    ends = [f"{quantity.named.figure(r['median'])} (n {r['n']}) in {r['period']}" for r in (first, last)]
    text = f"{quantity.words}, median by period: from {ends[0]} to {ends[1]}."
    return overlay(half, line, bars, points, height=300, text=text)


def period_figures(table: pd.DataFrame, quantity: Quantity) -> pd.DataFrame:
    """The table under the picture over time."""
    named = quantity.named

    def spans(low: str, high: str) -> list[str]:
        rows = zip(table[low], table[high], strict=True)
        return ["too few" if np.isnan(a) else named.span(a, b) for a, b in rows]

    return pd.DataFrame(
        {
            "measured in": table["period"],
            "units": table["n"],
            "median": [named.figure(v) for v in table["median"]],
            "95 % of that median": spans("low", "high"),
            "half of the readings": spans("q25", "q75"),
        }
    )

"""Pictures and tables of published readings: means of groups with their intervals, no unit in them."""

from __future__ import annotations

from typing import Final

import altair as alt
import pandas as pd

from fleet.charts.style import BLUE, LIGHT, VERMILION, Look, overlay
from fleet.words import plain_word, quantity

BLURRED: Final = "Counts of groups are blurred one by one: shares of one group needn't add up to 100 %."


def means_by_group(table: pd.DataFrame, reading: str, look: Look = LIGHT) -> alt.LayerChart:
    """Draw each group's mean with its 95 % interval, in the table's order.

    Parameters
    ----------
    table
        Of `fleet.attainment.published_readings.published_readings`.
    reading
        The link that it is of.
    """
    shown = table.assign(label=table["group"].map(plain_word) + "  (n " + table["n"].astype(str) + ")")
    own = quantity(reading)
    title = f"{own.title}, mean"
    labels = shown["label"].tolist()
    rows = alt.Y("label:N", sort=labels, title=None, axis=alt.Axis(labelLimit=260, ticks=False))
    scale = alt.Scale(zero=False, nice=True)
    base = alt.Chart(shown)
    bars = base.mark_rule(strokeWidth=3, color=BLUE).encode(
        x=alt.X("low:Q", title=title, scale=scale), x2="high:Q", y=rows
    )
    points = base.mark_point(shape="diamond", filled=True, size=110, color=VERMILION, opacity=1).encode(
        x=alt.X("mean:Q", title=title, scale=scale),
        y=rows,
        tooltip=[
            alt.Tooltip("label:N", title="group"),
            alt.Tooltip("mean:Q", title="mean", format=".2f"),
            alt.Tooltip("low:Q", title="95 % from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    del look  # both inks are readable on either ground
    told = "; ".join(f"{label} {own.figure(mean)}" for label, mean in zip(labels, shown["mean"], strict=True))
    return overlay(bars, points, height=max(34 * len(labels) + 30, 110), text=f"{own.long}, means: {told}.")


def figures(table: pd.DataFrame, reading: str) -> pd.DataFrame:
    """The same as a table that people read."""
    own = quantity(reading)
    ends = zip(table["low"], table["high"], strict=True)
    return pd.DataFrame(
        {
            "group": table["group"].map(plain_word),
            "units": table["n"],
            "mean": table["mean"].map(own.figure),
            "95 % interval": [own.span(a, b) for a, b in ends],
            "spread (1 sd)": table["sd"].map(own.figure),
        }
    )

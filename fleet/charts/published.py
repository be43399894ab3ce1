"""Pictures and tables of published readings: means of groups with their intervals, no unit in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import altair as alt

from fleet.charts.style import BLUE, LIGHT, VERMILION, Look, overlay
from fleet.charts.words import figure, spoken

if TYPE_CHECKING:
    import pandas as pd

    from fleet.attainment.published_readings import Read


def means_by_group(table: pd.DataFrame, reading: Read, look: Look = LIGHT) -> alt.LayerChart:
    """Draw each group's mean with its 95 % interval, in the table's order.

    Parameters
    ----------
    table
        Of `fleet.attainment.published_readings.published_readings`.
    """
    shown = table.assign(label=table["group"].map(spoken) + "  (n " + table["n"].astype(str) + ")")
    title = f"{reading.words} ({reading.unit}), mean"
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
            alt.Tooltip("low:Q", title="95% from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    del look  # both inks are readable on either ground
    told = "; ".join(
        f"{label} {figure(mean, reading.unit)}" for label, mean in zip(labels, shown["mean"], strict=True)
    )
    return overlay(
        bars, points, height=max(34 * len(labels) + 30, 110), text=f"{reading.words}, means: {told}."
    )


def figures(table: pd.DataFrame, reading: Read) -> pd.DataFrame:
    """The same as a table that people read."""
    ends = zip(table["low"], table["high"], strict=True)
    return table.assign(
        group=table["group"].map(spoken),
        mean=[figure(v, reading.unit) for v in table["mean"]],
        interval=[f"{a:.2f} to {figure(b, reading.unit)}" for a, b in ends],
        spread=[figure(v, reading.unit) for v in table["sd"]],
    )[["group", "n", "mean", "interval", "spread"]].rename(
        columns={"n": "units", "interval": "95% interval", "spread": "spread (1 sd)"}
    )

"""Picture and table of what each fact that isn't told would take off a quote's intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import pandas as pd

from fleet.charts.style import BLUE, LIGHT, Look, overlay, share_axis
from fleet.numerals import percent, span
from fleet.quotes.value_of_information import WIDTHS, WORTH_ASKING
from fleet.words import quantity

if TYPE_CHECKING:
    from fleet.quotes.value_of_information import Information

MOST_FACTS: Final = 9
_TITLE: Final = "Narrower by"


def narrowing_chart(found: Information, look: Look = LIGHT) -> alt.LayerChart:
    """Draw by how much each open fact would narrow rake, tracking angle and tilt, on average."""
    shown = found.table.head(MOST_FACTS).assign(
        share=lambda t: t["worth"].clip(lower=0.0), said=lambda t: t["worth"].clip(lower=0.0).map(percent)
    )
    rows = alt.Y(
        "words:N",
        sort=shown["words"].tolist(),
        title=None,
        axis=alt.Axis(labelLimit=320, ticks=False, labelOverlap=False),
    )
    x = alt.X(
        "share:Q",
        title=_TITLE,
        axis=share_axis(0, 0.25, 0.5, 0.75, 1),
        scale=alt.Scale(domain=[0, 1.05], nice=False),
    )
    bars = (
        alt.Chart(shown)
        .mark_bar(height={"band": 0.65}, color=BLUE)
        .encode(
            x=x,
            y=rows,
            tooltip=[alt.Tooltip("words:N", title="fact"), alt.Tooltip("said:N", title="narrower")],
        )
    )
    texts = (
        alt.Chart(shown)
        .mark_text(align="left", dx=5, color=look.ink)
        .encode(x=alt.X("share:Q", title=_TITLE), y=rows, text="said:N")
    )
    said = "; ".join(f"{w} {s}" for w, s in zip(shown["words"], shown["said"], strict=True))
    return overlay(bars, texts, height=30 * len(shown) + 70, text=f"Expected narrowing by each fact: {said}.")


def figures(found: Information) -> pd.DataFrame:
    """The widths of nine in ten, now and once each fact is told."""
    rows = []
    for row in found.table.to_dict("records"):
        cells = {"fact": row["words"]}
        for name in WIDTHS:
            cells[quantity(name).short] = span(row[f"{name}_now"], row[f"{name}_then"], "°", 1)
        cells["chance of both moves by"] = f"{100 * row['both_moves']:.0f} points"
        cells["worth asking"] = "yes" if row["worth"] >= WORTH_ASKING else "hardly"
        rows.append(cells)
    return pd.DataFrame(rows)

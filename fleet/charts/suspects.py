"""Pictures of one suspect: which fault is likely, and where its readings lie among its kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.attainment.peers import LINKS_SHOWN
from fleet.charts.style import GREEN, LIGHT, VERMILION, Look, overlay, share_axis
from fleet.numerals import NOT_KNOWN, percent, yes_no
from fleet.words import HEALTHY, NOT_TOLD, fault_words, plain_word, quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from fleet.attainment.peers import PeerGroup

MOST_OTHERS: Final = 220
FAULT: Final = "fault"


def chances(row: Mapping[str, object]) -> pd.DataFrame:
    """Fault chances of one suspect row: `name`, `chance`, `what` (healthy or fault), the likeliest first."""
    found = [
        (fault_words(name.removeprefix("p_")), float(str(value)), HEALTHY if name == "p_healthy" else FAULT)
        for name, value in row.items()
        if name.startswith("p_") and name != "p_value"
    ]
    table = pd.DataFrame(found, columns=["name", "chance", "what"])
    return table.sort_values(["chance", "name"], ascending=[False, True]).reset_index(drop=True)


def fault_chances(row: Mapping[str, object], look: Look = LIGHT, *, most: int = 7) -> alt.LayerChart:
    """Draw the chances of being healthy and of each fault as bars with their figures, the likeliest first."""
    table = chances(row)
    keep = (table.index < most) | (table["what"] == HEALTHY)
    shown = table[keep].assign(said=lambda t: t["chance"].map(percent))
    rows = alt.Y(
        "name:N",
        sort=shown["name"].tolist(),
        title=None,
        axis=alt.Axis(labelLimit=180, ticks=False, labelOverlap=False),
    )
    x = alt.X(
        "chance:Q",
        title="Chance",
        scale=alt.Scale(domain=[0, 1.12], nice=False),
        axis=share_axis(0, 0.25, 0.5, 0.75, 1),
    )
    bars = (
        alt.Chart(shown)
        .mark_bar(height={"band": 0.65})
        .encode(
            x=x,
            y=rows,
            color=alt.Color(
                "what:N", legend=None, scale=alt.Scale(domain=[HEALTHY, FAULT], range=[GREEN, VERMILION])
            ),
            tooltip=[alt.Tooltip("name:N", title="what"), alt.Tooltip("said:N", title="chance")],
        )
    )
    figures = (
        alt.Chart(shown)
        .mark_text(align="left", dx=5, color=look.ink)
        .encode(x=alt.X("chance:Q", title="Chance"), y=rows, text="said:N")
    )
    said = "; ".join(f"{name} {chance}" for name, chance in zip(shown["name"], shown["said"], strict=True))
    return overlay(
        bars, figures, height=30 * len(shown) + 60, text=f"Chances of being healthy or faulty: {said}."
    )


def pair_of_links(found: PeerGroup, pair: tuple[str, str], look: Look = LIGHT) -> alt.LayerChart | None:
    """Draw one pair of links: the kind's units as dots, this unit as a diamond; None if it wasn't read.

    The frame holds this unit and the bulk of the others; what lies far outside (slips, broken units) would
    press the rest together and is left out of the picture.
    """
    if any(np.isnan(found.own[name]) for name in pair):
        return None
    others = found.others[list(pair)].dropna()
    axes, titles = [], []
    for channel, name in zip((alt.X, alt.Y), pair, strict=True):
        titles.append(quantity(name).title)
        domain = frame(others[name].to_numpy(dtype=float), found.own[name])
        others = others[others[name].between(domain[0], domain[1])]
        axes.append(channel(f"{name}:Q", title=titles[-1], scale=alt.Scale(domain=domain, nice=False)))
    if len(others) > MOST_OTHERS:
        others = others.iloc[np.linspace(0, len(others) - 1, MOST_OTHERS).round().astype(int)]
    tips = [alt.Tooltip(f"{n}:Q", title=t, format=".2f") for n, t in zip(pair, titles, strict=True)]
    x, y = axes
    dots = (
        alt.Chart(others).mark_circle(size=26, color=look.faint, opacity=0.6).encode(x=x, y=y, tooltip=tips)
    )
    own = (
        alt.Chart(pd.DataFrame([{name: found.own[name] for name in pair}]))
        .mark_point(shape="diamond", filled=True, size=220, color=VERMILION, opacity=1, stroke=look.ink)
        .encode(x=x, y=y, tooltip=tips)
    )
    medians = found.table.set_index("link")["median"]
    read = " and ".join(
        f"{quantity(n).long} {quantity(n).figure(found.own[n])} (median of the others "
        f"{quantity(n).figure(float(medians[n]))})"
        for n in pair
    )
    return overlay(dots, own, height=290, text=f"This unit among {found.kind}: {read}.")


def frame(values: NDArray[np.float64], own: float) -> list[float]:
    """Axis that holds the bulk of the others with room around it, and the unit itself."""
    low, high = np.quantile(values, [0.02, 0.98]) if len(values) else (own, own)
    room = 0.35 * max(float(high - low), 0.4)
    ends = min(float(low) - room, own - 0.3 * room), max(float(high) + room, own + 0.3 * room)
    return [round(ends[0], 2), round(ends[1], 2)]


def comparison_table(found: PeerGroup) -> pd.DataFrame:
    """The readings against the kind as a table that can be read."""
    rows = []
    for row in found.table.to_dict("records"):
        own = quantity(str(row["link"]))
        inside = "too few" if np.isnan(row["low"]) else own.span(row["low"], row["high"])
        rows.append(
            {
                "reading": own.long,
                "this unit": own.figure(row["unit_reading"]),
                "their median": own.figure(row["median"]),
                "nine in ten of them": inside,
                "others": row["n"],
                "further out": percent(row["further_out"]),
            }
        )
    return pd.DataFrame(rows)


def suspect_table(table: pd.DataFrame) -> pd.DataFrame:
    """The list as people read it: kind, fault, how sure, why; a column alike in all is left out."""
    kind = table["stylus_profile"].fillna(NOT_TOLD) + "/" + table["cantilever_material"].fillna(NOT_TOLD)
    told = {
        "sheet": table["sheet_no"],
        "measured": pd.to_datetime(table["measured_on"]).dt.strftime("%Y-%m-%d"),
        "kind": kind.map(plain_word),
        "source": table["assembly_source"].fillna(NOT_KNOWN),
        "likeliest": table["leading_fault"].astype(str).map(fault_words),
        "healthy": table["p_healthy"].map(percent),
    }
    if not table["flagged"].all():
        told["flagged"] = table["flagged"].map(yes_no)
    if table["verdict"].notna().any():
        told["turned out"] = table["verdict"].map(lambda v: NOT_KNOWN if pd.isna(v) else fault_words(str(v)))
    return pd.DataFrame(told | {"why": table["why"]})


def unit_sheets(sheets: pd.DataFrame) -> pd.DataFrame:
    """All sheets of one unit as people read them, newest first."""
    told = pd.DataFrame(
        {
            "sheet": sheets["sheet_no"],
            "measured": pd.to_datetime(sheets["measured_on"]).dt.strftime("%Y-%m-%d"),
            "bench": sheets["bench"],
        }
    )
    for link in LINKS_SHOWN.values():
        told[link.words] = [link.named.figure(v) for v in link.read(sheets)]
    return told

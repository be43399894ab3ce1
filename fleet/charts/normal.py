"""Who is not normal, and in what: every unit on every reading in its own sigmas, each cause with its look."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import (
    BLUE,
    GREEN,
    LIGHT,
    MOST_MARKS,
    ORANGE,
    PINK,
    SKY,
    VERMILION,
    Look,
    overlay,
)
from fleet.house_model.chain import JUDGED
from fleet.numerals import NOT_KNOWN, count, number, percent
from fleet.words import NOT_TOLD, fault_words, plain_word, quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

LOOKS: Final = {
    "rake_set_wrong": (BLUE, "triangle-down"),
    "stylus_twisted": (ORANGE, "triangle-up"),
    "stylus_canted": (VERMILION, "triangle-down"),
    "generator_rolled": (PINK, "square"),
    "assembly_rolled": (GREEN, "circle"),
    "cantilever_angle": (SKY, "cross"),
    "suspension_soft": (VERMILION, "circle"),
    "suspension_stiff": (SKY, "square"),
    "weak_channel": (GREEN, "triangle-up"),
    "misread": (PINK, "cross"),
    "other": (ORANGE, "circle"),
}
"""Colour and shape of each cause; no two share both, and a colour's shapes differ plainly."""
MARK_SIZE: Final = 90
PALE_AT_THE_EDGE: Final = alt.condition("datum.pinned", alt.value(0.4), alt.value(1.0))
"""Opacity of a mark that stands at the frame's edge in place of a reading beyond it."""
ROW_PX: Final = 52
BAND_SIGMAS: Final = 2.0
LEAST_SPAN: Final = 4.0
TICKS: Final = (1, 2, 3, 5, 10, 20, 50, 100, 200, 500, 1000)

_SAID: Final = ("link", "reading", "expected", "sigmas")


@dataclass(frozen=True)
class Shown:
    """What the picture draws.

    Attributes
    ----------
    bulk : readings of units that aren't flagged, thinned: `link`, `row`, `sigmas`, `place`, words
    marks : every reading of every flagged unit, none left out: the same and `cause`; of very many units those
        beyond the band, and each unit's farthest
    own : readings of the one unit that is drawn large
    readings : how many readings of unflagged units there are
    units : how many units, and how many of them are flagged
    ends : the axis, which holds every mark [sigmas]
    thinned : whether readings of flagged units that lie within the band are left out
    """

    bulk: pd.DataFrame
    marks: pd.DataFrame
    own: pd.DataFrame
    readings: int
    units: tuple[int, int]
    ends: tuple[float, float]
    thinned: bool = False

    @property
    def sentence(self) -> str:
        """How to read it, and what is drawn of how many."""
        units, flagged = self.units
        if len(self.bulk) < self.readings:
            drawn = f"{len(self.bulk)} of {self.readings} readings of the others are drawn, spread evenly"
        else:
            drawn = f"all {self.readings} readings of the others are drawn"
        every = "" if not flagged else f"; every reading of the {count(flagged, 'flagged unit')} is marked"
        if self.thinned:
            every = f"; each of the {flagged} flagged units is marked where it stands beyond the shaded band"
        return (
            f"{count(units, 'unit')}: {drawn}{every}. Shaded: within two sigmas of its kind, where 95 of 100 "
            "sound readings lie. The axis is logarithmic beyond one sigma. Hover: the unit in words; click: "
            "its page."
        )


def prepare(
    standing: pd.DataFrame, judged: pd.DataFrame, *, own: str | None = None, most: int = MOST_MARKS
) -> Shown:
    """Choose what is drawn: all of the flagged, of the others at most `most` readings.

    Parameters
    ----------
    standing : as `fleet.attainment.peers` gives it.
    judged : units in words, as `fleet.charts.in_words` gives them; others are left out.
    own : a unit that is drawn large, and neither thinned away nor among the others.
    most : readings of unflagged units.
    """
    told = judged.drop_duplicates("unit").drop(columns="sheet_no")
    frame = standing.merge(told, on="unit", how="inner", validate="many_to_one")
    frame["place"] = spread_apart(frame["unit"])
    mine = frame["unit"] == (own or "")
    marks = _said(_telling(frame[frame["flagged"] & ~mine], most).reset_index(drop=True))
    marks["says"] = [
        f"Sheet {r['sheet_no']}, {r['about']}, {r['cause']}: {r['row']} {r['off']}"
        for r in marks[["sheet_no", "about", "cause", "row", "off"]].to_dict("records")
    ]
    rest = frame[~frame["flagged"] & ~mine]
    each = most // max(rest["link"].nunique(), 1)
    parts = [thin(part, "sigmas", each) for _, part in rest.groupby("link", sort=False)]
    bulk = _said(pd.concat(parts, ignore_index=True) if parts else rest)
    large = _said(frame[mine].assign(place=0.5))
    drawn = pd.concat([bulk["sigmas"], marks["sigmas"], large["sigmas"]])
    low, high = (float(drawn.min()), float(drawn.max())) if len(drawn) else (0.0, 0.0)
    ends = (1.15 * min(low, -LEAST_SPAN), 1.15 * max(high, LEAST_SPAN))
    of = frame["unit"].nunique(), frame.loc[frame["flagged"], "unit"].nunique()
    left_out = len(marks) < int((frame["flagged"] & ~mine).sum())
    return Shown(bulk, marks, large, len(rest), of, ends, left_out)


def _telling(flagged: pd.DataFrame, most: int) -> pd.DataFrame:
    """All readings of flagged units, or if those exceed `most` each unit's farthest and all far off."""
    if len(flagged) <= most:
        return flagged
    off = flagged["sigmas"].abs()
    return flagged[(off > BAND_SIGMAS) | (off == off.groupby(flagged["unit"]).transform("max"))]


def _said(drawn: pd.DataFrame) -> pd.DataFrame:
    """The rows with what a tooltip says of them; only of those drawn, for words take longer than figures."""
    off = [_off(*cells) for cells in zip(*(drawn[c] for c in _SAID), strict=True)]
    return drawn.assign(row=drawn["link"].map(lambda link: quantity(link).long), off=off)


def _off(link: str, reading: float, expected: float, sigmas: float) -> str:
    own = quantity(link)
    return f"{own.figure(reading)}, its kind {own.figure(expected)}: {number(abs(sigmas), 1)} sigmas off"


def every_unit(shown: Shown, look: Look = LIGHT) -> alt.LayerChart:
    """Draw every unit on every reading, one row a reading; the flagged by cause, in colour and shape."""
    there = set(shown.bulk["link"]) | set(shown.marks["link"]) | set(shown.own["link"])
    rows = [quantity(link).long for link in JUDGED if link in there]
    ticks = [t for s in (-1, 1) for t in (s * v for v in TICKS) if shown.ends[0] <= t <= shown.ends[1]]
    title = "Off its kind [sigmas], − below, + above"
    scale = alt.Scale(type="symlog", constant=1, domain=list(shown.ends), nice=False)
    x = alt.X(
        "sigmas:Q",
        title=title,
        scale=scale,
        axis=alt.Axis(values=sorted([*ticks, 0]), format="+d", grid=True, gridOpacity=0.4),
    )
    y = alt.Y(
        "row:N",
        sort=rows,
        title=None,
        scale=alt.Scale(domain=rows),
        axis=alt.Axis(labelLimit=220, domain=False, ticks=False, grid=True),
    )
    lane = alt.YOffset("place:Q", scale=alt.Scale(domain=[0, 1]))
    tips = [
        alt.Tooltip("sheet_no:N", title="sheet"),
        alt.Tooltip("about:N", title="unit"),
        alt.Tooltip("row:N", title="reading"),
        alt.Tooltip("off:N", title="reads"),
        alt.Tooltip("sure:N", title="chances"),
    ]
    columns = ["sheet_no", "row", "sigmas", "place", "about", "off", "sure"]
    band = (
        alt.Chart(pd.DataFrame({"low": [-BAND_SIGMAS], "high": [BAND_SIGMAS]}))
        .mark_rect(color=GREEN, opacity=0.12)
        .encode(x=alt.X("low:Q", title=title, scale=scale), x2="high:Q")
    )
    dots = (
        alt.Chart(shown.bulk[columns])
        .mark_circle(size=16, color=look.faint, opacity=0.5, aria=False)
        .encode(x=x, y=y, yOffset=lane, tooltip=tips)
    )
    layers = [band, dots]
    if len(shown.marks):
        colour, shape = codes(shown.marks["fault"].tolist())
        layers.append(
            alt.Chart(shown.marks[[*columns, "cause", "says"]])
            .mark_point(filled=True, size=MARK_SIZE)
            .encode(
                x=x,
                y=y,
                yOffset=lane,
                color=colour,
                shape=shape,
                opacity=alt.condition(f"abs(datum.sigmas) > {BAND_SIGMAS:g}", alt.value(1), alt.value(0.45)),
                description="says:N",
                tooltip=tips,
            )
        )
    if len(shown.own):
        layers.append(
            alt.Chart(shown.own[columns])
            .mark_point(shape="diamond", filled=True, size=230, color=BLUE, opacity=1, stroke=look.ink)
            .encode(x=x, y=y, yOffset=lane, tooltip=tips)
        )
    return overlay(*layers, height=ROW_PX * max(len(rows), 1) + 90, text=_described(shown))


def _described(shown: Shown, most: int = 6) -> str:
    units, flagged = shown.units
    head = f"{count(units, 'unit')} on every reading, in sigmas of its kind; {flagged} flagged"
    if not flagged:
        return f"{head}."
    worst = shown.marks.iloc[np.argsort(-shown.marks["sigmas"].abs().to_numpy(), kind="stable")]
    worst = worst.drop_duplicates("unit").head(most)
    said = "; ".join(
        f"sheet {r['sheet_no']}, {r['cause']}: {r['row']} {r['off']}" for r in worst.to_dict("records")
    )
    return f"{head}. The farthest: {said}."


def in_words(judged: pd.DataFrame) -> pd.DataFrame:
    """What a picture says of judged units: `sheet_no`, `unit`, `flagged`, `fault`, `cause`, `about`, `sure`.

    Parameters
    ----------
    judged : rows of a list of suspects, with kind, family and source beside them.
    """
    kind = judged["stylus_profile"].fillna(NOT_TOLD) + "/" + judged["cantilever_material"].fillna(NOT_TOLD)
    family, source = (judged[name].fillna(NOT_KNOWN) for name in ("body_family", "assembly_source"))
    chance = [row[f"p_{row['leading_fault']}"] for row in judged.to_dict("records")]
    return pd.DataFrame(
        {
            "sheet_no": judged["sheet_no"].astype(str),
            "unit": judged["unit"].astype(str),
            "flagged": judged["flagged"].astype(bool),
            "fault": judged["leading_fault"].astype(str),
            "cause": judged["leading_fault"].astype(str).map(fault_words),
            "about": [f"{plain_word(k)}, {f}, {s}" for k, f, s in zip(kind, family, source, strict=True)],
            "sure": [
                f"sound {percent(h)}" + (f", {fault_words(str(f))} {percent(c)}" if c >= 0.05 else "")
                for h, f, c in zip(judged["p_healthy"], judged["leading_fault"], chance, strict=True)
            ],
        }
    )


def flagged_list(flagged: pd.DataFrame) -> pd.DataFrame:
    """Flagged units in words as a table under the picture."""
    names = {
        "sheet_no": "sheet",
        "about": "kind, family, source",
        "cause": "likeliest cause",
        "sure": "chances",
    }
    return flagged[list(names)].rename(columns=names)


def codes(faults: Sequence[str], columns: int = 4) -> tuple[alt.Color, alt.Shape]:
    """Colour and shape of the field `cause` for the faults that occur, with one legend for both."""
    there = [name for name in LOOKS if name in set(faults)]
    words = [fault_words(name) for name in there]
    legend = alt.Legend(orient="top", columns=columns, labelLimit=180, symbolSize=MARK_SIZE)
    shared: dict[str, Any] = {"title": None, "sort": words, "legend": legend}
    return (
        alt.Color("cause:N", scale=alt.Scale(domain=words, range=[LOOKS[n][0] for n in there]), **shared),
        alt.Shape("cause:N", scale=alt.Scale(domain=words, range=[LOOKS[n][1] for n in there]), **shared),
    )


def spread_apart(units: pd.Series) -> pd.Series:
    """Place between 0 and 1 of each unit, the same for all its readings; neighbours lie apart."""
    code, _ = pd.factorize(units)
    return pd.Series(0.08 + 0.84 * ((code * 0.6180339887) % 1.0), index=units.index)


def thin(frame: pd.DataFrame, by: str, most: int) -> pd.DataFrame:
    """At most `most` rows, spread evenly over the rows in order of one column."""
    if len(frame) <= most:
        return frame
    at = np.linspace(0, len(frame) - 1, most).round().astype(int)
    return frame.sort_values(by, kind="stable").iloc[at]

"""Pictures of the track record: how often intervals held, how honest chances were, where readings fell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import (
    BLUE,
    GREEN,
    LIGHT,
    ORANGE,
    VERMILION,
    Look,
    colour_code,
    overlay,
    shape_code,
    share_axis,
    with_shares_said,
)
from fleet.numerals import NOT_KNOWN, percent, percent_spans
from fleet.quotes.outcomes import READINGS
from fleet.statistics.quantile_forecasts import LEVELS
from fleet.words import quantity

if TYPE_CHECKING:
    from fleet.quotes.outcomes import ForecastPairs
    from fleet.quotes.track_record import Record
    from fleet.statistics.forecast_scores import Chances, PitHistogram

_WHOLE: Final = alt.Scale(domain=[0, 1])
_MARKS: Final = {0.5: (GREEN, "circle"), 0.8: (ORANGE, "square"), 0.9: (BLUE, "diamond")}
_INTERVALS: Final = {p: f"{percent(p)} interval" for p in _MARKS}
MOST_GROUPS: Final = 20


def intervals_held(coverage: pd.DataFrame, look: Look = LIGHT) -> alt.LayerChart:
    """Draw how often each quantity's intervals held, with 95 % intervals, beside what was promised.

    Parameters
    ----------
    coverage : `Record.coverage`
    """
    told = _said(coverage.assign(interval=coverage["promised"].map(_INTERVALS)), "promised")
    names = told["quantity"].drop_duplicates().tolist()
    domain = list(_INTERVALS.values())
    colours, shapes = (list(x) for x in zip(*_MARKS.values(), strict=True))
    rows = alt.Y("quantity:N", sort=names, title=None, axis=alt.Axis(labelLimit=220, ticks=False))
    apart = alt.YOffset("interval:N", sort=domain)
    base = alt.Chart(told).encode(y=rows, yOffset=apart, color=colour_code("interval", domain, colours))
    title = "Share of readings that the interval held"
    bars = base.mark_rule(strokeWidth=3, opacity=0.8).encode(
        x=alt.X("low:Q", title=title, axis=share_axis(ticks=6), scale=_WHOLE), x2="high:Q"
    )
    points = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("held:Q", title=title, scale=_WHOLE),
        shape=shape_code("interval", domain, shapes),
        tooltip=_tips("quantity", "of", extra=[alt.Tooltip("promised_said:N", title="promised")]),
    )
    rules = (
        alt.Chart(pd.DataFrame({"promised": list(_INTERVALS)}))
        .mark_rule(color=look.ink, strokeDash=[4, 4])
        .encode(x="promised:Q")
    )
    nine = told[told["promised"] == 0.9]
    said = "; ".join(
        f"{r['quantity']} {percent(r['held'])} of {r['n']} ({r['verdict']})" for r in nine.to_dict("records")
    )
    text = f"How often 90 % intervals held: {said}. Dashed lines: 50, 80 and 90 % as promised."
    return overlay(rules, bars, points, height=46 * len(names) + 50, text=text)


def groups_held(groups: pd.DataFrame, look: Look = LIGHT) -> alt.LayerChart:
    """Draw how often 90 % intervals of the readings held in each group, largest groups first.

    Parameters
    ----------
    groups : `Record.groups`
    """
    told = groups.sort_values("n", ascending=False, kind="stable").head(MOST_GROUPS)
    told = _said(told).assign(label=[f"{g}  (n {n})" for g, n in zip(told["group"], told["n"], strict=True)])
    labels = told["label"].tolist()
    rows = alt.Y(
        "label:N", sort=labels, title=None, axis=alt.Axis(labelLimit=280, labelOverlap=False, ticks=False)
    )
    title = "Share of readings that the 90 % interval held"
    base = alt.Chart(told).encode(y=rows)
    bars = base.mark_rule(strokeWidth=3, color=BLUE).encode(
        x=alt.X("low:Q", title=title, axis=share_axis(ticks=6), scale=_WHOLE), x2="high:Q"
    )
    points = base.mark_point(shape="diamond", filled=True, size=110, color=VERMILION, opacity=1).encode(
        x=alt.X("held:Q", title=title, scale=_WHOLE), tooltip=_tips("group", "group")
    )
    rule = (
        alt.Chart(pd.DataFrame({"promised": [0.9]}))
        .mark_rule(color=look.ink, strokeDash=[4, 4])
        .encode(x="promised:Q")
    )
    said = "; ".join(
        f"{r['group']} {percent(r['held'])} of {r['n']} ({r['verdict']})"
        for r in told.head(6).to_dict("records")
    )
    text = f"How often 90 % intervals of sag, rake and tracking angle held, by group: {said}."
    return overlay(rule, bars, points, height=36 * len(told) + 60, text=text)


def chances_came(chances: Chances, what: str, look: Look = LIGHT) -> alt.LayerChart:
    """Draw how often something came where so much of a chance was told; honest chances lie on the line.

    Parameters
    ----------
    chances : calibration of one kind of chance
    what : what the chance was of
    """
    told = with_shares_said(chances.table, "chance", "rate", "low", "high")
    axis = share_axis(ticks=6)
    line = (
        alt.Chart(pd.DataFrame({"chance": [0.0, 1.0], "rate": [0.0, 1.0]}))
        .mark_line(color=look.ink, strokeDash=[4, 4], strokeWidth=1)
        .encode(x="chance:Q", y="rate:Q")
    )
    base = alt.Chart(told).encode(x=alt.X("chance:Q", title="Chance told", axis=axis, scale=_WHOLE))
    bars = base.mark_rule(strokeWidth=3, color=BLUE).encode(
        y=alt.Y("low:Q", title="How often it came", axis=axis, scale=_WHOLE), y2="high:Q"
    )
    points = base.mark_point(shape="diamond", filled=True, size=110, color=VERMILION, opacity=1).encode(
        y=alt.Y("rate:Q", title="How often it came", scale=_WHOLE),
        tooltip=[
            alt.Tooltip("chance_said:N", title="told"),
            alt.Tooltip("rate_said:N", title="came"),
            alt.Tooltip("n:Q", title="quotes"),
            alt.Tooltip("low_said:N", title="95 % from"),
            alt.Tooltip("high_said:N", title="to"),
        ],
    )
    said = "; ".join(
        f"told {percent(r['chance'])}, came {percent(r['rate'])} of {r['n']}" for r in told.to_dict("records")
    )
    text = f"Chance of {what}, told against come: {said}. Dashed: as often as told."
    return overlay(line, bars, points, height=300, text=text)


def where_readings_fell(pit: PitHistogram, what: str, look: Look = LIGHT) -> alt.LayerChart:
    """Draw in which tenth of its forecast each reading fell, with the band of honest forecasts.

    Parameters
    ----------
    pit : PIT histogram of one quantity
    what : the quantity, in words
    """
    bins = len(pit.counts)
    told = pd.DataFrame(
        {
            "from": [i / bins for i in range(bins)],
            "to": [(i + 1) / bins for i in range(bins)],
            "count": pit.counts,
            "low": pit.low,
            "high": pit.high,
        }
    )
    x = alt.X(
        "from:Q", title=f"Where the {what} fell in its forecast", axis=share_axis(ticks=6), scale=_WHOLE
    )
    top = alt.Y("count:Q", title="Quotes", scale=alt.Scale(zero=True), stack=None)
    bars = (
        alt.Chart(told)
        .mark_bar(color=BLUE, stroke=look.ground, strokeWidth=2)
        .encode(
            x=x,
            x2="to:Q",
            y=top,
            y2=alt.Y2Datum(0),
            tooltip=[
                alt.Tooltip("count:Q", title="quotes"),
                alt.Tooltip("low:Q", title="honest: from", format=".0f"),
                alt.Tooltip("high:Q", title="to", format=".0f"),
            ],
        )
    )
    edges = [
        alt.Chart(told)
        .mark_rule(color=VERMILION, strokeDash=[4, 3], strokeWidth=2)
        .encode(x=x, x2="to:Q", y=alt.Y(f"{end}:Q", title="Quotes"))
        for end in ("low", "high")
    ]
    counts = ", ".join(str(c) for c in pit.counts)
    text = (
        f"Readings of the {what} in each tenth of the forecast, lowest first: {counts}. Honest forecasts "
        f"would stay between {pit.low.min():.0f} and {pit.high.max():.0f}; the shape is {pit.shape}."
    )
    return overlay(bars, *edges, height=240, text=text)


def held_figures(found: Record) -> pd.DataFrame:
    """The table under the pictures: how often each interval held."""
    rows = found.coverage
    return pd.DataFrame(
        {
            "of": rows["quantity"],
            "promised": rows["promised"].map(percent),
            "quotes": rows["n"],
            "held": rows["held"].map(percent),
            "95 % interval": percent_spans(rows["low"], rows["high"]),
            "stands": rows["verdict"],
        }
    )


def answered_quotes(found: ForecastPairs) -> pd.DataFrame:
    """Every quote beside the sheet that answered it, the most missed first.

    Returns
    -------
    DataFrame
        `sheet_no`, and what people read: enquiry, sheet, day, each reading and the interval that nine in ten
        were promised to lie in, what was missed.
    """
    ends = [LEVELS.index(level) for level in (0.05, 0.95)]
    told = pd.DataFrame(
        {
            "sheet_no": found.about["sheet_no"].astype(str),
            "enquiry": found.about["enquiry_id"].fillna(NOT_KNOWN),
            "sheet": found.about["sheet_no"],
            "measured": pd.to_datetime(found.about["measured_on"]).dt.date,
        }
    )
    missed = pd.DataFrame(index=told.index)
    for name in READINGS:
        own, read = quantity(name), found.read[name]
        low, high = (found.quantiles[name][:, end] for end in ends)
        told[f"{own.short} foretold"] = [own.span(a, b) for a, b in zip(low, high, strict=True)]
        told[own.head] = read
        missed[own.short] = (read < low) | (read > high)
    told["missed"] = [", ".join(str(n) for n in row if row[n]) for row in missed.to_dict("records")]
    order = np.argsort(-missed.sum(axis=1).to_numpy(), kind="stable")
    return told.iloc[order].reset_index(drop=True)


def score_figures(found: Record) -> pd.DataFrame:
    """Scores of the house model and its rivals, ready to be read."""
    rows = found.scores
    return pd.DataFrame(
        {
            "of": rows["quantity"],
            "forecast": rows["forecaster"],
            "score": rows["score"].map("{:.3f}".format),
            "times the house model's": rows["ratio"].map("{:.2f}".format),
            "house model less it": [
                "" if d != d else f"{d:+.3f} ± {2.0 * e:.3f}"
                for d, e in zip(rows["difference"], rows["standard_error"], strict=True)
            ],
            "better": rows["better"],
        }
    )


def _said(table: pd.DataFrame, *more: str) -> pd.DataFrame:
    return with_shares_said(table, "held", "low", "high", *more)


def _tips(field: str, title: str, *, extra: list[alt.Tooltip] | None = None) -> list[alt.Tooltip]:
    return [
        alt.Tooltip(f"{field}:N", title=title),
        *(extra or []),
        alt.Tooltip("n:Q", title="quotes"),
        alt.Tooltip("held_said:N", title="held"),
        alt.Tooltip("low_said:N", title="95 % from"),
        alt.Tooltip("high_said:N", title="to"),
        alt.Tooltip("verdict:N", title="verdict"),
    ]

"""Pictures of the bench watch: checks with their limits, CUSUM, reading noise, operators."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import pandas as pd

from fleet.bench_trust.watch_words import day
from fleet.charts.style import BLUE, GREEN, LIGHT, ORANGE, VERMILION, Look, colour_code, overlay, shape_code
from fleet.numerals import NOT_KNOWN, figure, number, percent, span, with_sign
from fleet.numerals import day as iso_day
from fleet.words import quantity

if TYPE_CHECKING:
    from fleet.bench_trust.noise import Noise
    from fleet.bench_trust.watched_reading import ReadingWatch

MOST_CHECKS: Final = 400
_SINGLE, _AVERAGE, _SIGNAL = "one check", "moving average (EWMA)", "signal"
_UP, _DOWN = "above the level", "below it"


def check_chart(r: ReadingWatch, look: Look = LIGHT) -> alt.LayerChart:
    """Draw a reading's checks as distances from their level, with the moving average and both limits.

    The baseline stands on a tinted ground; a change that was found has its likely days tinted the other way.
    """
    series = r.series.dropna(subset=["ewma"]).tail(MOST_CHECKS)
    word, unit = quantity(r.reading).short, quantity(r.reading).unit
    points = series.assign(what=series["signal"].map(lambda s: _SIGNAL if s else _SINGLE))
    base = alt.Chart(points)
    y = alt.Y("off:Q", title=f"Off its level [{unit}], {word}")
    x = alt.X("measured_on:T", title=None)
    dots = base.mark_point(filled=True, opacity=0.9).encode(
        x=x,
        y=y,
        color=colour_code("what", [_SINGLE, _AVERAGE, _SIGNAL], [look.faint, BLUE, VERMILION]),
        shape=shape_code("what", [_SINGLE, _AVERAGE, _SIGNAL], ["circle", "square", "diamond"]),
        size=alt.condition(f"datum.what == '{_SIGNAL}'", alt.value(95), alt.value(30)),
        tooltip=[
            alt.Tooltip("measured_on:T", title="measured on"),
            alt.Tooltip("sheet_no:N", title="sheet"),
            alt.Tooltip("value:Q", title="read", format=".2f"),
            alt.Tooltip("off:Q", title="off its level", format="+.2f"),
            alt.Tooltip("ewma:Q", title="moving average", format="+.3f"),
            alt.Tooltip("temperature_c:Q", title="°C", format=".1f"),
            alt.Tooltip("signal:N", title="signals"),
        ],
    )
    line = base.mark_line(color=BLUE, strokeWidth=2).encode(x=x, y=alt.Y("ewma:Q"), detail="stretch:N")
    limits = _limits(points, ("single_limit", "ewma_limit"), (look.faint, BLUE))
    layers = [
        *_grounds(r, points, look),
        *limits,
        line.transform_calculate(stretch="datum.part + datum.check_pickup"),
        dots,
    ]
    return overlay(*layers, height=320, text=_told(r, points, word, unit))


def cusum_picture(r: ReadingWatch, look: Look = LIGHT) -> alt.LayerChart:
    """Draw both sums of a reading's CUSUM, the one of low readings downwards, with the decision limits."""
    series = r.series.dropna(subset=["cusum_high"]).tail(MOST_CHECKS)
    up = series.assign(sum=series["cusum_high"], what=_UP)
    down = series.assign(sum=-series["cusum_low"], what=_DOWN)
    both = pd.concat([up, down], ignore_index=True)
    both["stretch"] = both["what"] + both["part"] + both["check_pickup"].astype(str)
    unit = quantity(r.reading).unit
    lines = (
        alt.Chart(both)
        .mark_line(strokeWidth=2)
        .encode(
            x=alt.X("measured_on:T", title=None),
            y=alt.Y("sum:Q", title=f"Cumulated sum [{unit}]"),
            color=colour_code("what", [_UP, _DOWN], [ORANGE, GREEN]),
            detail="stretch:N",
            tooltip=[alt.Tooltip("measured_on:T"), alt.Tooltip("sum:Q", format="+.2f")],
        )
    )
    limit = float(series["cusum_limit"].iloc[-1])
    high, low = float(series["cusum_high"].iloc[-1]), float(series["cusum_low"].iloc[-1])
    text = (
        f"CUSUM of the {quantity(r.reading).short} reading, {len(series)} checks: at the last one the sum "
        f"of high readings is {high:.2f}, of low ones {low:.2f}; limit {figure(limit, unit)}."
    )
    return overlay(*_limits(series, ("cusum_limit",), (look.ink,)), lines, height=220, text=text)


def _limits(points: pd.DataFrame, names: tuple[str, ...], colours: tuple[str, ...]) -> list[alt.Chart]:
    return [
        alt.Chart(points)
        .transform_calculate(edge=f"{sign}datum.{name}")
        .mark_line(color=colour, strokeDash=[5, 4], strokeWidth=1.5, interpolate="step-after")
        .encode(x="measured_on:T", y="edge:Q")
        for name, colour in zip(names, colours, strict=True)
        for sign in ("", "-")
    ]


def _grounds(r: ReadingWatch, points: pd.DataFrame, look: Look) -> list[alt.Chart]:
    """Tinted spans: the baseline, and the days on which a found change may have begun."""
    spans = [(r.baseline_from, r.baseline_to, "baseline", look.faint)]
    if r.alarm and r.change is not None:
        spans.append((r.change.since_low, r.change.since_high, "change began (95 %)", VERMILION))
    first = points["measured_on"].min()
    out = []
    for low, high, said, colour in spans:
        if high <= first:
            continue
        frame = pd.DataFrame({"low": [max(low, first)], "high": [high], "said": [said]})
        out.append(
            alt.Chart(frame)
            .mark_rect(opacity=0.13, color=colour)
            .encode(x="low:T", x2="high:T", tooltip=alt.Tooltip("said:N", title="span"))
        )
    return out


def _told(r: ReadingWatch, points: pd.DataFrame, word: str, unit: str) -> str:
    last = points.iloc[-1]
    signals = points[points["signal"] != ""]
    seen = (
        f"{len(signals)} signals, the newest on {day(signals['measured_on'].max())}"
        if len(signals)
        else "no signal"
    )
    return (
        f"Checks of the {word} reading, {len(points)} from {day(points['measured_on'].min())} to "
        f"{day(last['measured_on'])}, as distances from their level: {seen}; moving average now "
        f"{with_sign(float(last['ewma']), unit)}, its limit {figure(last['ewma_limit'], unit)}. {r.sentence}"
    )


def noise_chart(found: Noise, look: Look = LIGHT) -> alt.LayerChart:
    """Draw the standard deviation of one reading of each angle, with its 95 % interval."""
    rows = found.table[(found.table["bench"] == "") & (found.table["operator"] == "")]
    rows = rows[(rows["unit"] == "°") & rows["sd_low"].notna()].assign(
        name=lambda d: [quantity(r).short for r in d["reading"]]
    )
    said = "; ".join(
        f"{r['name']} {r['sd']:.2f}° ({r['sd_low']:.2f} to {r['sd_high']:.2f})"
        for r in rows.to_dict("records")
    )
    return _intervals(
        rows, "name", ("sd_low", "sd", "sd_high"), "Standard deviation of one reading [°]", look,
        text=f"Scatter of one reading by angle: {said}.", zero=False,
    )  # fmt: skip


def operator_chart(found: Noise, bench: str, reading: str, look: Look = LIGHT) -> alt.LayerChart | None:
    """Draw how far each operator reads off the operators' mean; None where nobody can be compared."""
    o = found.operators
    rows = o[(o["reading"] == reading) & (o["bench"] == bench)]
    if rows.empty:
        return None
    unit = quantity(reading).unit
    ends = [
        f"{with_sign(a, '')} to {with_sign(b, '')}"
        for a, b in zip(rows["offset_low"], rows["offset_high"], strict=True)
    ]
    each = zip(rows["operator"], rows["offset"], ends, strict=True)
    said = "; ".join(f"{who} {with_sign(off, unit)} ({span})" for who, off, span in each)
    return _intervals(
        rows, "operator", ("offset_low", "offset", "offset_high"),
        f"Off the operators' mean [{unit}], {quantity(reading).short}", look,
        text=f"Operators' {quantity(reading).short} readings against their mean: {said}.", zero=True,
    )  # fmt: skip


def _intervals(
    rows: pd.DataFrame,
    name: str,
    ends: tuple[str, str, str],
    title: str,
    look: Look,
    *,
    text: str,
    zero: bool,
) -> alt.LayerChart:
    low, middle, high = ends
    y = alt.Y(f"{name}:N", sort=rows[name].tolist(), title=None, axis=alt.Axis(labelLimit=240, ticks=False))
    base = alt.Chart(rows)
    tips = [alt.Tooltip(f"{name}:N", title=" ")] + [alt.Tooltip(f"{e}:Q", format=".3f") for e in ends]
    bars = base.mark_rule(strokeWidth=3, color=BLUE).encode(
        x=alt.X(f"{low}:Q", title=title), x2=f"{high}:Q", y=y
    )
    points = base.mark_point(shape="diamond", filled=True, size=110, color=VERMILION, opacity=1).encode(
        x=alt.X(f"{middle}:Q", title=title), y=y, tooltip=tips
    )
    layers = [bars, points]
    if zero:
        line = (
            alt.Chart(pd.DataFrame({"x": [0.0]})).mark_rule(color=look.ink, strokeDash=[4, 4]).encode(x="x:Q")
        )
        layers = [line, *layers]
    return overlay(*layers, height=max(34 * len(rows) + 60, 150), text=text)


def states(readings: tuple[ReadingWatch, ...]) -> pd.DataFrame:
    """The table under the pictures: how every reading of a bench stands."""
    rows = []
    for r in readings:
        unit = quantity(r.reading).unit
        watched = r.watched
        signals = watched[watched["signal"] != ""]
        rows.append(
            {
                "reading": quantity(r.reading).short,
                "stands": "off" if r.alarm else "read again" if r.slip else "no change seen",
                "moving average": NOT_KNOWN
                if watched.empty
                else with_sign(float(watched["ewma"].iloc[-1]), unit, 3),
                "limit": NOT_KNOWN if watched.empty else figure(watched["ewma_limit"].iloc[-1], unit, 3),
                "spread of a check": figure(r.fit.sd, unit, 3),
                "checks since baseline": len(watched),
                "signals": len(signals),
                "newest signal": iso_day(signals["measured_on"].max()),
            }
        )
    return pd.DataFrame(rows)


def noise_figures(found: Noise) -> pd.DataFrame:
    """Reading noise by quantity, bench and operator, ready to be read."""
    t = found.table
    return pd.DataFrame(
        {
            "reading": [quantity(r).short for r in t["reading"]],
            "bench": t["bench"].where(t["bench"] != "", "all"),
            "operator": t["operator"].where(t["operator"] != "", "all"),
            "readings": t["readings"],
            "standard deviation": [figure(sd, u, 3) for sd, u in zip(t["sd"], t["unit"], strict=True)],
            "95 % interval": [span(a, b, digits=3) for a, b in zip(t["sd_low"], t["sd_high"], strict=True)],
            "slips left out": t["slips"],
        }
    )


def budget_figures(rows: pd.DataFrame) -> pd.DataFrame:
    """Every quantity's uncertainty, ready to be read."""
    return pd.DataFrame(
        {
            "quantity": rows["name"],
            "± (95 %)": [figure(x, u) for x, u in zip(rows["expanded"], rows["unit"], strict=True)],
            "standard uncertainty": [figure(x, u, 3) for x, u in zip(rows["u"], rows["unit"], strict=True)],
            "k": [number(k) for k in rows["k"]],
            "the most from": [
                f"{m} ({percent(s)})" for m, s in zip(rows["most"], rows["share"], strict=True)
            ],
        }
    )

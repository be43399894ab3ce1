"""Pictures of readings by group: every group with its count, its raw median and the model's estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts import normal
from fleet.charts.enquiry import policy_bands
from fleet.charts.style import (
    BLUE,
    GREEN,
    LIGHT,
    MOST_MARKS,
    VERMILION,
    Look,
    colour_code,
    overlay,
    shape_code,
)
from fleet.numerals import NOT_KNOWN, figure
from fleet.words import plain_word

if TYPE_CHECKING:
    from fleet.attainment.distributions import Distribution
    from fleet.policy.policy import Policy

MOST_GROUPS: Final = 18
ROW_PX: Final = 44
RAW, MODEL = "raw median", "house model"
_STYLE: Final = {RAW: (VERMILION, "diamond"), MODEL: (BLUE, "square")}


def readings_by_group(
    found: Distribution,
    look: Look = LIGHT,
    *,
    flagged: pd.DataFrame | None = None,
    policy: Policy | None = None,
) -> alt.LayerChart:
    """Draw each group's readings as dots, its raw median and the model's estimate with 95 % intervals.

    The largest groups are drawn and those with a flagged unit (the table has all), at most `MOST_MARKS`
    readings in all.

    Parameters
    ----------
    found : what was read.
    look : ink.
    flagged : flagged units: `group`, `value` and words (`fleet.charts.normal.in_words`), each of them marked.
    policy : its targets for the quantity are drawn behind.
    """
    shown = shown_groups(found, flagged)
    shown["label"] = _labels(shown)
    dots = thin_readings(found.readings, shown, MOST_MARKS // len(shown))
    estimates = _estimates(shown)
    title = found.quantity.named.title
    scale = alt.Scale(domain=frame(found), zero=False, nice=True)
    rows = alt.Y(
        "label:N",
        sort=shown["label"].tolist(),
        title=None,
        axis=alt.Axis(labelLimit=240, domain=False, ticks=False, grid=True),
    )
    points = (
        alt.Chart(dots)
        .mark_circle(size=14, color=look.faint, opacity=0.55, clip=True)
        .encode(
            x=alt.X("value:Q", title=title, scale=scale),
            y=rows,
            yOffset=alt.YOffset("jitter:Q", scale=alt.Scale(domain=[0, 1])),
            tooltip=[
                alt.Tooltip("value:Q", title=title, format=".2f"),
                alt.Tooltip("group:N", title="group"),
            ],
        )
    )
    said = list_rows(shown, "label", "median", found.quantity.unit)
    text = f"{found.quantity.words} by group, raw medians: {said}."
    marks = _estimate_layers(estimates, rows, scale, title)
    bands = _target_layers(found, policy, scale, title)
    if flagged is not None:
        marks = [*_flag_layers(mark_flagged(found, flagged), rows, scale, title), *marks]
    chart = overlay(*bands, points, *marks, height=ROW_PX * len(shown) + 120, text=text)
    chart.resolve = alt.Resolve(scale=alt.ScaleResolveMap(color="independent", shape="independent"))
    return chart


def list_rows(
    table: pd.DataFrame, name: str, value: str, unit: str, *, most: int = 6, digits: int = 2
) -> str:
    """List a chart's first rows as text: name and figure, and how many more there are."""
    rows = table.head(most)
    said = "; ".join(f"{row[name]} {figure(row[value], unit, digits)}" for _, row in rows.iterrows())
    more = len(table) - len(rows)
    return said + (f"; and {more} more" if more > 0 else "")


def frame(found: Distribution) -> list[float]:
    """Axis that holds the bulk of the readings and every estimate; a slip far outside is left out of it."""
    low, high = np.quantile(found.readings["value"], [0.01, 0.99])
    room = 0.25 * max(float(high - low), 0.2)
    shown = found.table.head(MOST_GROUPS)
    names = ("median", "median_low", "median_high", "model", "model_low", "model_high")
    told = np.concatenate([shown[name].dropna() for name in names])
    return [float(min(low - room, told.min())), float(max(high + room, told.max()))]


def thin_readings(readings: pd.DataFrame, shown: pd.DataFrame, most: int) -> pd.DataFrame:
    """Readings of the groups shown, at most `most` of each, spread evenly over the sorted readings."""
    parts = []
    for group, label in zip(shown["group"], shown["label"], strict=True):
        values = np.sort(readings.loc[readings["group"] == group, "value"].to_numpy())
        if len(values) > most:
            values = values[np.linspace(0, len(values) - 1, most).round().astype(int)]
        golden = (
            np.arange(len(values)) * 0.6180339887
        ) % 1.0  # spreads neighbours apart, the same every time
        parts.append(
            pd.DataFrame({"group": group, "label": label, "value": values, "jitter": 0.1 + 0.8 * golden})
        )
    return pd.concat(parts, ignore_index=True)


def mark_flagged(found: Distribution, flagged: pd.DataFrame) -> pd.DataFrame:
    """Marks of flagged units, none left out: `at` inside the frame, `pinned` where that is its edge."""
    low, high = frame(found)
    shown = shown_groups(found, flagged)
    labels = dict(zip(shown["group"], _labels(shown), strict=True))
    marks = flagged[flagged["group"].isin(list(labels)) & flagged["value"].notna()].reset_index(drop=True)
    return marks.assign(
        label=marks["group"].map(labels),
        at=marks["value"].clip(low, high),
        pinned=~marks["value"].between(low, high),
        place=normal.spread_apart(marks["unit"]),
        reads=[found.quantity.named.figure(v) for v in marks["value"]],
    )


def shown_groups(found: Distribution, flagged: pd.DataFrame | None) -> pd.DataFrame:
    """Rows of the largest groups, and of every group in which a unit is flagged."""
    table = found.table
    drawn = np.arange(len(table)) < MOST_GROUPS
    if flagged is not None:
        drawn |= table["group"].isin(flagged.loc[flagged["value"].notna(), "group"]).to_numpy()
    return table[drawn].reset_index(drop=True)


def _labels(shown: pd.DataFrame) -> pd.Series:
    return shown["group"].map(plain_word) + "  (n " + shown["n"].astype(str) + ")"


def _target_layers(
    found: Distribution, policy: Policy | None, scale: alt.Scale, title: str
) -> list[alt.Chart]:
    told = found.quantity.key in {"sra_dynamic_deg", "vta_dynamic_deg"}
    bands = policy_bands(found.quantity.key, policy) if told else []
    if not bands:
        return []
    low, high = frame(found)
    rows = pd.DataFrame([b._asdict() for b in bands])
    rows[["low", "high"]] = rows[["low", "high"]].clip(low, high)
    return [
        alt.Chart(rows)
        .mark_rect(color=GREEN, opacity=0.14)
        .encode(
            x=alt.X("low:Q", scale=scale, title=title),
            x2="high:Q",
            tooltip=[alt.Tooltip("words:N", title="target policy")],
        )
    ]


def _flag_layers(marks: pd.DataFrame, rows: alt.Y, scale: alt.Scale, title: str) -> list[alt.Chart]:
    if marks.empty:
        return []
    colour, shape = normal.codes(marks["fault"].tolist())
    tips = [
        alt.Tooltip("sheet_no:N", title="sheet"),
        alt.Tooltip("about:N", title="unit"),
        alt.Tooltip("reads:N", title="reads"),
        alt.Tooltip("sure:N", title="chances"),
    ]
    named = ["group", "label", "at", "place", "pinned", "cause", "sheet_no", "about", "reads", "sure"]
    return [
        alt.Chart(marks[named])
        .mark_point(filled=True, size=normal.MARK_SIZE)
        .encode(
            x=alt.X("at:Q", scale=scale, title=title),
            y=rows,
            yOffset=alt.YOffset("place:Q", scale=alt.Scale(domain=[0, 1])),
            color=colour,
            shape=shape,
            opacity=normal.PALE_AT_THE_EDGE,
            tooltip=tips,
        )
    ]


def figures(found: Distribution) -> pd.DataFrame:
    """The table under the picture, ready to be read: words for columns, text for intervals."""
    named, table = found.quantity.named, found.table

    def spans(low: str, high: str, nothing: str) -> list[str]:
        rows = zip(table[low], table[high], strict=True)
        return [nothing if np.isnan(a) else named.span(a, b) for a, b in rows]

    few = "too few"
    columns = {
        "group": table["group"].map(plain_word),
        "units": table["n"],
        "raw median": [named.figure(v) for v in table["median"]],
        "95 % of that median": spans("median_low", "median_high", few),
        "half of the readings": spans("q25", "q75", few),
        "nine in ten readings": spans("low", "high", few),
    }
    if table["model"].notna().any():
        columns["house model"] = [named.figure(v) for v in table["model"]]
        columns["95 % of the model"] = spans("model_low", "model_high", NOT_KNOWN)
    return pd.DataFrame(columns)


def reading_guide(found: Distribution, flagged: pd.DataFrame | None = None) -> str:
    """How to read the picture, in a few sentences."""
    rows, groups, n = shown_groups(found, flagged), len(found.table), int(found.table["n"].sum())
    shown = len(rows)
    more = " and those with a flagged unit" if shown > MOST_GROUPS else ""
    drawn = f"the {MOST_GROUPS} largest of {groups} groups{more}" if groups > shown else "all groups"
    drawn_n = int(rows["n"].clip(upper=MOST_MARKS // shown).sum())
    dots = f"{drawn_n} of {n} readings, spread evenly" if drawn_n < n else f"all {n} readings"
    low, high = frame(found)
    outside = int((~found.readings["value"].between(low, high)).sum())
    if outside:
        dots += f" ({outside} far outside are not drawn)"
    model = "Square: what the house model expects of the same units, leaning on the rest of the fleet."
    if not found.table["model"].notna().any():
        model = "There is no house model yet, so the raw readings stand alone; run `fleet refit`."
    said = f"Dots: {dots}, {drawn}. Diamond: raw median, with its 95 % interval from 6 units on. {model}"
    if flagged is not None and len(marks := mark_flagged(found, flagged)):
        said += f" Every flagged unit of these groups is marked by its likeliest cause ({len(marks)})"
        pinned = int(marks["pinned"].sum())
        said += f"; {pinned} lie beyond the frame and stand pale at its edge." if pinned else "."
    return said


def _estimates(shown: pd.DataFrame) -> pd.DataFrame:
    parts = []
    for name, start, offset in ((RAW, "median", 0.27), (MODEL, "model", 0.73)):
        part = shown[["group", "label", "n"]].assign(estimate=name, offset=offset)
        part[["middle", "low", "high"]] = shown[[start, f"{start}_low", f"{start}_high"]].to_numpy()
        parts.append(part[part["middle"].notna()])
    return pd.concat(parts, ignore_index=True)


def _estimate_layers(estimates: pd.DataFrame, rows: alt.Y, scale: alt.Scale, title: str) -> list[alt.Chart]:
    names = [n for n in (RAW, MODEL) if n in set(estimates["estimate"])]
    base = alt.Chart(estimates).encode(
        y=rows,
        yOffset=alt.YOffset("offset:Q", scale=alt.Scale(domain=[0, 1])),
        color=colour_code("estimate", names, [_STYLE[n][0] for n in names]),
    )
    bars = (
        base.encode(color=base.encoding.color.legend(None))
        .transform_filter("isValid(datum.low)")
        .mark_rule(strokeWidth=3, clip=True)
        .encode(x=alt.X("low:Q", scale=scale, title=title), x2="high:Q")
    )
    marks = base.mark_point(filled=True, size=85, opacity=1, clip=True).encode(
        x=alt.X("middle:Q", scale=scale, title=title),
        shape=shape_code("estimate", names, [_STYLE[n][1] for n in names]),
        tooltip=[
            alt.Tooltip("group:N", title="group"),
            alt.Tooltip("n:Q", title="units"),
            alt.Tooltip("estimate:N", title="estimate"),
            alt.Tooltip("middle:Q", title="figure", format=".2f"),
            alt.Tooltip("low:Q", title="95 % from", format=".2f"),
            alt.Tooltip("high:Q", title="to", format=".2f"),
        ],
    )
    return [bars, marks]

"""Pictures of attainment: rates with their intervals by group, over time, and what stands in the way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import (
    BLUE,
    COLOURS,
    GREEN,
    LIGHT,
    ORANGE,
    SHAPES,
    VERMILION,
    Look,
    colour_code,
    overlay,
    shape_code,
    share_axis,
    with_shares_said,
)
from fleet.numerals import percent, percent_span, percent_spans
from fleet.words import STATES, TARGETS, plain_word

MOST_GROUPS: Final = 18
MOST_LINES: Final = 4
CAUSES: Final = {
    "one tilt serves both": ("both_reachable", GREEN),
    "built-in angle forbids it": ("conflict_built_in", VERMILION),
    "room or lower limit does": ("conflict_reach", ORANGE),
}
_WHOLE: Final = alt.Scale(domain=[0, 1])


def name_groups(table: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Give an attainment table one column `group` that names its group, for axes and lists."""
    group = pd.Series("all units", index=table.index)
    for i, name in enumerate(by):
        own = table[name].astype(str).map(plain_word)
        group = own if i == 0 else group + " · " + own
    return table.assign(group=group)


def attainment_answer(whole: pd.DataFrame, measure: str) -> str:
    """Say the rate of the whole fleet, its interval, and what stands in the way.

    Parameters
    ----------
    whole : attainment of all units, one row.
    measure : target and state, e.g. `both_reachable`.
    """
    target, state = measure.split("_", 1)
    row = whole.iloc[0] if len(whole) else None
    if row is None or not row[f"{measure}_n"]:
        return f"No unit was read that could tell whether {TARGETS[target]} can be met."
    n, met = int(row[f"{measure}_n"]), int(row[f"{measure}_met"])
    verb = "are" if target == "both" else "is"
    said = (
        f"Of {n} units read, {TARGETS[target]} {verb} {STATES[state]} in {met}: "
        f"{percent(row[f'{measure}_rate'])} (95 % interval {rate_span(row, measure)})."
    )
    if measure == "both_reachable":
        said += (
            f" The built-in angle rules it out in {percent(row['conflict_built_in_rate'])}, the room or "
            f"the lower limit of tilt in {percent(row['conflict_reach_rate'])}."
        )
    return said


def rate_span(row: Mapping[str, Any] | pd.Series, measure: str) -> str:
    """The 95 % interval of one rate of a row, in words."""
    return percent_span(row[f"{measure}_low"], row[f"{measure}_high"])


def rates_by_group(table: pd.DataFrame, measure: str, title: str, look: Look = LIGHT) -> alt.LayerChart:
    """Draw one rate by group with its 95 % interval, best first, and the rate of all as a line.

    Parameters
    ----------
    table
        Attainment table with `group` (see `name_groups`), without periods.
    measure
        Which rate, e.g. `both_reachable`.
    title
        What the axis says.
    """
    told = _told(table, measure).sort_values("n", ascending=False).head(MOST_GROUPS)
    told = told.sort_values(["rate", "group"], ascending=[False, True])
    told["label"] = told["group"] + "  (" + told["met"].astype(str) + " of " + told["n"].astype(str) + ")"
    whole = float(told["met"].sum() / told["n"].sum())
    rows = _rows(told["label"].tolist())
    base = alt.Chart(told)
    bars = base.mark_rule(strokeWidth=3, color=BLUE).encode(
        x=alt.X("low:Q", title=title, axis=share_axis(), scale=_WHOLE), x2="high:Q", y=rows
    )
    points = base.mark_point(shape="diamond", filled=True, size=110, color=VERMILION, opacity=1).encode(
        x=alt.X("rate:Q", title=title, scale=_WHOLE), y=rows, tooltip=_tips("group", "group")
    )
    line = (
        alt.Chart(with_shares_said(pd.DataFrame({"rate": [whole], "said": ["all groups shown"]}), "rate"))
        .mark_rule(color=look.ink, strokeDash=[4, 4])
        .encode(x="rate:Q", tooltip=["said:N", alt.Tooltip("rate_said:N", title="rate")])
    )
    said = "; ".join(f"{r['label']} {percent(r['rate'])}" for r in told.head(6).to_dict("records"))
    text = f"{title} by group, best first: {said}. All groups shown together: {percent(whole)}."
    return overlay(line, bars, points, height=max(32 * len(told) + 70, 140), text=text)


def rates_over_time(table: pd.DataFrame, measure: str, title: str) -> alt.LayerChart:
    """Draw one rate over the periods, with 95 % intervals, for the largest groups.

    Parameters
    ----------
    table
        Attainment table with `group` and `period`.
    """
    told = _told(table, measure)
    told = told[told["period"].str[:1].str.isdigit()]
    size = told.groupby("group")["n"].sum().sort_values(ascending=False, kind="stable")
    groups = size.index[:MOST_LINES].tolist()
    told = told[told["group"].isin(groups)]
    periods = sorted(told["period"].unique())
    every = max(1, -(-len(periods) // 14))
    axis = alt.Axis(values=periods[::every], labelAngle=0 if len(periods) <= 8 else -45)
    base = alt.Chart(told).encode(
        x=alt.X("period:O", title="Measured in", sort=periods, axis=axis),
        xOffset=alt.XOffset("group:N", sort=groups),
        color=colour_code("group", groups, list(COLOURS[: len(groups)])),
    )
    lines = base.mark_line(strokeWidth=1, opacity=0.6).encode(y="rate:Q")
    bars = base.mark_rule(strokeWidth=2, opacity=0.8).encode(
        y=alt.Y("low:Q", title=None, axis=share_axis(), scale=_WHOLE), y2="high:Q"
    )
    points = base.mark_point(filled=True, size=75, opacity=1).encode(
        y=alt.Y("rate:Q", title=None, scale=_WHOLE),
        shape=shape_code("group", groups, list(SHAPES[: len(groups)])),
        tooltip=[alt.Tooltip("period:O", title="measured in"), *_tips("group", "group")],
    )
    said = []
    for group in groups:
        own = told[told["group"] == group].sort_values("period").iloc[[0, -1]].to_dict("records")
        ends = [f"{percent(r['rate'])} of {r['n']} in {r['period']}" for r in own]
        said.append(f"{group} from {ends[0]} to {ends[1]}")
    more = len(size) - len(groups)
    rest = f"; {more} smaller groups are in the table as CSV" if more > 0 else ""
    return overlay(lines, bars, points, height=360, text=f"{title} over time: {'; '.join(said)}{rest}.")


def conflict_causes(table: pd.DataFrame, look: Look = LIGHT) -> alt.LayerChart:
    """Draw, for each group, how often one tilt serves both, the built-in angle forbids it, or the room does.

    Parameters
    ----------
    table
        Attainment table with `group`, without periods.
    """
    long = cause_shares(table)
    labels = long["label"].unique().tolist()
    rows = _rows(labels)
    bars = (
        alt.Chart(long)
        .mark_bar(stroke=look.ground, strokeWidth=2, height={"band": 0.7})
        .encode(
            x=alt.X("from:Q", title="Share of units", axis=share_axis(), scale=_WHOLE),
            x2="to:Q",
            y=rows,
            color=colour_code("what", list(CAUSES), [colour for _, colour in CAUSES.values()]),
            tooltip=[
                alt.Tooltip("label:N", title="group"),
                alt.Tooltip("what:N", title="what"),
                alt.Tooltip("said:N", title="share"),
            ],
        )
    )
    figures = (
        alt.Chart(long[long["share"] >= 0.09])
        .mark_text(color="#000000", fontWeight="bold")
        .encode(x=alt.X("middle:Q", title="Share of units"), y=rows, text="said:N")
    )
    said = [f"{name} {' / '.join(part['said'])}" for name, part in long.groupby("label", sort=False)][:6]
    text = f"Share of units by group ({', '.join(CAUSES)}): {'; '.join(said)}."
    return overlay(bars, figures, height=max(34 * len(labels) + 110, 180), text=text)


def cause_shares(table: pd.DataFrame) -> pd.DataFrame:
    """Shares of `CAUSES` of each group, laid within 1: `label`, `what`, `share`, `from`, `to`, `said`."""
    told = _told(table, "both_reachable").sort_values("n", ascending=False, kind="stable").head(MOST_GROUPS)
    labels = told["group"] + "  (n " + told["n"].astype(str) + ")"
    columns = ["rate" if c == "both_reachable" else f"{c}_rate" for c, _ in CAUSES.values()]
    shares = told[columns].fillna(0.0).to_numpy(dtype=float)
    whole = np.maximum(shares.sum(axis=1), 1.0)  # blurred counts may come to more than all
    start = np.zeros(len(told))
    parts = []
    for name, share in zip(CAUSES, shares.T, strict=True):
        ends = {"group": told["group"], "label": labels, "what": name, "share": share}
        ends |= {"from": start, "to": start + share / whole}
        parts.append(pd.DataFrame(ends))
        start = start + share / whole
    long = pd.concat(parts, ignore_index=True)
    return long.assign(middle=(long["from"] + long["to"]) / 2, said=long["share"].map(percent))


def figures(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """The table under the pictures, ready to be read, largest groups first."""
    rows = table.sort_values(["units", "group"], ascending=[False, True])

    return pd.DataFrame(
        {
            "group": rows["group"],
            "units": rows["units"],
            "read": rows[f"{measure}_n"],
            "met": rows[f"{measure}_met"],
            "rate": rows[f"{measure}_rate"].map(percent),
            "95 % interval": percent_spans(rows[f"{measure}_low"], rows[f"{measure}_high"]),
            "built-in angle rules both out": rows["conflict_built_in_rate"].map(percent),
            "room or lower limit does": rows["conflict_reach_rate"].map(percent),
        }
    )


def _rows(labels: list[str]) -> alt.Y:
    return alt.Y(
        "label:N", sort=labels, title=None, axis=alt.Axis(labelLimit=260, ticks=False, labelOverlap=False)
    )


def _tips(field: str, title: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip(f"{field}:N", title=title),
        alt.Tooltip("met:Q", title="units that meet it"),
        alt.Tooltip("n:Q", title="units read"),
        alt.Tooltip("rate_said:N", title="rate"),
        alt.Tooltip("low_said:N", title="95 % from"),
        alt.Tooltip("high_said:N", title="to"),
    ]


def _told(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Groups in which anything was read, with short names for the measure's figures."""
    own = {f"{measure}_{end}": end for end in ("n", "met", "rate", "low", "high")}
    told = table[table[f"{measure}_n"].fillna(0) > 0].rename(columns=own)
    return with_shares_said(told.astype({"n": int, "met": int}), "rate", "low", "high")

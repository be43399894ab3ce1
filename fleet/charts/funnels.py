"""Pictures of attainment set against chance and against another policy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import (
    BLUE,
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
from fleet.numerals import NOT_KNOWN, percent
from fleet.statistics.proportions import funnel_limits

if TYPE_CHECKING:
    from fleet.statistics.proportions import Funnel

OUTSIDE: Final = {"": "as chance allows", "95": "beyond 95 %", "99.8": "beyond 99.8 %"}

ALONE: Final = "nothing to compare with"
"""Of a group whose kinds nobody else makes."""


def funnel_plot(table: pd.DataFrame, found: Funnel, title: str, look: Look = LIGHT) -> alt.LayerChart:
    """Draw each group's rate against its number of units, with the limits that chance alone would set.

    Parameters
    ----------
    table
        Of `source_funnel`, with `group`.
    found
        The common rate and the overdispersion behind the limits.
    title
        What is counted.
    """
    most = int(table["n"].max())
    n = np.unique(np.round(np.geomspace(max(3, table["n"].min() / 1.5), most * 1.2, 60)).astype(int))
    widen = np.sqrt(found.overdispersion)
    curves = pd.DataFrame({"n": n})
    for name, tail in (("low95", 0.025), ("high95", 0.975), ("low998", 0.001), ("high998", 0.999)):
        limit = (
            funnel_limits(n, found.centre, tail) if 0 < found.centre < 1 else np.full(len(n), found.centre)
        )
        curves[name] = np.clip(found.centre + widen * (limit - found.centre), 0, 1)
    told = with_shares_said(table.assign(said=table["outside"].map(OUTSIDE)), "rate")
    names = [words for words in OUTSIDE.values() if words in set(told["said"])]
    colours = dict(zip(OUTSIDE.values(), (BLUE, ORANGE, VERMILION), strict=True))
    shapes = dict(zip(OUTSIDE.values(), ("circle", "square", "diamond"), strict=True))
    x = alt.X("n:Q", title="Units read", scale=alt.Scale(type="log", nice=False))
    y = alt.Y("rate:Q", title=title, axis=share_axis(), scale=alt.Scale(domain=[0, 1]))
    lines = []
    for name, dash in (("low95", [6, 3]), ("high95", [6, 3]), ("low998", [1, 0]), ("high998", [1, 0])):
        line = alt.Chart(curves).mark_line(color=look.faint, strokeDash=dash, strokeWidth=1.5)
        lines.append(line.encode(x=x, y=alt.Y(f"{name}:Q", scale=alt.Scale(domain=[0, 1]))))
    centre = (
        alt.Chart(pd.DataFrame({"rate": [found.centre]}))
        .mark_rule(color=look.ink, strokeDash=[2, 2])
        .encode(y="rate:Q")
    )
    base = alt.Chart(told).encode(x=x, y=y)
    labels = base.mark_text(dx=8, align="left", color=look.ink, fontSize=11).encode(text="group:N")
    points = base.mark_point(filled=True, size=110, opacity=1).encode(
        color=colour_code("said", names, [colours[w] for w in names]),
        shape=shape_code("said", names, [shapes[w] for w in names]),
        tooltip=[
            alt.Tooltip("group:N", title="group"),
            alt.Tooltip("n:Q", title="units read"),
            alt.Tooltip("rate_said:N", title="rate"),
            alt.Tooltip("said:N", title="against chance"),
        ],
    )
    return overlay(centre, *lines, labels, points, height=330, text=funnel_sentence(told, found))


def funnel_sentence(table: pd.DataFrame, found: Funnel) -> str:
    """Which groups chance doesn't explain, in a sentence."""
    out = table[table["outside"] != ""]
    start = f"Common rate {percent(found.centre)} over {len(table)} sources"
    if found.overdispersion > 1.0:
        start += f", limits widened for {found.overdispersion:.1f} times the scatter of chance"
    if out.empty:
        return f"{start}: none stands further off than chance alone explains."
    parts = [
        f"{r['group']} ({percent(r['rate'])} of {r['n']}, {OUTSIDE[r['outside']]})"
        for r in out.to_dict("records")
    ]
    return f"{start}. Beyond chance: {'; '.join(parts)}."


def case_mix_figures(found: pd.DataFrame, what: str = "source") -> pd.DataFrame:
    """Sources beside what their kinds alone would give, the farthest off first; periods in their order.

    Parameters
    ----------
    found : of `fleet.attainment.case_mix.case_mix`.
    what : what its groups are: `source` or `period`.
    """
    far = -found["z"].abs().fillna(-1.0).to_numpy()
    told = found.iloc[np.argsort(far, kind="stable")] if what == "source" else found
    points = [NOT_KNOWN if np.isnan(d) else f"{100 * d:+.0f} points" for d in told["difference"]]
    return pd.DataFrame(
        {
            what: told["group"],
            "units": told["n"],
            "rate": told["rate"].map(percent),
            "comparable units": told["compared"],
            "their rate": [percent(r) for r in told["rate_compared"]],
            "their kinds would give": [percent(r) for r in told["expected"]],
            "difference": points,
            "against chance": told["outside"].map(OUTSIDE).where(told["compared"] > 0, ALONE),
        }
    )


def other_policy(table: pd.DataFrame, look: Look = LIGHT) -> alt.LayerChart:
    """Draw each group's rate under the policy and under the other one, joined by a line.

    Parameters
    ----------
    table
        Of `what_if` for one measure, with `group`.
    """
    told = table[table["n"] > 0].sort_values(["rate_other", "group"], ascending=[False, True]).head(18)
    rows = alt.Y(
        "group:N",
        sort=told["group"].tolist(),
        title=None,
        axis=alt.Axis(labelLimit=260, ticks=False, labelOverlap=False),
    )
    x = alt.Scale(domain=[0, 1])
    link = (
        alt.Chart(told)
        .mark_rule(color=look.faint, strokeWidth=3)
        .encode(y=rows, x=alt.X("rate:Q", title="Rate", axis=share_axis(), scale=x), x2="rate_other:Q")
    )
    names = ["the policy", "the other one"]
    long = pd.concat(
        [
            told[["group", "n"]].assign(rate=told["rate"], under=names[0]),
            told[["group", "n"]].assign(rate=told["rate_other"], under=names[1]),
        ]
    )
    points = (
        alt.Chart(with_shares_said(long, "rate"))
        .mark_point(filled=True, size=100, opacity=1)
        .encode(
            y=rows,
            x=alt.X("rate:Q", title="Rate", axis=share_axis(), scale=x),
            color=colour_code("under", names, [BLUE, VERMILION]),
            shape=shape_code("under", names, ["circle", "diamond"]),
            tooltip=[
                "group:N",
                "under:N",
                alt.Tooltip("rate_said:N", title="rate"),
                alt.Tooltip("n:Q", title="units"),
            ],
        )
    )
    said = "; ".join(
        f"{r['group']} {percent(r['rate'])} to {percent(r['rate_other'])}"
        for r in told.head(6).to_dict("records")
    )
    return overlay(link, points, height=32 * len(told) + 110, text=f"Rate under either policy: {said}.")


def other_figures(table: pd.DataFrame) -> pd.DataFrame:
    """The table under the what-if picture."""
    rows = table.sort_values(["n", "group"], ascending=[False, True])
    return pd.DataFrame(
        {
            "group": rows["group"],
            "units read": rows["n"],
            "rate": rows["rate"].map(percent),
            "under the other policy": rows["rate_other"].map(percent),
            "gained": rows["gained"],
            "lost": rows["lost"],
        }
    )

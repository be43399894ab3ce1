"""Pictures of a quote: what the bench will probably read, and what a tilt would buy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import altair as alt
import numpy as np
import pandas as pd

from fleet import words
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
from fleet.numerals import figure, percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from fleet.alignment.tradeoff import TradeOff
    from fleet.policy.policy import Policy

BIN_DEG: Final = {"sag_deg": 0.1, "sra_dynamic_deg": 0.5, "vta_dynamic_deg": 0.5}
"""Width of a bar, the same whatever is asked, so that two quotes can be laid side by side [deg]."""
SHOWN: Final = tuple(BIN_DEG)
"""Quantities that are drawn."""
MOST_DRAWS: Final = 250
LEVEL, CHOSEN = "level headshell", "tilt the policy would choose"
_CHANCE_LINES: Final = {
    "p_rake": ("rake met", BLUE, [6, 3]),
    "p_tracking": ("tracking met", ORANGE, [2, 2]),
    "p_both": ("both met", GREEN, [1, 0]),
}


class Band(NamedTuple):
    """A stretch of angles that the policy names."""

    words: str
    low: float
    high: float


def predictive(
    values: ArrayLike, quantity: str, policy: Policy | None = None, look: Look = LIGHT
) -> alt.LayerChart:
    """Draw one predictive distribution, the policy's bands behind it, its 50 % and 90 % intervals above.

    Parameters
    ----------
    values
        Draws of the bench reading [deg], level headshell; NaN where the stylus has no such reading.
    quantity
        One of `SHOWN`.
    policy
        Draws its bands; None for none (sag has no target).
    """
    told = np.asarray(values, dtype=float)
    told = told[np.isfinite(told)]
    bands = policy_bands(quantity, policy)
    ends = [*np.quantile(told, [0.005, 0.995]), *(e for b in bands for e in b[1:] if np.isfinite(e))]
    domain = _domain(ends, BIN_DEG[quantity])
    bars = with_shares_said(histogram(told, BIN_DEG[quantity], domain), "share")
    top = 1.25 * float(bars["share"].max())
    x = alt.X(
        "from:Q",
        title=words.quantity(quantity).title,
        bin="binned",
        axis=alt.Axis(grid=False),
        scale=alt.Scale(domain=domain, nice=False, zero=False),
    )
    y = alt.Y("share:Q", title=None, axis=None, scale=alt.Scale(domain=[0, top]))
    tips = [
        alt.Tooltip("from:Q", title="from [°]", format=".2f"),
        alt.Tooltip("to:Q", title="to [°]", format=".2f"),
        alt.Tooltip("share_said:N", title="chance"),
    ]
    columns = (
        alt.Chart(bars)
        .mark_bar(color=BLUE, opacity=0.8, stroke=look.ground, strokeWidth=0.6, binSpacing=0)
        .encode(x=x, x2="to:Q", y=y, tooltip=tips)
    )
    low, _, middle, _, high = spread = np.quantile(told, [0.05, 0.25, 0.5, 0.75, 0.95])
    title = words.quantity(quantity).title
    text = f"{title}: median {middle:.2f}, nine in ten between {low:.2f} and {high:.2f}."
    if bands:
        text += f" Target policy: {' and '.join(b.words for b in bands)}."
    return overlay(
        *_band_layers(bands, domain), columns, *_interval(spread, 0.93 * top, look), height=220, text=text
    )


def policy_bands(quantity: str, policy: Policy | None) -> list[Band]:
    """What the policy accepts and what it likes best, for a quantity that it speaks of."""
    if policy is None or quantity == "sag_deg":
        return []
    if quantity == "sra_dynamic_deg":
        wide, best = policy.rake_accepted_deg, policy.rake_best_deg
        return [
            Band(f"accepted {wide[0]:g} to {wide[1]:g}°", *wide),
            Band(f"best {best[0]:g} to {best[1]:g}°", *best),
        ]
    limit, wish = policy.tracking_limit_deg, policy.tracking_wish_deg
    return [
        Band(f"accepted up to {limit:g}°", -np.inf, limit),
        Band(f"wished up to {wish:g}°", -np.inf, wish),
    ]


def histogram(told: NDArray[np.float64], width: float, domain: Sequence[float]) -> pd.DataFrame:
    """Share of the draws in each bar inside the axis; bars start at whole multiples of their width."""
    codes, counts = np.unique(np.floor(told / width + 1e-9), return_counts=True)
    bars = pd.DataFrame({"from": codes * width, "to": (codes + 1) * width, "share": counts / len(told)})
    return bars[(bars["from"] >= domain[0] - 1e-9) & (bars["to"] <= domain[1] + 1e-9)]


def trade_off_line(result: TradeOff, look: Look = LIGHT) -> alt.LayerChart:
    """Draw the chances of rake, tracking and both against the tilt, with the best tilt marked."""
    without_rake = bool(result.table["p_rake"].isna().all())
    columns = ["p_tracking"] if without_rake else list(_CHANCE_LINES)
    names = {column: _CHANCE_LINES[column][0] for column in columns}
    long = result.table.melt("tilt_deg", columns, var_name="target", value_name="chance")
    long = with_shares_said(long.assign(target=long["target"].map(names)), "chance")
    shown = [_CHANCE_LINES[column] for column in columns]
    order = [words for words, _, _ in shown]
    dash = alt.StrokeDash(
        "target:N",
        title=None,
        sort=order,
        legend=alt.Legend(orient="top", symbolSize=400),
        scale=alt.Scale(domain=order, range=[dashes for _, _, dashes in shown]),
    )
    y = alt.Y("chance:Q", title="Chance", axis=share_axis(), scale=alt.Scale(domain=[0, 1]))
    lines = (
        alt.Chart(long)
        .mark_line(strokeWidth=2.5)
        .encode(
            x=alt.X("tilt_deg:Q", title="Tilt (°, + = tail up)"),
            y=y,
            color=colour_code("target", order, [colour for _, colour, _ in shown]),
            strokeDash=dash,
            tooltip=[
                alt.Tooltip("target:N", title="target"),
                alt.Tooltip("tilt_deg:Q", title="tilt [°]", format="+.1f"),
                alt.Tooltip("chance_said:N", title="chance"),
            ],
        )
    )
    best = result.table[result.table["tilt_deg"] == result.best_tilt_deg].iloc[[0]]
    rule = alt.Chart(best).mark_rule(color=look.ink, strokeDash=[4, 4]).encode(x="tilt_deg:Q")
    point = (
        alt.Chart(best)
        .mark_point(shape="diamond", filled=True, size=120, color=VERMILION, opacity=1)
        .encode(x="tilt_deg:Q", y="p_both:Q")
    )
    chance = percent(float(best["p_both"].iloc[0]))
    what, best_for = ("tracking angle is", "it") if without_rake else ("targets are", "both")
    text = (
        f"Chance that the {what} met, by tilt. Best for {best_for}: {result.best_tilt_deg:+.1f}°, {chance}."
    )
    return overlay(rule, lines, point, height=330, text=text)


def tilt_path(draws: pd.DataFrame, row: pd.Series, policy: Policy, look: Look = LIGHT) -> alt.LayerChart:
    """Draw rake against tracking angle: the draws, the line along which a tilt moves them, the target box.

    Parameters
    ----------
    draws
        `sra_dynamic_deg`, `vta_dynamic_deg`: readings on a level headshell (a sample of them is drawn).
    row
        The quote's row.
    """
    some = draws[["sra_dynamic_deg", "vta_dynamic_deg"]].dropna().head(MOST_DRAWS)
    sra, vta, tilt = (float(row[f"{n}_q50"]) for n in ("sra_dynamic_deg", "vta_dynamic_deg", "tilt_deg"))
    lowest = policy.tilt_lower_limit_deg
    ends = np.array([min(lowest, tilt), max(float(row["tilt_deg_q95"]), tilt, 0.0)])
    path = pd.DataFrame({"vta": vta + ends, "sra": sra + ends})
    marks = pd.DataFrame({"vta": [vta, vta + tilt], "sra": [sra, sra + tilt], "said": [LEVEL, CHOSEN]})
    band = policy.rake_accepted_deg
    across = _domain(
        [*some["vta_dynamic_deg"].quantile([0.01, 0.99]), policy.tracking_wish_deg, vta + tilt], 0.5
    )
    up = _domain([*some["sra_dynamic_deg"].quantile([0.01, 0.99]), *band, sra + tilt], 0.5)
    x = alt.X(
        "vta:Q",
        title=words.quantity("vta_dynamic_deg").title,
        scale=alt.Scale(domain=across, zero=False, nice=False),
    )
    y = alt.Y(
        "sra:Q",
        title=words.quantity("sra_dynamic_deg").title,
        scale=alt.Scale(domain=up, zero=False, nice=False),
    )
    box = pd.DataFrame(
        {"vta": [across[0]], "to": [policy.tracking_limit_deg], "sra": [band[0]], "sra_to": [band[1]]}
    )
    target = (
        alt.Chart(box)
        .mark_rect(color=GREEN, opacity=0.22, stroke=GREEN, strokeWidth=1.5)
        .encode(x=x, x2="to:Q", y=y, y2="sra_to:Q")
    )
    dots = (
        alt.Chart(some.set_axis(["sra", "vta"], axis=1))
        .mark_circle(size=14, color=look.faint, opacity=0.5, clip=True)
        .encode(x=x, y=y)
    )
    line = alt.Chart(path).mark_line(color=BLUE, strokeWidth=2.5, clip=True).encode(x=x, y=y)
    points = (
        alt.Chart(marks)
        .mark_point(filled=True, size=130, opacity=1, clip=True)
        .encode(
            x=x,
            y=y,
            shape=shape_code("said", [LEVEL, CHOSEN], ["circle", "diamond"]),
            color=colour_code("said", [LEVEL, CHOSEN], [BLUE, VERMILION]),
        )
    )
    text = (
        f"Rake against tracking angle. A tilt moves the pickup along the line from the level headshell "
        f"({figure(sra, '°', 1)} rake, {figure(vta, '°', 1)} tracking) to {figure(sra + tilt, '°', 1)} and "
        f"{figure(vta + tilt, '°', 1)}; the shaded box holds rake {band[0]:g} to {band[1]:g}° with tracking "
        f"up to {policy.tracking_limit_deg:g}°."
    )
    return overlay(target, dots, line, points, height=330, text=text)


def _interval(spread: NDArray[np.float64], at: float, look: Look) -> list[alt.Chart]:
    """Thin line for nine in ten, thick for half, diamond for the median, at one height."""
    row = pd.DataFrame([dict(zip(("low", "q25", "middle", "q75", "high"), spread, strict=True))]).assign(
        at=at
    )
    base = alt.Chart(row).encode(y="at:Q")
    return [
        base.mark_rule(color=look.ink, strokeWidth=1.5, clip=True).encode(x="low:Q", x2="high:Q"),
        base.mark_rule(color=look.ink, strokeWidth=5).encode(x="q25:Q", x2="q75:Q"),
        base.mark_point(shape="diamond", filled=True, size=90, color=VERMILION, opacity=1).encode(
            x="middle:Q"
        ),
    ]


def _band_layers(bands: list[Band], domain: Sequence[float]) -> list[alt.Chart]:
    if not bands:
        return []
    frame = pd.DataFrame([b._asdict() for b in bands])
    frame[["low", "high"]] = frame[["low", "high"]].clip(*domain)
    edges = np.concatenate([frame["low"], frame["high"]])
    inside = edges[(edges > domain[0]) & (edges < domain[1])]
    rect = (
        alt.Chart(frame)
        .mark_rect(color=GREEN, opacity=0.18)
        .encode(x="low:Q", x2="high:Q", tooltip=[alt.Tooltip("words:N", title="target policy")])
    )
    rules = (
        alt.Chart(pd.DataFrame({"low": inside}))
        .mark_rule(color=GREEN, strokeDash=[3, 3], strokeWidth=1.2)
        .encode(x="low:Q")
    )
    return [rect, rules]


def _domain(ends: Sequence[float], step: float) -> list[float]:
    """Axis from the lowest to the highest of all, to the next whole step and one further."""
    return [float(np.floor(min(ends) / step - 1) * step), float(np.ceil(max(ends) / step + 1) * step)]

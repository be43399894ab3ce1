"""Two angles against each other on equal axes: where a tilt or a roll can bring a unit, and where not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts import normal
from fleet.charts.style import BLUE, GREEN, LIGHT, MOST_MARKS, Look, overlay
from fleet.numerals import count, figure
from fleet.words import fault_words, quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from fleet.policy.policy import Policy

SIDE_PX: Final = 460
RAKE, TRACKING = "sra_dynamic_deg", "vta_dynamic_deg"
SEEN, ELECTRICAL = "azimuth_optical_deg", "azimuth_electrical_deg"
OWN_PX: Final = 230
_WORDS: Final = ("fault", "cause", "about", "sure")
SHARES: Final = (0.5, 0.9)
"""Shares of a kind's forecast inside its two lines."""


@dataclass(frozen=True)
class Plane:
    """Units on a plane of two readings.

    Attributes
    ----------
    x, y : columns of the two readings
    bulk : units that aren't flagged, thinned
    marks : every flagged unit that was read for both, none left out; `pinned` where it lies beyond the frame
        and stands at its edge
    units : how many units that aren't flagged there are
    across, up : the frame, as wide as high [degrees]
    """

    x: str
    y: str
    bulk: pd.DataFrame
    marks: pd.DataFrame
    units: int
    across: tuple[float, float]
    up: tuple[float, float]

    @property
    def sentence(self) -> str:
        """What is drawn of how many."""
        drawn = f"{len(self.bulk)} of {self.units}" if len(self.bulk) < self.units else f"all {self.units}"
        said = f"Dots: {drawn} units that aren't flagged; marks: all {len(self.marks)} flagged ones read here"
        pinned = int(self.marks["pinned"].sum())
        if pinned:
            said += f", {pinned} of them pale at the edge because they lie beyond it (hover for the figure)"
        return f"{said}."


def prepare(
    sheets: pd.DataFrame,
    judged: pd.DataFrame,
    x: str,
    y: str,
    *,
    hold: Iterable[tuple[float, float]] = (),
    most: int = MOST_MARKS // 2,
) -> Plane:
    """Choose what is drawn of units on a plane: every flagged one, of the others at most `most`.

    Parameters
    ----------
    sheets : one row a unit, with `unit` and both readings [degrees].
    judged : the units in words (`fleet.charts.normal.in_words`).
    x, y : the readings.
    hold : points that the frame must hold.
    most : units that aren't flagged.
    """
    told = judged.drop_duplicates("unit").drop(columns="sheet_no")
    both = sheets[["sheet_no", "unit", x, y]].astype({"unit": "str", x: "float64", y: "float64"})
    frame = both.dropna(subset=[x, y]).merge(told, on="unit", how="inner", validate="many_to_one")
    frame["flagged"] = frame["flagged"].astype(bool)
    points = list(hold)
    flags = frame[frame["flagged"]]
    across = _ends(frame[x].to_numpy(), flags[x].to_numpy(), [p[0] for p in points])
    up = _ends(frame[y].to_numpy(), flags[y].to_numpy(), [p[1] for p in points])
    across, up = _as_wide_as_high(across, up)
    marks = _said(frame[frame["flagged"]].reset_index(drop=True), x, y)
    inside = marks[x].between(*across) & marks[y].between(*up)
    marks = marks.assign(pinned=~inside, **{x: marks[x].clip(*across), y: marks[y].clip(*up)})
    rest = frame[~frame["flagged"]]
    seen = rest[rest[x].between(*across) & rest[y].between(*up)]
    bulk = _said(normal.thin(seen, x, most).reset_index(drop=True), x, y)
    return Plane(x, y, bulk, marks, len(rest), across, up)


def _said(drawn: pd.DataFrame, x: str, y: str) -> pd.DataFrame:
    """The rows with what a tooltip says of both readings; only of those drawn."""
    one, other = quantity(x), quantity(y)
    reads = [
        f"{one.short} {one.figure(a)}, {other.short} {other.figure(b)}"
        for a, b in zip(drawn[x], drawn[y], strict=True)
    ]
    return drawn.assign(reads=reads)


def _ends(
    values: NDArray[np.float64], flagged: NDArray[np.float64], hold: Sequence[float]
) -> tuple[float, float]:
    """A frame for the bulk, for what it must hold, and for flagged units up to the bulk's span away."""
    told = np.concatenate([np.quantile(values, [0.005, 0.995]) if len(values) else [], hold])
    if not len(told):
        return 0.0, 1.0
    span = float(np.ptp(told))
    told = np.concatenate([told, np.clip(flagged, told.min() - 0.5 * span, told.max() + 0.5 * span)])
    room = 0.12 * max(float(np.ptp(told)), 1.0)
    return float(told.min() - room), float(told.max() + room)


def _as_wide_as_high(
    across: tuple[float, float], up: tuple[float, float]
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Both spans widened to the larger, so that a degree is as long across as up."""
    half = 0.5 * max(across[1] - across[0], up[1] - up[0])
    middles = (0.5 * (across[0] + across[1]), 0.5 * (up[0] + up[1]))
    first, second = ((round(m - half, 2), round(m + half, 2)) for m in middles)
    return first, second


def rake_and_tracking(
    plane: Plane,
    policy: Policy,
    look: Look = LIGHT,
    *,
    forecast: pd.DataFrame | None = None,
    own: tuple[float, float] | None = None,
    aligned: tuple[float, float] | None = None,
) -> alt.LayerChart:
    """Draw rake against tracking angle with the targets as boxes and the ways that a tilt can go.

    Parameters
    ----------
    plane : units, tracking angle across and rake up.
    policy : its targets are the boxes; the least built-in angle that serves both is the dashed line.
    look : ink.
    forecast : draws of the kind's readings; two lines hold half and nine in ten of them.
    own : tracking angle and rake of one unit, drawn large, with the line along which a tilt moves it.
    aligned : where it stands with the tilt that is advised.
    """
    x, y = _axes(plane)
    wide, best = policy.rake_accepted_deg, policy.rake_best_deg
    left = plane.across[0]
    boxes = pd.DataFrame(
        [
            (left, policy.tracking_limit_deg, *wide, "accepted by the policy"),
            (left, policy.tracking_wish_deg, *best, "wished by the policy"),
        ],
        columns=["x", "x2", "y", "y2", "what"],
    )
    target = (
        alt.Chart(boxes)
        .mark_rect(color=GREEN, opacity=0.16, stroke=GREEN, strokeWidth=1.2, clip=True)
        .encode(x=x("x"), x2="x2:Q", y=y("y"), y2="y2:Q", tooltip=[alt.Tooltip("what:N", title="target")])
    )
    edge = wide[0] - policy.tracking_limit_deg
    says = f"built-in angle {edge:g}°: below this line no tilt serves both"
    behind = [target, *_line(plane, x, y, edge, says, look, dashes=[6, 4])]
    if forecast is not None and len(forecast):
        behind.append(_contours(forecast, x, y, look))
    front = [] if own is None else _unit(plane, x, y, own, aligned, look)
    text = (
        f"Rake against tracking angle, record turning: {count(plane.units + len(plane.marks), 'unit')}, "
        f"{len(plane.marks)} flagged. Boxes: rake {wide[0]:g} to {wide[1]:g}° with tracking angle up to "
        f"{policy.tracking_limit_deg:g}°, wished {best[0]:g} to {best[1]:g}° and up to "
        f"{policy.tracking_wish_deg:g}°. A tilt moves a unit along a line of 45°; dashed: {says}."
    )
    if own is not None:
        text += f" This unit: rake {figure(own[1], '°', 2)}, tracking angle {figure(own[0], '°', 2)}."
    return _drawn(plane, behind, front, x, y, look, text)


def one_unit(
    own: tuple[float, float], aligned: tuple[float, float], policy: Policy, look: Look = LIGHT
) -> alt.LayerChart:
    """Draw one unit alone, before and after its tilt, with the targets as boxes.

    Parameters
    ----------
    own, aligned : tracking angle and rake [degrees].
    policy : its targets.
    look : ink.
    """
    hold = [own, aligned, *((policy.tracking_wish_deg, edge) for edge in policy.rake_accepted_deg)]
    nobody = pd.DataFrame({n: pd.Series(dtype="float64") for n in ("sheet_no", "unit", TRACKING, RAKE)})
    words = pd.DataFrame({n: pd.Series(dtype="str") for n in (*_WORDS, "unit", "flagged", "sheet_no")})
    plane = prepare(nobody, words, TRACKING, RAKE, hold=hold)
    drawn = rake_and_tracking(plane, policy, look, own=own, aligned=aligned)
    return drawn.properties(width=OWN_PX, height=OWN_PX)


def azimuths(
    plane: Plane, follows: float, look: Look = LIGHT, *, own: tuple[float, float] | None = None
) -> alt.LayerChart:
    """Draw azimuth seen against azimuth electrical, with the ways that three faults move a unit.

    Parameters
    ----------
    plane : units, azimuth seen across and electrical up.
    follows : part of a cant that the electrical azimuth follows.
    look : ink.
    own : both azimuths of one unit, drawn large.
    """
    x, y = _axes(plane)
    middle = [float(np.median(plane.bulk[n])) if len(plane.bulk) else 0.0 for n in (plane.x, plane.y)]
    reach = 0.3 * (plane.across[1] - plane.across[0])
    ways = {"stylus_canted": (1.0, follows), "generator_rolled": (0.0, 1.0), "assembly_rolled": (1.0, 1.0)}
    rows = [
        (*(middle + sign * reach * np.asarray(way) / np.hypot(*way)), sign, fault_words(fault))
        for fault, way in ways.items()
        for sign in (-1.0, 1.0)
    ]
    ends = pd.DataFrame(rows, columns=["x", "y", "sign", "says"])
    lines = (
        alt.Chart(ends)
        .mark_line(color=look.ink, strokeDash=[5, 4], strokeWidth=1.1, clip=True)
        .encode(x=x("x"), y=y("y"), detail="says:N")
    )
    names = (
        alt.Chart(ends[ends["sign"] > 0])
        .mark_text(color=look.ink, align="right", dx=-6, dy=-4)
        .encode(x=x("x"), y=y("y"), text="says:N")
    )
    front = [] if own is None else [_own_mark(pd.DataFrame([own], columns=["x", "y"]), x, y, look)]
    text = (
        f"Azimuth seen against azimuth electrical: {count(plane.units + len(plane.marks), 'unit')}, "
        f"{len(plane.marks)} flagged. Dashed: a canted stylus moves a unit along {follows:.2f}° electrical a "
        "degree seen, a rolled generator straight up, a rolled assembly along 45°."
    )
    if own is not None:
        text += f" This unit: seen {figure(own[0], '°', 2)}, electrical {figure(own[1], '°', 2)}."
    return _drawn(plane, [lines, names], front, x, y, look, text)


def _axes(plane: Plane) -> tuple[Any, Any]:
    def axis(channel: Any, name: str, ends: tuple[float, float]) -> Any:
        scale = alt.Scale(domain=list(ends), nice=False, zero=False)
        title = quantity(name).title
        return lambda field: channel(f"{field}:Q", title=title, scale=scale)

    return axis(alt.X, plane.x, plane.across), axis(alt.Y, plane.y, plane.up)


def _drawn(
    plane: Plane, behind: list[Any], front: list[Any], x: Any, y: Any, look: Look, text: str
) -> alt.LayerChart:
    tips = [
        alt.Tooltip("sheet_no:N", title="sheet"),
        alt.Tooltip("about:N", title="unit"),
        alt.Tooltip("reads:N", title="reads"),
        alt.Tooltip("sure:N", title="chances"),
    ]
    columns = ["sheet_no", plane.x, plane.y, "about", "reads", "sure"]
    dots = (
        alt.Chart(plane.bulk[columns])
        .mark_circle(size=18, color=look.faint, opacity=0.5)
        .encode(x=x(plane.x), y=y(plane.y), tooltip=tips)
    )
    marks = []
    if len(plane.marks):
        colour, shape = normal.codes(plane.marks["fault"].tolist(), columns=3)
        marks = [
            alt.Chart(plane.marks[[*columns, "pinned", "cause"]])
            .mark_point(filled=True, size=normal.MARK_SIZE)
            .encode(
                x=x(plane.x),
                y=y(plane.y),
                color=colour,
                shape=shape,
                opacity=normal.PALE_AT_THE_EDGE,
                tooltip=tips,
            )
        ]
    chart = overlay(*behind, dots, *marks, *front, height=SIDE_PX, text=text)
    # beside a legend the frame itself stays square
    return chart.properties(width=SIDE_PX, autosize=alt.AutoSizeParams(type="pad"))


def _line(
    plane: Plane, x: Any, y: Any, less: float, says: str, look: Look, *, dashes: list[int]
) -> list[alt.Chart]:
    """The line of 45° on which rake less tracking angle is `less`."""
    ends = pd.DataFrame({"x": list(plane.across)}).assign(y=lambda t: t["x"] + less, says=says)
    return [
        alt.Chart(ends)
        .mark_line(color=look.ink, strokeDash=dashes, strokeWidth=1.2, clip=True)
        .encode(x=x("x"), y=y("y"), tooltip=[alt.Tooltip("says:N", title="line")])
    ]


def _contours(forecast: pd.DataFrame, x: Any, y: Any, look: Look) -> Any:
    """Ellipses that hold half and nine in ten of a forecast, as its mean and covariance have them."""
    told = forecast[[TRACKING, RAKE]].dropna().to_numpy(dtype=float)
    middle, root = told.mean(axis=0), np.linalg.cholesky(np.cov(told.T) + 1e-9 * np.eye(2))
    away = np.linalg.norm(np.linalg.solve(root, (told - middle).T), axis=0)
    turn = np.linspace(0.0, 2.0 * np.pi, 73)
    circle = np.vstack([np.cos(turn), np.sin(turn)])
    parts = []
    for share in SHARES:
        points = middle[:, None] + float(np.quantile(away, share)) * (root @ circle)
        parts.append(pd.DataFrame({"x": points[0], "y": points[1], "order": range(73), "share": share}))
    rings = pd.concat(parts, ignore_index=True)
    rings["says"] = rings["share"].map({0.5: "half of such pickups", 0.9: "nine in ten of such pickups"})
    return (
        alt.Chart(rings)
        .mark_line(color=BLUE, strokeWidth=1.8, clip=True)
        .encode(
            x=x("x"), y=y("y"), order="order:Q", detail="says:N",
            tooltip=[alt.Tooltip("says:N", title="foretold")],
        )
    )  # fmt: skip


def _unit(
    plane: Plane, x: Any, y: Any, own: tuple[float, float], aligned: tuple[float, float] | None, look: Look
) -> list[Any]:
    less = own[1] - own[0]
    way = _line(plane, x, y, less, "the way that a tilt moves this unit", look, dashes=[1, 0])
    layers: list[Any] = [*way, _own_mark(pd.DataFrame([own], columns=["x", "y"]), x, y, look)]
    if aligned is not None and aligned != own:
        there = pd.DataFrame([aligned], columns=["x", "y"])
        layers.append(
            alt.Chart(there)
            .mark_point(shape="circle", filled=False, size=220, color=BLUE, strokeWidth=3, clip=True)
            .encode(x=x("x"), y=y("y"))
        )
    return layers


def _own_mark(at: pd.DataFrame, x: Any, y: Any, look: Look) -> Any:
    return (
        alt.Chart(at)
        .mark_point(shape="diamond", filled=True, size=230, color=BLUE, opacity=1, stroke=look.ink, clip=True)
        .encode(x=x("x"), y=y("y"))
    )

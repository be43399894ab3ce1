"""Drawings of an alignment: the wedge from the side with its millimetres, and the body rolled or turned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import altair as alt
import numpy as np
import pandas as pd

from fleet.charts.style import BLUE, LIGHT, VERMILION, Look, overlay
from fleet.numerals import figure

if TYPE_CHECKING:
    from fleet.alignment.alignment import Alignment
    from fleet.policy.policy import Policy

PX_PER_MM: Final = 18
AROUND_MM: Final = (5.0, 3.2, 4.6)
"""Room beside the wedge, above it and below its thick end, for headshell, body and figures."""
BODY_MM: Final = 2.0
BODY: Final = np.array([[-1.0, -0.55], [1.0, -0.55], [1.0, 0.55], [-1.0, 0.55], [-1.0, -0.55]])
TURN_PX: Final = 170
SHOWN_DEG: Final = (6.0, 20.0)
"""A turn is drawn at least and at most so large: the eye sees its sense, the figure beside tells its size."""


_PLACES: Final[tuple[Literal["left", "right", "center"], ...]] = ("left", "right", "center")


def wedge_side(found: Alignment, policy: Policy, look: Look = LIGHT) -> alt.LayerChart | None:
    """Draw the wedge from the side, nose on the left, a millimetre as long across as down.

    Parameters
    ----------
    found : the alignment; None comes back where it needs no wedge.
    policy : length of the wedge.
    look : ink.
    """
    way = found.mounting
    if way.kind == "none" or not way.tilt_deg:
        return None
    length, side = policy.wedge_length_mm, AROUND_MM[0]
    wedge = pd.DataFrame({"x": [0.0, length], "top": [0.0, 0.0], "under": [-way.nose_mm, -way.tail_mm]})
    slope = (way.nose_mm - way.tail_mm) / length
    reach = np.array([-0.6 * side, length + 0.6 * side])
    face = -way.nose_mm + slope * reach
    body = pd.DataFrame({"x": reach, "top": face, "under": face - BODY_MM})
    shell = pd.DataFrame({"x": [-0.8 * side, length + 0.8 * side], "top": [1.1, 1.1], "under": [0.0, 0.0]})
    low = -max(way.nose_mm, way.tail_mm) - AROUND_MM[2]
    x = alt.X("x:Q", axis=None, scale=alt.Scale(domain=[-side, length + side], nice=False))
    y = alt.Y("top:Q", axis=None, scale=alt.Scale(domain=[low, AROUND_MM[1]], nice=False, zero=False))

    def area(frame: pd.DataFrame, colour: str, opacity: float) -> Any:
        drawn = alt.Chart(frame).mark_area(color=colour, opacity=opacity, line={"color": colour})
        return drawn.encode(x=x, y=y, y2="under:Q")

    thin = "nose" if way.nose_mm < way.tail_mm else "tail"
    said = pd.DataFrame(
        [
            (0.0, 0.55, f"nose {figure(way.nose_mm, 'mm', 2)}", "left"),
            (length, 0.55, f"tail {figure(way.tail_mm, 'mm', 2)}", "right"),
            (
                length / 2,
                1.9,
                f"level headshell; wedge {figure(length, 'mm', 1)} long, thin end at the {thin}",
                "center",
            ),
            (
                length / 2,
                low + 0.7,
                f"body, its belly with the stylus below; {figure(abs(way.tilt_deg), '°', 1)}",
                "center",
            ),
        ],
        columns=["x", "top", "says", "at"],
    )
    texts = [
        alt.Chart(said[said["at"] == at])
        .mark_text(color=look.ink, align=at, fontSize=12)
        .encode(x=x, y=y, text="says:N")
        for at in _PLACES
    ]
    layers = [area(shell, look.faint, 0.45), area(body, look.faint, 0.25), area(wedge, BLUE, 0.8), *texts]
    text = (
        f"The wedge from the side, nose on the left: {figure(way.nose_mm, 'mm', 2)} thick at the nose, "
        f"{figure(way.tail_mm, 'mm', 2)} at the tail, {figure(length, 'mm', 1)} long, thin end at the "
        f"{thin}; it gives {figure(abs(way.tilt_deg), '°', 1)} tail {'up' if way.tilt_deg > 0 else 'down'}."
    )
    chart = overlay(*layers, height=PX_PER_MM * (AROUND_MM[1] - low), text=text)
    return chart.properties(width=PX_PER_MM * (length + 2 * side))


def turned_body(degrees: float, view: str, look: Look = LIGHT) -> alt.LayerChart | None:
    """Draw the body's outline turned, with an arrow of the sense; None where there is nothing to turn.

    Parameters
    ----------
    degrees : + = clockwise in the view.
    view : what one looks at, in words.
    look : ink.
    """
    if not degrees or degrees != degrees:
        return None
    size = float(np.clip(3.0 * abs(degrees), *SHOWN_DEG)) * np.sign(degrees)
    straight = _outline(BODY, 0.0, "straight")
    turned = _outline(BODY, size, "turned")
    arc = np.radians(90.0 - np.linspace(0.0, 3.2 * size, 24))
    arrow = pd.DataFrame({"x": 1.28 * np.cos(arc), "y": 1.28 * np.sin(arc), "order": range(24)})
    last = arrow.iloc[[-1]].assign(angle=3.2 * size + (90.0 if degrees > 0 else -90.0))
    x = alt.X("x:Q", axis=None, scale=alt.Scale(domain=[-1.7, 1.7], nice=False))
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=[-1.7, 1.7], nice=False))

    def line(frame: pd.DataFrame, **dress: Any) -> Any:
        return alt.Chart(frame).mark_line(**dress).encode(x=x, y=y, order="order:Q")

    sense = "clockwise" if degrees > 0 else "anticlockwise"
    words = f"{figure(abs(degrees), '°', 1)} {sense}"
    head = (
        alt.Chart(last)
        .mark_point(
            shape="triangle",
            filled=True,
            size=140,
            color=VERMILION,
            opacity=1,
            angle=float(last["angle"].iloc[0]) % 360.0,
        )
        .encode(x=x, y=y)
    )
    label = alt.Chart(pd.DataFrame({"x": [0.0], "y": [-1.5], "says": [words]}))
    layers = [
        line(straight, color=look.faint, strokeDash=[4, 4], strokeWidth=1.5),
        line(turned, color=look.ink, strokeWidth=2.5),
        line(arrow, color=VERMILION, strokeWidth=2.5),
        head,
        label.mark_text(color=look.ink, fontSize=13).encode(x=x, y=y, text="says:N"),
    ]
    text = f"{view}: {words}. Dashed: as it stands; full: turned, larger than it is so that its sense shows."
    return overlay(*layers, height=TURN_PX, text=text).properties(width=TURN_PX)


def _outline(points: Any, degrees: float, what: str) -> pd.DataFrame:
    """Corners of an outline turned clockwise."""
    a = -np.radians(degrees)
    at = points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return pd.DataFrame({"x": at[:, 0], "y": at[:, 1], "order": range(len(at)), "what": what})

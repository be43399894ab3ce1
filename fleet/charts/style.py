"""How charts look: colours, shapes and the ink that can be read on the ground they stand on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import altair as alt

from fleet.numerals import percent

if TYPE_CHECKING:
    import pandas as pd

BLUE: Final = "#0072B2"
ORANGE: Final = "#E69F00"
GREEN: Final = "#009E73"
PINK: Final = "#CC79A7"
VERMILION: Final = "#D55E00"
SKY: Final = "#56B4E9"
COLOURS: Final = (BLUE, ORANGE, GREEN, PINK, VERMILION, SKY)
"""Colours that stay apart for colour-blind eyes (Okabe and Ito 2008, Color Universal Design)."""
SHAPES: Final = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")
MOST_MARKS: Final = 1500
"""Charts are drawn as one element a mark: beyond this many, readings are sampled."""


@dataclass(frozen=True)
class Look:
    """Ink for one ground.

    Attributes
    ----------
    ink : text and rules
    faint : bands and dots that stay behind
    ground : the ground itself
    """

    ink: str
    faint: str
    ground: str


LIGHT: Final = Look("#2f2d2b", "#8c8780", "#ffffff")
DARK: Final = Look("#edebe8", "#b3aea6", "#171614")


def overlay(*layers: alt.Chart | alt.LayerChart, height: float, text: str) -> alt.LayerChart:
    """Lay charts over each other.

    Parameters
    ----------
    layers : from the back to the front.
    height : [px]; the width is the place's.
    text : what the picture shows, in words, for those who can't see it.
    """
    return alt.LayerChart(layer=list(layers)).properties(height=height, description=text)


def share_axis(*values: float, ticks: int = 5) -> alt.Axis:
    """An axis of shares, its labels written as everywhere: 25 %."""
    label = "round(100 * datum.value) + ' %'"
    return alt.Axis(labelExpr=label, **({"values": list(values)} if values else {"tickCount": ticks}))


def with_shares_said(frame: pd.DataFrame, *names: str) -> pd.DataFrame:
    """The frame with a column `<name>_said` for each share, for tooltips and labels."""
    return frame.assign(**{f"{name}_said": frame[name].map(percent) for name in names})


def colour_code(field: str, domain: list[str], colours: list[str]) -> alt.Color:
    """Colour of a named field, with its legend above the picture."""
    return alt.Color(
        f"{field}:N",
        title=None,
        sort=domain,
        legend=alt.Legend(orient="top", labelLimit=300),
        scale=alt.Scale(domain=domain, range=colours),
    )


def shape_code(field: str, domain: list[str], shapes: list[str]) -> alt.Shape:
    """Shape of the same field, so that colour is never the only code (the legends merge)."""
    return alt.Shape(
        f"{field}:N",
        title=None,
        sort=domain,
        legend=alt.Legend(orient="top", labelLimit=300),
        scale=alt.Scale(domain=domain, range=shapes),
    )

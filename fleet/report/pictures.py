"""The screens' charts as SVG, drawn without a browser; without the library, their words stand in."""

from __future__ import annotations

import base64
from importlib.util import find_spec
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import altair as alt

NEEDED: Final = "vl_convert"
FONT: Final = "DejaVu Sans, Verdana, sans-serif"
WIDTH_PX: Final = {1: 640, 2: 300, 3: 210}
"""Width of the drawing area by how many pictures stand side by side, so that letters stay readable."""
HEIGHT_PX: Final = {1: 210, 2: 150, 3: 120}


def can_draw() -> bool:
    """Whether pictures can be drawn here."""
    return find_spec(NEEDED) is not None


def svg(chart: alt.LayerChart, abreast: int = 1) -> str:
    """Draw one chart as SVG text; it names no font file, script or other place.

    Parameters
    ----------
    chart : any chart of `fleet.charts`.
    abreast : how many pictures stand side by side (key of `WIDTH_PX`).
    """
    import vl_convert

    size: dict[str, float] = {}
    if not has_own_size(chart):
        size["width"] = WIDTH_PX[abreast]
        if not _has_rows(chart):
            size["height"] = HEIGHT_PX[abreast]
    spec = chart.properties(**size).to_dict()
    spec.setdefault("config", {})
    spec["config"] |= {
        "font": FONT,
        "background": "#ffffff",
        "axis": {"labelFontSize": 10, "titleFontSize": 11, "titleFontWeight": "normal"},
        "legend": {"labelFontSize": 10},
        "view": {"stroke": None},
    }
    return str(vl_convert.vegalite_to_svg(spec, show_warnings=False))


def has_own_size(chart: alt.LayerChart) -> bool:
    """Whether the chart sets its own width, as one does on which both axes have one scale."""
    return isinstance(chart.width, int | float)


def address(chart: alt.LayerChart, abreast: int = 1) -> str:
    """Draw one chart as an address that holds the picture itself, for an image of a page.

    As an image it can run nothing and its inner names can't meet those of the next picture.
    """
    return "data:image/svg+xml;base64," + base64.b64encode(svg(chart, abreast).encode()).decode("ascii")


def _has_rows(chart: alt.LayerChart) -> bool:
    """Whether the chart lists names down its side, so that its height belongs to their number."""
    layers = [layer.to_dict(validate=False) for layer in chart.layer]
    return any(
        layer.get("encoding", {}).get("y", {}).get("type") in {"nominal", "ordinal"} for layer in layers
    )

"""Stack height: from the record to the headshell, with no wedge, a stock one, or one made to measure.

A wedge lies between the body's mounting face and a level headshell. It is as thin as it may be at one edge
and grows by the sine of its angle; the body under it turns about the stylus tip. Exact (derived; see
`fleet.physics.geometry.stack_height_mm`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fleet.errors import FleetError
from fleet.physics import geometry


@dataclass(frozen=True)
class Stack:
    """One way of mounting the body.

    Attributes
    ----------
    kind : str
        `none`, `stock_wedge` or `made_wedge`.
    tilt_deg : float
        Tilt that it gives [degrees].
    tilt_miss_deg : float
        That less the wanted tilt [degrees].
    thin_edge_mm, at_holes_mm, thick_edge_mm : float
        Thickness of the wedge square to the headshell; 0 without one [mm].
    height_mm : float
        Record surface to the headshell at the hole line [mm].
    arm_rise_mm : float
        How much higher the arm must stand than for the bare level body [mm].
    """

    kind: str
    tilt_deg: float
    tilt_miss_deg: float
    thin_edge_mm: float
    at_holes_mm: float
    thick_edge_mm: float
    height_mm: float
    arm_rise_mm: float


@dataclass(frozen=True)
class StackAdvice:
    """The three ways side by side.

    Attributes
    ----------
    bare, made : Stack
        Level body without a wedge; wedge made to measure (`none` where the tilt rounds to nothing).
    stock : Stack or None
        Nearest wedge of the drawer; None if the drawer is empty.
    sentence : str
        The figures in words.
    """

    bare: Stack
    stock: Stack | None
    made: Stack
    sentence: str


def judge_stack(
    height_mm: float,
    tip_to_mount_mm: float,
    tilt_deg: float,
    *,
    stock_wedges_deg: Sequence[float] = (),
    step_deg: float = 0.1,
    thin_edge_mm: float = 1.0,
    edge_to_holes_mm: float = 5.0,
    wedge_length_mm: float = 15.0,
) -> StackAdvice:
    """Work out the stack height of a tilted body.

    Parameters
    ----------
    height_mm : float
        Record surface to the mounting face of the level body at its tracking force [mm].
    tip_to_mount_mm : float
        Stylus tip to the hole line, horizontally [mm].
    tilt_deg : float
        Tilt wanted, + = tail up [degrees].
    stock_wedges_deg : sequence of float, optional
        Angles in the drawer, + = for a tail-up tilt; an angle serves both senses when turned round.
    step_deg : float, optional
        A made wedge is rounded to this step [degrees].
    thin_edge_mm : float, optional
        Thickness at the thin edge [mm].
    edge_to_holes_mm : float, optional
        Thin edge to the hole line, along the body's face [mm].
    wedge_length_mm : float, optional
        Thin edge to thick edge, along the body's face [mm].

    Returns
    -------
    StackAdvice

    Raises
    ------
    FleetError
        If a figure is missing or impossible.
    """
    lengths = {
        "height_mm": height_mm,
        "tip_to_mount_mm": tip_to_mount_mm,
        "thin_edge_mm": thin_edge_mm,
        "edge_to_holes_mm": edge_to_holes_mm,
        "wedge_length_mm": wedge_length_mm,
    }
    _check(lengths, tilt_deg, step_deg)
    made = _stack("made_wedge", round(tilt_deg / step_deg) * step_deg, tilt_deg, lengths)
    both_ways = [sense * abs(angle) for angle in stock_wedges_deg for sense in (1.0, -1.0)]
    nearest = min(both_ways, key=lambda angle: abs(angle - tilt_deg), default=None)
    stock = None if nearest is None else _stack("stock_wedge", nearest, tilt_deg, lengths)
    bare = _stack("none", 0.0, tilt_deg, lengths)
    return StackAdvice(bare, stock, made, _sentence(bare, stock, made, tilt_deg))


def _check(lengths: dict[str, float], tilt_deg: float, step_deg: float) -> None:
    """Refuse impossible figures, each in one line."""
    for name, value in lengths.items():
        if not (math.isfinite(value) and value >= 0):
            raise FleetError(f"{name} is {value:g}; give a length of 0 mm or more")
    if not abs(tilt_deg) <= 20:
        raise FleetError(f"the tilt is {tilt_deg:g}; give it in degrees, from -20 to 20")
    if not step_deg > 0:
        raise FleetError(f"the wedge step is {step_deg:g}; give degrees above 0")
    if lengths["wedge_length_mm"] < lengths["edge_to_holes_mm"]:
        raise FleetError("the wedge is shorter than from its thin edge to the holes; check both lengths")


def _stack(kind: str, tilt: float, wanted: float, lengths: dict[str, float]) -> Stack:
    """One way of mounting; no tilt means no wedge."""
    height, thin = lengths["height_mm"], lengths["thin_edge_mm"]
    if tilt == 0:
        return Stack("none", 0.0, -wanted, 0.0, 0.0, 0.0, height, 0.0)
    holes, thick = (
        float(geometry.wedge_at_holes_mm(tilt, thin_edge_mm=thin, thin_edge_to_holes_mm=lengths[run]))
        for run in ("edge_to_holes_mm", "wedge_length_mm")
    )
    mount = lengths["tip_to_mount_mm"]
    top = float(
        geometry.stack_height_mm(height, tip_to_mount_mm=mount, tilt_deg=tilt, wedge_at_holes_mm=holes)
    )
    return Stack(kind, tilt, tilt - wanted, thin, holes, thick, top, top - height)


def _sentence(bare: Stack, stock: Stack | None, made: Stack, tilt_deg: float) -> str:
    """The figures in words."""
    tail = "level" if tilt_deg == 0 else f"tail {'up' if tilt_deg > 0 else 'down'} by {abs(tilt_deg):.2f}°"
    parts = [f"For a body {tail}: bare and level it stands {bare.height_mm:.2f} mm above the record"]
    for name, one in (("the nearest stock wedge", stock), ("a wedge made to measure", made)):
        if one is None or one.kind == "none":
            continue
        thin_end = "tail" if one.tilt_deg > 0 else "nose"
        parts.append(
            f"with {name} ({abs(one.tilt_deg):.2f}°, thin end to the {thin_end}; {one.thin_edge_mm:.2f} mm "
            f"growing to {one.thick_edge_mm:.2f} mm) the headshell is at {one.height_mm:.2f} mm, so raise "
            f"the arm by {one.arm_rise_mm:.2f} mm"
        )
    return "; ".join(parts) + "."

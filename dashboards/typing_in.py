"""The readings form of the bench page: what is known of the unit, and what is read, field by field."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

import streamlit as st

from dashboards import address
from dashboards.data import store_state
from dashboards.layout import Ready
from fleet.columns import CODE_PATTERN, COLUMNS
from fleet.errors import FleetError
from fleet.words import spoken

KIND: Final = {
    "body_family": "Body family",
    "stylus_profile": "Stylus",
    "cantilever_material": "Cantilever",
    "assembly_source": "Assembly source",
    "generator": "Generator",
    "bench": "Bench",
}
SIDE: Final = {
    "sra_static_deg": ("Rake, record still", 0.1, "%.2f"),
    "sra_dynamic_deg": ("Rake, record turning", 0.1, "%.2f"),
    "vta_dynamic_deg": ("Tracking angle, record turning", 0.1, "%.1f"),
    "tilt_room_deg": ("Tilt room", 0.1, "%.1f"),
}
FRONT: Final = {
    "azimuth_optical_deg": ("Azimuth as seen", 0.1, "%.1f"),
    "azimuth_electrical_deg": ("Azimuth, electrical", 0.1, "%.1f"),
    "zenith_deg": ("Zenith", 0.1, "%.1f"),
    "channel_balance_db": ("Channel balance", 0.1, "%.2f"),
}
UNIT: Final = {
    "vtf_mn": ("Tracking force", 0.5, "%.1f"),
    "compliance_um_per_mn": ("Compliance", 0.5, "%.1f"),
    "cantilever_length_mm": ("Cantilever length", 0.1, "%.1f"),
    "temperature_c": ("Temperature", 0.5, "%.1f"),
    "hours_used": ("Hours used", 50.0, "%.0f"),
    "height_mm": ("Height, top to tip", 0.1, "%.1f"),
    "tip_to_mount_mm": ("Tip to mounting line", 0.1, "%.1f"),
    "roll_applied_deg": ("Roll it stands at", 0.1, "%.1f"),
}
SENSE: Final = {
    "azimuth_optical_deg": "+ = clockwise, facing the nose",
    "azimuth_electrical_deg": "+ = clockwise, facing the nose",
    "zenith_deg": "+ = clockwise, seen from the record's side, looking at the tip",
    "roll_applied_deg": "+ = clockwise, facing the nose",
}
Told = tuple[tuple[str, str], ...]


def readings(found: Ready) -> Told:
    """Ask for the unit's make-up and its readings; return what was told, as text by column.

    Raises
    ------
    FleetError
        If a typed code can't be one.
    """
    told: dict[str, str | None] = {}
    levels = store_state.overview(found.path, found.revision).levels
    for cell, (name, label) in zip(st.columns(len(KIND)), KIND.items(), strict=True):
        with cell:
            told[name] = _code_or_word(name, label, levels[name])
    layout_rows = (("Seen from the side", SIDE), ("Seen from the front and from below", FRONT))
    for words, fields in layout_rows:
        st.markdown(f":small[**{words}**]")
        told |= _numbers(fields)
    with st.expander("The unit: force, compliance, length, temperature, hours, lengths for a wedge"):
        told |= _numbers(UNIT)
    return tuple((name, value) for name, value in told.items() if value is not None)


def read_anything(told: Told) -> bool:
    """Whether at least one reading is among what was told."""
    return bool({name for name, _ in told} & {*SIDE, *FRONT})


def _code_or_word(name: str, label: str, seen: Mapping[str, int]) -> str | None:
    column = COLUMNS[name]
    if column.kind == "word":
        options = [*seen, *(w for w in column.words if w not in seen)]
        return address.maybe(label, options, name, names=spoken, note=column.note)
    value = address.maybe(
        label, list(seen), name, names=str, note=f"{column.note}; a new code may be typed.", open_ended=True
    )
    if value is not None and re.fullmatch(CODE_PATTERN, value) is None:
        raise FleetError(
            f"{label.lower()}: {len(value)} characters that are no code; use letters, digits or _ . -"
        )
    return value


def _numbers(fields: Mapping[str, tuple[str, float, str]]) -> dict[str, str | None]:
    told: dict[str, str | None] = {}
    cells = st.columns(4)
    for i, (name, (label, step, shape)) in enumerate(fields.items()):
        column = COLUMNS[name]
        sense = f" {SENSE[name]}." if name in SENSE else ""
        with cells[i % 4]:
            value = st.number_input(
                f"{label} ({column.unit})",
                min_value=float(column.low or 0.0),
                max_value=float(column.high or 0.0),
                value=None,
                step=step,
                format=shape,
                key=name,
                placeholder="not read",
                bind="query-params",
                help=f"{column.note}; {column.accepts}.{sense}",
            )
        told[name] = None if value is None else f"{value:g}"
    return told

"""The enquiry form: what may be told of a pickup, each in its unit and range, all optional."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import streamlit as st

from dashboards import address
from dashboards.data import quotes, store_state
from dashboards.layout import Ready
from fleet.columns import CODE_PATTERN, COMPLIANCE_FREQUENCIES_HZ, ENQUIRY_COLUMNS
from fleet.errors import FleetError
from fleet.words import spoken

KIND: Final = {
    "body_family": "Body family",
    "stylus_profile": "Stylus",
    "cantilever_material": "Cantilever",
    "assembly_source": "Assembly source",
    "generator": "Generator",
}
FIGURES: Final = {
    "vtf_mn": ("Tracking force", 0.5, "%.1f"),
    "compliance_um_per_mn": ("Compliance", 0.5, "%.1f"),
    "cantilever_length_mm": ("Cantilever length", 0.1, "%.1f"),
    "tilt_room_deg": ("Tilt room", 0.1, "%.1f"),
    "temperature_c": ("Bench temperature", 0.5, "%.1f"),
    "hours_used": ("Hours used", 50.0, "%.0f"),
}
EARLIER: Final = {
    "sra_static_deg": ("Rake, record still", 0.1, "%.2f"),
    "vta_dynamic_deg": ("Tracking angle, record turning", 0.1, "%.1f"),
}
FREQUENCY_WORDS: Final = {0.0: "static", 10.0: "10 Hz", 100.0: "100 Hz"}


def facts(found: Ready, levels: Mapping[str, Sequence[str]] | None = None) -> quotes.Facts:
    """Ask for everything an enquiry may tell; return what was told.

    Parameters
    ----------
    found : the store.
    levels : the only codes to offer, by column, without counts beside them; None offers the store's own.

    Raises
    ------
    FleetError
        If a typed code can't be one.
    """
    told: dict[str, str | float | None] = {}
    known = {} if levels is not None else store_state.overview(found.path, found.revision).levels
    for cell, (name, label) in zip(st.columns(len(KIND)), KIND.items(), strict=True):
        with cell:
            if levels is None:
                told[name] = _code_or_word(name, label, known[name])
            else:
                told[name] = address.maybe(label, list(levels[name]), name, note=ENQUIRY_COLUMNS[name].note)
    with st.expander("Figures: force, compliance, length, room, temperature, hours"):
        told |= _numbers(FIGURES)
        told["compliance_frequency_hz"] = _frequency()
    with st.expander("From an earlier visit or the owner: rake, tracking angle"):
        told |= _numbers(EARLIER)
    return tuple(sorted((name, value) for name, value in told.items() if value is not None))


def _code_or_word(name: str, label: str, seen: Mapping[str, int]) -> str | None:
    column = ENQUIRY_COLUMNS[name]

    def counted(code: str) -> str:
        return f"{spoken(code)} · {seen[code]}" if code in seen else spoken(code)

    if column.kind == "word":
        options = [*seen, *(w for w in column.words if w not in seen)]
        return address.maybe(label, options, name, names=counted, note=f"{column.note}; with sheets of it.")
    told = (
        f"{column.note}; with sheets of it, the most measured first. A code never seen before may be typed."
    )
    value = address.maybe(label, list(seen), name, names=counted, note=told, open_ended=True)
    if value is not None and re.fullmatch(CODE_PATTERN, value) is None:
        raise FleetError(
            f"{label.lower()}: {len(value)} characters that are no code; use letters, digits or _ . -"
        )
    return value


def _numbers(fields: dict[str, tuple[str, float, str]]) -> dict[str, str | float | None]:
    told: dict[str, str | float | None] = {}
    cells = st.columns(max(3, len(fields) // 2))
    for i, (name, (label, step, shape)) in enumerate(fields.items()):
        column = ENQUIRY_COLUMNS[name]
        with cells[i % len(cells)]:
            told[name] = st.number_input(
                f"{label} ({column.unit})",
                min_value=float(column.low or 0.0),
                max_value=float(column.high or 0.0),
                value=None,
                step=step,
                format=shape,
                key=name,
                placeholder="not told",
                bind="query-params",
                help=f"{column.note}; {column.accepts}.",
            )
    return told


def _frequency() -> float | None:
    chosen = address.maybe(
        "Compliance told at",
        [f"{f:g}" for f in COMPLIANCE_FREQUENCIES_HZ],
        "compliance_frequency_hz",
        names=lambda f: FREQUENCY_WORDS[float(f)],
        note=ENQUIRY_COLUMNS["compliance_frequency_hz"].note,
    )
    return None if chosen is None else float(chosen)

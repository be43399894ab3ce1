"""The form of what is known of a pickup and what was read of it, field by field, all optional."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

import streamlit as st

from dashboards import state
from dashboards.data import store_state
from dashboards.layout import Ready
from fleet.columns import (
    CODE_PATTERN,
    COLUMNS,
    COMPLIANCE_FREQUENCIES_HZ,
    ENQUIRY_COLUMNS,
    READ_BY,
    READERS,
    Column,
)
from fleet.errors import FleetError
from fleet.policy.own_target import OWN, REASON
from fleet.words import READER_WORDS, REASONS, plain_word, quantity

STEPS: Final = {"vtf_mn": 0.5, "compliance_um_per_mn": 0.5, "temperature_c": 0.5, "hours_used": 50.0}
FREQUENCY_WORDS: Final = {0.0: "static", 10.0: "10 Hz", 100.0: "100 Hz"}
Told = dict[str, str | float]


def enquiry(found: Ready, levels: Mapping[str, Sequence[str]] | None = None) -> Told:
    """Ask for everything that an enquiry may tell; return what was told, by column.

    Parameters
    ----------
    found : the store.
    levels : the only codes to offer, by column, without counts beside them; None offers the store's own.

    Raises
    ------
    FleetError
        If a typed code can't be one.
    """
    told = _codes(found, state.KIND, ENQUIRY_COLUMNS, levels)
    with st.expander("Figures: force, compliance, length, room, temperature, hours"):
        told |= _figures(state.FIGURES, ENQUIRY_COLUMNS, "not told")
        frequency = state.maybe(
            "Compliance told at",
            [f"{f:g}" for f in COMPLIANCE_FREQUENCIES_HZ],
            state.FREQUENCY,
            names=lambda f: FREQUENCY_WORDS[float(f)],
            note=ENQUIRY_COLUMNS[state.FREQUENCY].note,
        )
        told |= {} if frequency is None else {state.FREQUENCY: float(frequency)}
    with st.expander("Read of this very unit before: rake, tracking angle"):
        read = _figures(state.EARLIER, ENQUIRY_COLUMNS, "not told")
        reader = state.maybe(
            "Read by",
            READERS,
            state.READER,
            names=lambda word: READER_WORDS[word][0],
            note="Whoever read it, the quote trusts it as far as the policy says. Empty: a bench.",
            nothing="a bench",
        )
        told |= read | ({READ_BY[name]: reader for name in read} if reader is not None else {})
    _empty(state.ENQUIRY, told)
    return told


def bench(found: Ready) -> Told:
    """Ask for the unit's make-up and its readings; return what was told, by column.

    Raises
    ------
    FleetError
        If a typed code can't be one.
    """
    told = _codes(found, (*state.KIND, "bench"), COLUMNS, None)
    for words, fields in (
        ("Seen from the side", state.SIDE),
        ("Seen from the front and from below", state.FRONT),
    ):
        st.markdown(f":small[**{words}**]")
        told |= _figures(fields, COLUMNS, "not read")
    with st.expander("The unit: force, compliance, length, temperature, hours, lengths for a wedge"):
        told |= _figures(state.UNIT, COLUMNS, "not read")
    with st.expander("A target of this unit's own, in place of the policy's, and why"):
        told |= _figures(OWN, COLUMNS, "the policy's")
        why = state.maybe(
            _long(REASON),
            COLUMNS[REASON].words,
            REASON,
            names=lambda word: REASONS[word],
            note=COLUMNS[REASON].note,
            nothing="needed with a target",
        )
        told |= {} if why is None else {REASON: why}
    _empty((*state.BENCH, *state.SAVE), told)
    return told


def _empty(keys: Sequence[str], told: Told) -> None:
    if told:
        st.button("Empty the form", on_click=state.clear, args=(keys,), icon=":material/backspace:")


def _codes(
    found: Ready,
    fields: Sequence[str],
    columns: Mapping[str, Column],
    levels: Mapping[str, Sequence[str]] | None,
) -> Told:
    known: Mapping[str, Mapping[str, int]] = {name: {} for name in fields}
    if levels is None and found.revision:
        known = store_state.overview(found.path, found.revision).levels
    told: Told = {}
    for cell, name in zip(st.columns(len(fields)), fields, strict=True):
        with cell:
            if levels is None:
                value = _code_or_word(columns[name], name, known[name])
            else:
                value = state.maybe(_long(name), list(levels[name]), name, note=columns[name].note)
        told |= {} if value is None else {name: value}
    return told


def _code_or_word(column: Column, name: str, seen: Mapping[str, int]) -> str | None:
    def counted(code: str) -> str:
        return f"{plain_word(code)} · {seen[code]}" if code in seen else plain_word(code)

    if column.kind == "word":
        options = [*seen, *(w for w in column.words if w not in seen)]
        note = f"{column.note}; with sheets of it."
        return state.maybe(_long(name), options, name, names=counted, note=note)
    note = (
        f"{column.note}; with sheets of it, the most measured first. A code never seen before may be typed."
    )
    value = state.maybe(_long(name), list(seen), name, names=counted, note=note, open_ended=True)
    if value is not None and re.fullmatch(CODE_PATTERN, value) is None:
        raise FleetError(
            f"{quantity(name).long}: {len(value)} characters that are no code; use letters, digits or _ . -"
        )
    return value


def _figures(fields: Sequence[str], columns: Mapping[str, Column], nothing: str) -> Told:
    told: Told = {}
    cells = st.columns(3 if len(fields) % 4 else 4)
    for i, name in enumerate(fields):
        column = columns[name]
        sense = f" {quantity(name).sense}." if quantity(name).sense else ""
        with cells[i % len(cells)]:
            value = state.number(
                _capital(quantity(name).title),
                name,
                float(column.low or 0.0),
                float(column.high or 0.0),
                step=STEPS.get(name, 0.1),
                shape=f"%.{quantity(name).digits}f",
                nothing=nothing,
                note=f"{column.note}; {column.accepts}.{sense}",
            )
        told |= {} if value is None else {name: value}
    return told


def _long(name: str) -> str:
    return _capital(quantity(name).long)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]

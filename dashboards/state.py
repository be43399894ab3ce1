"""Every page's choices: their keys named once, kept as codes in the session and in the address alike.

What is chosen or typed on a page is its own: a widget's key carries its page, so no other page sees it. A
page left is found again whole, as it was left; an address that says something else (a link, the browser's way
back) replaces the page's choices whole. The address that comes with a field just changed is the one that the
browser had by then, older than what was typed: there the page's choices win. Addresses are made of codes, so
a link stays good when a word on the screen changes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any, Final, cast

import streamlit as st

from fleet.policy.own_target import OWN, REASON
from fleet.words import plain_word

KIND: Final = ("body_family", "stylus_profile", "cantilever_material", "assembly_source", "generator")
FIGURES: Final = (
    "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "tilt_room_deg", "temperature_c", "hours_used",
)  # fmt: skip
FREQUENCY: Final = "compliance_frequency_hz"
EARLIER: Final = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg")
READER: Final = "read_by"
SIDE: Final = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "tilt_room_deg")
FRONT: Final = ("azimuth_optical_deg", "azimuth_electrical_deg", "zenith_deg", "channel_balance_db")
UNIT: Final = (
    "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "temperature_c", "hours_used",
    "height_mm", "tip_to_mount_mm", "roll_applied_deg",
)  # fmt: skip
ENQUIRY: Final = (*KIND, *FIGURES, FREQUENCY, *EARLIER, READER)
SAVE: Final = ("save_number", "save_day", "save_sure")
INTAKE: Final = ("file", "guide", "supersede", "confirm", "report")
BENCH: Final = (*KIND, "bench", *SIDE, *FRONT, *UNIT, *OWN, REASON)
POLICY: Final = ("if_rake", "if_tracking", "if_lower", "if_clearance")
PAGES: Final[dict[str, tuple[str, ...]]] = {
    "enquiry": (*ENQUIRY, "policy", "keep_number"),
    "on_the_bench": (*BENCH, *SAVE, "policy"),
    "normal": ("kind", "family", "source", "fault", "from", "to", "open", "policy"),
    "unit": ("sheet", "policy", "paper"),
    "suspects": ("show", "fdr", "fault", "source", "since", "groups"),
    "distributions": (
        "quantity", "reading", "by", "stylus", "source", "since", "of", "first", "second",
        "per",
    ),
    "attainment": ("by", "target", "state", "per", "since", "policy", "of", "of_them", *POLICY),
    "bench": ("bench", "reading", "baseline", "policy", "habit"),
    "record": ("source", "by", "per", "quantity"),
    "sheets": ("find", "stylus", "family", "source", "operator", "sheet_no", *INTAKE),
}  # fmt: skip
"""Keys of each page, by its path; in the address they stand as they are, in the session with their page."""
_PAGE, _KEPT, _TOUCHED, _GO = "@page", "@kept", "@touched", "@go"


def enter(page: str) -> None:
    """Bring a page's choices back: as its address says, or where that says nothing as they were left.

    Parameters
    ----------
    page : its path; every widget drawn until the next call is this page's.
    """
    kept = st.session_state.setdefault(_KEPT, {})
    asked = {key: codes for key in PAGES[page] if (codes := st.query_params.get_all(key))}
    came = st.session_state.get(_PAGE) != page
    typed = st.session_state.pop(_TOUCHED, None) == page
    st.session_state[_PAGE] = page
    if typed and not came:
        for key in PAGES[page]:
            _say(key, kept[page].get(key, []))
        return
    if came and not asked:
        for key, codes in kept.setdefault(page, {}).items():
            st.query_params[key] = codes
    elif came or asked != kept.get(page):
        kept[page] = asked
    else:
        return
    _forget(PAGES[page])


def touch() -> None:
    """Note that something on this page was changed or pressed: the address that came with it may be old."""
    st.session_state[_TOUCHED] = st.session_state.get(_PAGE)


def settle() -> None:
    """Take what was changed in a part that is drawn by itself as done; where it asks for a page, go there."""
    st.session_state.pop(_TOUCHED, None)
    if _GO in st.session_state:
        st.rerun()


def name(key: str) -> str:
    """A widget's key on the page that is drawn."""
    page = st.session_state[_PAGE]
    if key not in PAGES[page]:
        raise KeyError(f"{key} is no key of the page {page}")
    return f"{page}.{key}"


def read(key: str) -> list[str]:
    """The codes that are kept under a key of this page."""
    return list(st.session_state[_KEPT][st.session_state[_PAGE]].get(key, []))


def now(key: str) -> str | None:
    """What stands under a key of this page now, before its widget is drawn."""
    own = name(key)
    if own in st.session_state:
        value = st.session_state[own]
        return None if value is None else str(value)
    return next(iter(read(key)), None)


def go_to(page: str, **address: str) -> None:
    """Ask for another page, as its address says; it is opened before this page is drawn again."""
    st.session_state[_GO] = page, address


def go_to_unit(sheet_no: str) -> None:
    """Ask for the page of a unit."""
    go_to("unit", sheet=sheet_no)


def gone_to() -> tuple[str, dict[str, str]] | None:
    """The page that was asked for and what stands in its address, once."""
    asked: tuple[str, dict[str, str]] | None = st.session_state.pop(_GO, None)
    return asked


def choose(key: str, value: Any) -> None:
    """Set a widget of this page from a click elsewhere on it."""
    touch()
    st.session_state[name(key)] = value


def clear(keys: Sequence[str]) -> None:
    """Empty fields of this page, all of them at once."""
    touch()
    _forget(keys)
    for key in keys:
        _write(key, [])


def _forget(keys: Sequence[str]) -> None:
    for key in keys:
        if name(key) in st.session_state:
            del st.session_state[name(key)]


def _write(key: str, codes: Sequence[str]) -> None:
    kept = st.session_state[_KEPT][st.session_state[_PAGE]]
    kept.pop(key, None)
    if codes:
        kept[key] = list(codes)
    _say(key, codes)


def _say(key: str, codes: Sequence[str]) -> None:
    if st.query_params.get_all(key) != list(codes):
        if codes:
            st.query_params[key] = list(codes)
        else:
            st.query_params.pop(key, None)


def _adopt(key: str, value: Callable[[list[str]], Any]) -> str:
    """The widget's key; where it has no value yet it gets the one that is kept."""
    own = name(key)
    if own not in st.session_state:
        st.session_state[own] = value(read(key))
    return own


def pick(
    label: str,
    options: Sequence[str],
    key: str,
    *,
    names: dict[str, str] | None = None,
    note: str | None = None,
) -> str:
    """Offer one of several; the first is the one that needs no mention in the address."""
    wording = names or {}
    own = _adopt(key, lambda codes: codes[0] if codes else options[0])
    if st.session_state[own] not in options:
        st.session_state[own] = options[0]
    chosen = str(
        st.selectbox(
            label,
            options,
            key=own,
            format_func=lambda o: wording.get(o, plain_word(o)),
            help=note,
            on_change=touch,
        )
    )
    _write(key, [] if chosen == options[0] else [chosen])
    return chosen


def several(
    label: str, options: Sequence[str], key: str, *, names: Callable[[str], str] = plain_word
) -> list[str]:
    """Offer any number of several; none chosen means all."""
    own = _adopt(key, list)
    kept = [value for value in st.session_state[own] if value in options]
    if kept != st.session_state[own]:
        st.session_state[own] = kept
    told = st.multiselect(label, options, key=own, format_func=names, placeholder="any", on_change=touch)
    chosen = [str(value) for value in told]
    _write(key, chosen)
    return chosen


def maybe(
    label: str,
    options: Sequence[str],
    key: str,
    *,
    names: Callable[[str], str] = plain_word,
    note: str | None = None,
    nothing: str = "not told",
    open_ended: bool = False,
) -> str | None:
    """Offer one of several or none.

    Parameters
    ----------
    label, options, key, note : as a list has them.
    names : how an option is shown.
    nothing : what an empty field says.
    open_ended : whether something that isn't in the list may be typed.
    """
    own = _adopt(key, lambda codes: codes[0] if codes else None)
    now = st.session_state[own]
    if now is not None and now not in options:
        if open_ended:
            options = [*options, now]
        else:
            st.session_state[own] = None
    chosen = st.selectbox(
        label,
        list(options),
        index=None,
        key=own,
        format_func=names,
        placeholder=nothing,
        accept_new_options=open_ended,
        help=note,
        on_change=touch,
    )
    _write(key, [] if chosen is None else [str(chosen)])
    return None if chosen is None else str(chosen)


def number(
    label: str, key: str, low: float, high: float, *, step: float, shape: str, nothing: str, note: str
) -> float | None:
    """Offer a field for a figure, or none.

    Parameters
    ----------
    label, key, note : as a list has them.
    low, high : the range that is accepted.
    step, shape : of the field's arrows and of how it is written (printf).
    nothing : what an empty field says.
    """
    own = _adopt(key, lambda codes: _figure(codes, low, high))
    value = st.number_input(
        label,
        low,
        high,
        None,
        step,
        format=shape,
        key=own,
        placeholder=nothing,
        help=note,
        on_change=touch,
    )
    _write(key, [] if value is None else [f"{value:.10g}"])
    return value


def slider(label: str, key: str, low: float, high: float, start: float, step: float) -> float:
    """Offer a figure by slider; where it starts needs no mention in the address."""
    start = float(start)
    own = _adopt(key, lambda codes: start if (value := _figure(codes, low, high)) is None else value)
    value = float(st.slider(label, low, high, step=step, key=own, on_change=touch))
    _write(key, [] if value == start else [f"{value:.10g}"])
    return value


def span(
    label: str, key: str, low: float, high: float, start: tuple[float, float], step: float
) -> tuple[float, float]:
    """Offer a span by slider; where it starts needs no mention in the address."""
    start = (float(start[0]), float(start[1]))

    def told(codes: list[str]) -> tuple[float, float]:
        ends = [value for code in codes if (value := _figure([code], low, high)) is not None]
        return (min(ends), max(ends)) if len(ends) == len(codes) == 2 else start

    own = _adopt(key, told)
    first, last = cast(
        "tuple[float, float]", st.slider(label, low, high, step=step, key=own, on_change=touch)
    )
    _write(key, [] if (first, last) == start else [f"{first:.10g}", f"{last:.10g}"])
    return first, last


def text(label: str, key: str, nothing: str) -> str:
    """Offer a field for a word."""
    own = _adopt(key, lambda codes: codes[0] if codes else "")
    value = st.text_input(label, key=own, placeholder=nothing, on_change=touch).strip()
    _write(key, [value] if value else [])
    return value


def day(label: str, key: str) -> dt.date | None:
    """Offer a day, or none."""
    own = _adopt(key, _day)
    value = st.date_input(label, None, format="YYYY-MM-DD", key=own, on_change=touch)
    told = value if isinstance(value, dt.date) else None
    _write(key, [] if told is None else [told.isoformat()])
    return told


def switch(label: str, key: str) -> bool:
    """Offer something that is off until it is asked for."""
    on = st.toggle(label, key=_adopt(key, lambda codes: codes == ["true"]), on_change=touch)
    _write(key, ["true"] if on else [])
    return on


def _day(codes: Sequence[str]) -> dt.date | None:
    try:
        return dt.date.fromisoformat(codes[0])
    except (IndexError, ValueError):
        return None


def _figure(codes: Sequence[str], low: float, high: float) -> float | None:
    try:
        value = float(codes[0])
    except (IndexError, ValueError):
        return None
    return value if low <= value <= high else None

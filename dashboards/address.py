"""Choices that stand in the page's address, as codes: a link opens the same view again.

A widget's value and the address are kept alike here, not by the widget itself, because the widget would write
the words that it shows; links made of codes stay good when a word on the screen changes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import streamlit as st

from fleet.words import spoken

_WRITTEN: Final = "@address"


def read(key: str, allowed: Callable[[str], bool] | None = None) -> list[str]:
    """Values that the address has for a key, those that can be meant."""
    return [value for value in st.query_params.get_all(key) if allowed is None or allowed(value)]


def write(key: str, values: Sequence[str]) -> None:
    """Put values into the address; none takes the key out."""
    if st.query_params.get_all(key) != list(values):
        if values:
            st.query_params[key] = list(values)
        else:
            st.query_params.pop(key, None)
    st.session_state[key + _WRITTEN] = list(values)


def changed(key: str) -> bool:
    """Whether the address says something that this page didn't write: a link, or the browser's way back."""
    return bool(st.query_params.get_all(key) != st.session_state.get(key + _WRITTEN, []))


def _adopt(key: str, allowed: Callable[[str], bool], empty: Any, *, several: bool = False) -> None:
    """Take the address's value into the widget, where the address was changed from outside."""
    if not changed(key):
        return
    asked = read(key, allowed)
    st.session_state[key] = asked if several else (asked[0] if asked else empty)


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
    _adopt(key, lambda value: value in options, options[0])
    if st.session_state.get(key) not in options:
        st.session_state.pop(key, None)
    chosen = str(
        st.selectbox(label, options, key=key, format_func=lambda o: wording.get(o, spoken(o)), help=note)
    )
    write(key, [] if chosen == options[0] else [chosen])
    return chosen


def several(
    label: str,
    options: Sequence[str],
    key: str,
    *,
    names: Callable[[str], str] = spoken,
    note: str | None = None,
) -> list[str]:
    """Offer any number of several; none chosen means all."""
    _adopt(key, lambda value: value in options, [], several=True)
    kept = [value for value in st.session_state.get(key, []) if value in options]
    if key in st.session_state:
        st.session_state[key] = kept
    chosen = st.multiselect(label, options, key=key, format_func=names, placeholder="any", help=note)
    write(key, [str(value) for value in chosen])
    return [str(value) for value in chosen]


def maybe(
    label: str,
    options: Sequence[str],
    key: str,
    *,
    names: Callable[[str], str] = spoken,
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
    _adopt(key, lambda value: open_ended or value in options, None)
    now = st.session_state.get(key)
    if now is not None and not open_ended and now not in options:
        st.session_state[key] = None
    chosen = st.selectbox(
        label,
        list(options) if now is None or now in options else [*options, now],
        index=None,
        key=key,
        format_func=names,
        placeholder=nothing,
        accept_new_options=open_ended,
        help=note,
    )
    write(key, [] if chosen is None else [str(chosen)])
    return None if chosen is None else str(chosen)


def drop(*keys: str) -> None:
    """Forget choices and take them out of the address."""
    for key in keys:
        st.session_state.pop(key, None)
        write(key, [])


def adopt_text(key: str) -> None:
    """Take what the address says into a text field, before it is drawn."""
    _adopt(key, lambda value: True, "")

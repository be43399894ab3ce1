"""What every page shares: question, answer, picture, table, next step; and words for missing data."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import wraps
from typing import Final, ParamSpec

import altair as alt
import pandas as pd
import streamlit as st

from dashboards import state
from dashboards.data import judged_by, store_state
from dashboards.numbers import sortable
from fleet.charts.style import DARK, LIGHT, Look
from fleet.errors import FleetError, NoModelError, NoStoreError, StoreBusyError
from fleet.numerals import NOT_KNOWN
from fleet.output import csv_text, xlsx_bytes
from fleet.policy.files import pick_policy
from fleet.policy.policy import Policy

_Given = ParamSpec("_Given")
EVERYTHING: Final = "all"
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
DONE: Final = "@done"
"""Where the session keeps a line to be said once, after the page is drawn again."""
ICON: Final = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32">
<rect width="32" height="32" rx="6" fill="#0072B2"/>
<path d="M5 9L21 20" stroke="#fff" stroke-width="4" stroke-linecap="round"/>
<path d="M21 20l-2 6" stroke="#E69F00" stroke-width="4" stroke-linecap="round"/></svg>"""
"""A cantilever and its stylus. Drawn here because an icon by name would be fetched from another host."""


@dataclass(frozen=True)
class Ready:
    """What a page may draw from: the store's path and the state it was found in."""

    path: str
    revision: str


def part(draw: Callable[_Given, None]) -> Callable[_Given, None]:
    """Make a function a part of its page that is drawn again by itself when something in it is changed.

    What it asks is kept as the page's own choices are; a fault is a line in its place.
    """

    @st.fragment
    @wraps(draw)
    def drawn(*args: _Given.args, **options: _Given.kwargs) -> None:
        state.settle()
        try:
            draw(*args, **options)
        except FleetError as error:
            explain(error)

    return drawn


def question(title: str, about: str) -> None:
    """Head a page with the one question that it answers."""
    st.title(title)
    note(about)


def quoting() -> tuple[Ready, bool]:
    """What an enquiry is answered from: the store, or before its first fit mechanics and common practice.

    Returns
    -------
    Ready and bool
        The store, and whether the house model stands on its sheets; where not, the page has said so.
    """
    path = store_state.store_path()
    found = Ready(path, store_state.revision(path))
    try:
        if store_state.quoting_house(found.path, found.revision).units > 0:
            return ready(model=True), True
        sheets = store_state.overview(found.path, found.revision).unit_sheets if found.revision else 0
    except FleetError as error:
        explain(error)
        st.stop()
    what = f"{sheets} bench sheets, but no house model" if sheets else "no bench sheet of a unit"
    st.info(
        plain(
            f"There is {what} in the store yet: mechanics and common practice answer alone, so ranges are "
            "wide, and no family or source is known."
        ),
        icon=":material/info:",
    )
    if sheets:
        offer_refit(path)
    else:
        st.page_link(
            "workshop_pages/sheets.py", label="Take your bench sheets in", icon=":material/upload_file:"
        )
    return found, False


def offer_refit(path: str) -> None:
    """Offer to fit the house model here and now."""
    if st.button(
        "Fit the house model now", key="refit", icon=":material/model_training:", on_click=state.touch
    ):
        try:
            with st.spinner("Fitting the house model; a large store takes minutes …"):
                st.session_state[DONE] = store_state.fit_again(path)
        except FleetError as error:
            explain(error)
        else:
            st.rerun()


def say_done() -> None:
    """Say once what was done before the page was drawn again."""
    done = st.session_state.pop(DONE, None)
    if done is not None:
        st.success(plain(done))


def ready(*, model: bool) -> Ready:
    """Make sure that there is something to show, else say in a sentence what to run and stop the page.

    Parameters
    ----------
    model : whether the page can't do without the house model.
    """
    path = store_state.store_path()
    found = Ready(path, store_state.revision(path))
    say_done()
    try:
        held = store_state.overview(found.path, found.revision)
    except FleetError as error:
        explain(error)
        st.stop()
    if not held.unit_sheets:
        empty("There is no bench sheet of a unit in the store yet.", "fleet intake FILE")
        st.stop()
    if model:
        _model_or_stop(found, held.sheets)
    return found


def _model_or_stop(found: Ready, sheets: int) -> None:
    try:
        age = store_state.model_age(found.path, found.revision)
    except FleetError as error:
        if sheets < 3:
            told = "There is one bench sheet" if sheets == 1 else f"There are {sheets} bench sheets"
            empty(f"{told} in the store: too few to say what is normal. Take more in.", "fleet intake FILE")
        elif isinstance(error, NoModelError):
            empty("There are sheets, but no house model yet: it has to be fitted once.", "fleet refit")
            offer_refit(found.path)
        else:
            explain(error)
        st.stop()
    if age > 0:
        st.info("Sheets came in since the house model was fitted; `fleet refit` brings it up to date.")
        offer_refit(found.path)


def explain(error: FleetError) -> None:
    """Say one line about what could not be done, and the command that helps where there is one."""
    text = str(error)
    if isinstance(error, NoStoreError):
        empty(f"There is no store at {store_state.store_path()} yet.", "fleet intake FILE", "fleet demo")
    elif isinstance(error, StoreBusyError):
        st.warning(plain(f"{text[:1].upper()}{text[1:]}"), icon=":material/lock:")
        st.button("Try again", key="again", on_click=state.touch)
    else:
        st.error(plain(f"{text[:1].upper()}{text[1:]}"))


def empty(sentence: str, *commands: str) -> None:
    """Say why there is nothing to show and which command changes that."""
    st.info(plain(sentence))
    st.write("Run this in a terminal, then reload the page:" if len(commands) == 1 else "Run one of these:")
    st.code("\n".join(commands), language="shell")


def note(text: str) -> None:
    """Add a remark in small letters, in ink that has the contrast of the rest (greyed captions haven't)."""
    if text:
        st.markdown(f":small[{plain(text.strip())}]")


def answer(sentence: str) -> None:
    """Give the page's answer in a sentence, before any picture."""
    with st.container(border=True):
        st.markdown(f"**{plain(sentence)}**")


def plain(text: str) -> str:
    """Keep signs of the trade from being read as markup; a command between backquotes stays one."""
    for sign in ("\\", "*", "_", "$", "[", "]", "~", "#", ":", "<", ">", "!", "|"):
        text = text.replace(sign, f"\\{sign}")
    return text


def look() -> Look:
    """Ink that can be read on the ground the browser shows."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def show(chart: alt.LayerChart, key: str) -> None:
    """Draw a chart as wide as its place; its description is what a screen reader says."""
    st.altair_chart(chart, width="stretch", key=key)


def table(frame: pd.DataFrame, key: str, *, rows: int = 12) -> None:
    """Show a small table under a picture."""
    height = 38 + 35 * min(max(len(frame), 1), rows)
    st.dataframe(
        sortable(frame),
        hide_index=True,
        width="stretch",
        height=height,
        key=key,
        placeholder=NOT_KNOWN,
        alt=table_in_words(frame),
    )


def table_in_words(frame: pd.DataFrame) -> str:
    """What a screen reader says of a table: rows and first columns, so that no two of a page sound alike."""
    return f"Table with {len(frame)} rows: {', '.join(map(str, frame.columns[:4]))}"


def download(frame: pd.DataFrame, name: str, key: str) -> None:
    """Offer a judgement's table as CSV and XLSX, its texts defused as the command line's are."""
    with st.container(horizontal=True):
        st.download_button(
            "Table as CSV",
            lambda: csv_text(frame).encode(),
            f"{name}.csv",
            "text/csv",
            key=key,
            on_click="ignore",
        )
        st.download_button(
            "Table as XLSX",
            lambda: xlsx_bytes(frame),
            f"{name}.xlsx",
            XLSX,
            key=f"{key}_xlsx",
            on_click="ignore",
        )


def next_steps(lines: Iterable[str]) -> None:
    """End a page with what to do now."""
    st.header("What to do next")
    st.markdown("\n".join(f"- {plain(line)}" for line in lines))


def since(found: Ready, key: str = "since") -> int | None:
    """Offer to count only sheets measured from a year on."""
    options = [EVERYTHING, *(str(y) for y in store_state.overview(found.path, found.revision).years)]
    chosen = state.pick("Since", options, key, names={EVERYTHING: "the start"})
    return None if chosen == EVERYTHING else int(chosen)


def policy(key: str = "policy") -> Policy:
    """The target policy to judge by; asked only where there is more than one."""
    known = judged_by.policies()
    if len(known) == 1:
        return next(iter(known.values()))
    return pick_policy(known, state.pick("Target policy", list(known), key))

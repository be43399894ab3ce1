"""The suspect list: its filters, and picking one sheet by click, keyboard or link."""

from __future__ import annotations

from typing import Final

import pandas as pd
import streamlit as st

from dashboards import address, layout
from dashboards.data import suspects
from fleet.charts.suspects import ranked
from fleet.words import fault_words

FALSE_SHARES: Final = ("5%", "1%", "10%", "20%")
MOST_LISTED: Final = 300
FLAGGED, WHOLE, OPEN = "flagged", "all", "open"
SHOWN: Final = {
    FLAGGED: "flagged units",
    OPEN: "flagged, no verdict yet",
    WHOLE: "all units",
}


def suspect_list(found: layout.Ready) -> tuple[suspects.Listed, pd.DataFrame]:
    """Ask for filters; return the judged list and the part of it that is to be shown."""
    cells = st.columns(5)
    with cells[0]:
        show = address.pick("Show", list(SHOWN), "show", names=SHOWN)
    with cells[1]:
        share = address.pick("False alarms allowed", FALSE_SHARES, "fdr", names={s: s for s in FALSE_SHARES})
    listed = suspects.suspected(found.path, found.revision, float(share.removesuffix("%")) / 100.0)
    shown = listed.table
    with cells[2]:
        faults = address.several(
            "Likeliest cause",
            sorted(shown["leading_fault"].dropna().unique()),
            "fault",
            names=lambda f: fault_words(str(f)),
        )
    with cells[3]:
        sources = address.several("Source", sorted(shown["assembly_source"].dropna().unique()), "source")
    with cells[4]:
        since = layout.since(found)
    return listed, narrowed(shown, show, faults, sources, since)


def narrowed(
    table: pd.DataFrame, show: str, faults: list[str], sources: list[str], since: int | None
) -> pd.DataFrame:
    """The rows that pass the filters; the order stays."""
    keep = pd.Series(True, index=table.index)
    if show != WHOLE:
        keep &= table["flagged"].astype(bool)
    if show == OPEN:
        keep &= table["verdict"].isna()
    if faults:
        keep &= table["leading_fault"].isin(faults)
    if sources:
        keep &= table["assembly_source"].isin(sources)
    if since is not None:
        keep &= pd.to_datetime(table["measured_on"]).dt.year >= since
    return table[keep]


def suspect(table: pd.DataFrame, shown: pd.DataFrame) -> str | None:
    """Show the list and return the sheet picked in it, by its box, or by the address; None if there is none.

    Parameters
    ----------
    table : every judged sheet (a link may name one that the filters hide).
    shown : the rows to list.
    """
    head = shown.head(MOST_LISTED)
    numbers = head["sheet_no"].tolist()

    def picked() -> None:
        rows = st.session_state["list"]["selection"]["rows"]
        if rows and rows[0] < len(numbers):
            st.session_state["sheet"] = numbers[rows[0]]

    if numbers:
        st.dataframe(
            ranked(head),
            hide_index=True,
            width="stretch",
            height=38 + 35 * min(len(head), 8),
            key="list",
            on_select=picked,
            selection_mode="single-row",
            alt=f"List of {len(head)} sheets, the most suspect first; the first is {numbers[0]}",
        )
    if len(shown) > len(head):
        layout.note(f"The first {len(head)} of {len(shown)}; the filters narrow the list.")
    known = set(table["sheet_no"])
    asked = next(iter(address.read("sheet")), None) if address.changed("sheet") else None
    asked = asked or st.session_state.get("sheet")
    options = numbers if asked in numbers or asked not in known else [*numbers, str(asked)]
    if not options:
        st.info("No sheet passes these filters; choose all units, or fewer filters.")
        return None
    return address.pick(
        "Look at sheet", options, "sheet", names={n: n for n in options}, note="Or click a row of the list."
    )

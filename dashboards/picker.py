"""From a figure to the units behind it and from a list to one unit: by a mark, a row, a box or a link."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from typing import Any, Final, Literal

import altair as alt
import pandas as pd
import streamlit as st

from dashboards import layout, state
from dashboards.data.suspects import Listed, ranked_suspects
from dashboards.numbers import sortable
from fleet.attainment.distributions import Quantity
from fleet.charts import suspects as unit_charts
from fleet.numerals import NOT_KNOWN, figure, percent
from fleet.words import fault_words, plain_word

OF: Final = "of"
CLICK: Final = "picked"
PLANE_PX: Final = 560
"""Room for a picture with equal axes and its labels."""
PAPER: Final = "paper"
"""Heading of the column whose cells open a unit's paper."""
MOST_LISTED: Final = 300
FALSE_SHARES: Final = ("0.05", "0.01", "0.1", "0.2")
FLAGGED, WHOLE, OPEN = "flagged", "all", "open"
SHOWN: Final = {
    FLAGGED: "flagged units",
    OPEN: "flagged, no verdict yet",
    WHOLE: "all units",
}


def clickable(chart: alt.LayerChart, field: str) -> alt.LayerChart:
    """Let a click on a mark of the chart name its group; nothing fades, so nothing is lost to the eye."""
    out = chart.copy(deep=False)
    out.layer = list(out.layer)
    shared = _speaks_of(out, field)  # layers that show the same frame hand it to the whole
    places = [
        i
        for i, layer in enumerate(out.layer)
        if _speaks_of(layer, field) or (shared and layer.data is alt.Undefined)
    ]
    point = alt.selection_point(name=CLICK, fields=[field], on="click", clear="dblclick")
    out.layer[places[-1]] = out.layer[places[-1]].add_params(point)
    return out


def _speaks_of(layer: Any, field: str) -> bool:
    return isinstance(layer.data, pd.DataFrame) and field in layer.data.columns


def marks(
    chart: alt.LayerChart, key: str, groups: Sequence[str], *, by: str | None = None, below: bool = True
) -> None:
    """Draw a chart whose marks open the units behind them.

    Parameters
    ----------
    chart : with a field `group`.
    key : of the widget.
    groups : the groups as the store says them.
    by : the grouping that the page goes to with the click; None stays with the one that is chosen.
    below : whether the list of units stands above the chart, so that it must be said where.
    """
    said = {plain_word(g): g for g in groups} | {g: g for g in groups}

    def picked() -> None:
        found = st.session_state[key]["selection"].get(CLICK, [])
        names = [said.get(str(p.get("group"))) for p in found]
        if names and names[-1] is not None:
            show_units(names[-1], by, below=below)

    st.altair_chart(clickable(chart, "group"), width="stretch", key=key, on_select=picked)


def show_units(group: str, by: str | None = None, *, below: bool = True) -> None:
    """List the units of a group from now on.

    Parameters
    ----------
    group : as the store says it.
    by : the grouping that it belongs to; None is the one that is chosen.
    below : whether the list stands above what was clicked.
    """
    if by is not None:
        state.choose("by", by)
    state.choose(OF, group)
    if below:
        st.toast(
            f"The units of {plain_word(group)} are listed under the first table.", icon=":material/list:"
        )


def to_units(
    chart: alt.LayerChart,
    key: str,
    *,
    width: Literal["stretch", "content"] = "stretch",
    field: str = "sheet_no",
    go: Callable[[str], None] = state.go_to_unit,
) -> None:
    """Draw a chart whose marks, clicked, open their unit's page, or where `go` leads with their field."""
    out = chart.copy(deep=False)
    out.layer = list(out.layer)
    names = []
    for i, layer in enumerate(out.layer):
        if _speaks_of(layer, field):
            names.append(f"{CLICK}{i}")
            point = alt.selection_point(name=names[-1], fields=[field], on="click", clear="dblclick")
            out.layer[i] = layer.add_params(point)

    def picked() -> None:
        said = st.session_state[key]["selection"]
        found = [p for name in names for p in said.get(name, [])]
        if found:
            go(str(found[-1][field]))

    st.altair_chart(out, width=width, key=key, on_select=picked)


def _picked_rows(key: str) -> list[int]:
    """Rows of a table that a click picked, wherever in the row it was."""
    said = st.session_state[key]["selection"]
    return [*said.get("rows", []), *(cell[0] for cell in said.get("cells", []))]


def to_unit_by_row(frame: pd.DataFrame, key: str, numbers: Sequence[str], alt: str, *, most: int = 6) -> None:
    """Show a table of which a row, clicked anywhere, opens its unit's page; a cell of `PAPER` its paper."""
    own = f"{key}_{zlib.crc32(chr(10).join(numbers).encode()):x}"

    def paper(number: str) -> None:
        state.go_to("unit", sheet=number, paper="sheet")

    _table(frame, own, numbers, state.go_to_unit, most, alt, paper)


def _table(
    frame: pd.DataFrame,
    own: str,
    values: Sequence[str],
    act: Callable[[str], None],
    most: int,
    alt: str,
    paper: Callable[[str], None] | None = None,
) -> None:
    def picked() -> None:
        chosen = _picked_rows(own)
        if chosen and chosen[-1] < len(values):
            cells = st.session_state[own]["selection"].get("cells", [])
            on_paper = paper is not None and any(cell[1] == PAPER for cell in cells)
            (paper if on_paper and paper is not None else act)(values[chosen[-1]])

    st.dataframe(
        sortable(frame),
        hide_index=True,
        width="stretch",
        height=38 + 35 * min(max(len(frame), 1), most),
        key=own,
        on_select=picked,
        selection_mode=["single-row", "single-cell"],
        placeholder=NOT_KNOWN,
        alt=alt,
    )


def table(
    frame: pd.DataFrame, key: str, groups: Sequence[str], *, by: str | None = None, below: bool = True
) -> None:
    """Show figures whose rows open the units behind them, by group; `by` and `below` as for `marks`."""
    own = f"{key}_{zlib.crc32(chr(10).join(groups).encode()):x}"
    about = f"{layout.table_in_words(frame)}; picking one opens its units"
    _table(frame, own, groups, lambda group: show_units(group, by, below=below), 12, about)


def group(groups: Sequence[str]) -> str | None:
    """Ask whose units to list; a click on a mark or a row asks the same."""
    return state.maybe(
        "Units behind the figures of",
        list(groups),
        OF,
        nothing="click a mark or a row, or choose here",
        note="Opens the list of units that these figures count.",
    )


def units(frame: pd.DataFrame, shown: pd.DataFrame, name: str) -> None:
    """List units; a row opens the page of its unit.

    Parameters
    ----------
    frame : the units with `sheet_no`.
    shown : the same rows as people read them.
    name : of the downloaded file.
    """
    numbers = frame["sheet_no"].astype(str).tolist()
    if not numbers:
        st.info("No unit is behind this figure.")
        return
    listed = numbers[:MOST_LISTED]
    about = f"List of {len(listed)} units; picking one opens its page"
    told = shown.head(MOST_LISTED).copy()
    told.insert(1, PAPER, "print")
    to_unit_by_row(told, "units_list", listed, about, most=8)
    first = f"The first {len(listed)} of {len(numbers)}; the table holds all. " * (len(numbers) > len(listed))
    layout.note(f"{first}Click a row: the unit's page, with its sheet as typed; under {PAPER}: its paper.")
    layout.download(frame, name, f"{name}_units")


def to_its_page(sheet_no: str) -> None:
    """Lead to the page of a sheet's unit."""
    st.page_link(
        "workshop_pages/unit.py",
        label="Its page: readings as typed, alignment, papers",
        icon=":material/album:",
        query_params={"sheet": sheet_no},
    )


def history(sheet_no: str, label: str) -> None:
    """Lead to every version of a sheet."""
    st.page_link(
        "workshop_pages/sheets.py",
        label=label,
        icon=":material/history:",
        query_params={"sheet_no": sheet_no},
    )


def suspect_list(found: layout.Ready) -> tuple[Listed, pd.DataFrame, bool]:
    """Ask for filters; return the judged list, the part to be shown, and whether filters were chosen."""
    cells = st.columns(5)
    with cells[0]:
        show = state.pick("Show", list(SHOWN), "show", names=SHOWN)
    with cells[1]:
        said = {share: percent(float(share)) for share in FALSE_SHARES}
        share = state.pick("False alarms allowed", FALSE_SHARES, "fdr", names=said)
    listed = ranked_suspects(found.path, found.revision, float(share))
    shown = listed.table
    with cells[2]:
        faults = state.several(
            "Likeliest cause",
            sorted(shown["leading_fault"].dropna().unique()),
            "fault",
            names=lambda f: fault_words(str(f)),
        )
    with cells[3]:
        sources = state.several("Source", sorted(shown["assembly_source"].dropna().unique()), "source")
    with cells[4]:
        since = layout.since(found)
    chosen = show == OPEN or bool(faults or sources or since is not None)
    return listed, filter_rows(shown, show, faults, sources, since), chosen


def filter_rows(
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


def suspects(shown: pd.DataFrame) -> None:
    """List suspects, the first `MOST_LISTED` of them; a row opens the page of its unit."""
    head = shown.head(MOST_LISTED)
    if head.empty:
        st.info("No sheet passes these filters; choose all units, or fewer filters.")
        return
    numbers = head["sheet_no"].astype(str).tolist()
    about = (
        f"List of {len(head)} sheets, the most suspect first; the first is {numbers[0]}; picking one opens it"
    )
    to_unit_by_row(unit_charts.suspect_table(head), "list", numbers, about, most=12)
    if len(shown) > len(head):
        layout.note(f"The first {len(head)} of {len(shown)}; the filters narrow the list.")


def listed_readings(frame: pd.DataFrame, quantity: Quantity) -> pd.DataFrame:
    """Units of a group with their reading, as people read them."""
    digits = 0 if quantity.unit == "min" else 2
    told = _about(frame)
    told[quantity.words] = [figure(v, quantity.unit, digits) for v in frame["reading"]]
    return told


def listed_states(frame: pd.DataFrame, measure_words: str) -> pd.DataFrame:
    """Units of a group with whether they meet the target, as people read them."""
    told = _about(frame)
    for name, words in (
        ("sra_dynamic_deg", "rake"),
        ("vta_dynamic_deg", "tracking angle"),
        ("tilt_room_deg", "tilt room"),
    ):
        told[words] = [figure(v, "°", 1) for v in frame[name]]
    told[measure_words] = frame["met"].to_numpy()
    return told


def _about(frame: pd.DataFrame) -> pd.DataFrame:
    kind = (
        frame["stylus_profile"].fillna("(not told)") + "/" + frame["cantilever_material"].fillna("(not told)")
    )
    return pd.DataFrame(
        {
            "sheet": frame["sheet_no"],
            "measured": pd.to_datetime(frame["measured_on"]).dt.strftime("%Y-%m-%d"),
            "family": frame["body_family"],
            "kind": kind.map(plain_word),
            "source": frame["assembly_source"].fillna(NOT_KNOWN),
        }
    )

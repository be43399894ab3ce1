"""From a figure to the units behind it, in place: pick a group by click, row or list, then a unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import altair as alt
import pandas as pd
import streamlit as st

from dashboards import address, layout
from dashboards.data.units import among_its_kind, sheets_of_unit
from fleet.attainment.distributions import Quantity
from fleet.attainment.peers import PAIRS
from fleet.charts import suspects as unit_charts
from fleet.numerals import figure
from fleet.words import spoken

OF: Final = "of"
UNIT: Final = "unit_sheet"
CLICK: Final = "picked"
MOST_LISTED: Final = 300


def clickable(chart: alt.LayerChart, field: str) -> alt.LayerChart:
    """Let a click on a mark of the chart name its group; nothing fades, so nothing is lost to the eye."""
    out = chart.copy(deep=True)
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


def show(
    chart: alt.LayerChart, key: str, groups: Sequence[str], *, label: Callable[[str], str] = spoken
) -> None:
    """Draw a chart whose marks open the units behind them.

    Parameters
    ----------
    chart : with a field `group`.
    key : of the widget.
    groups : the groups as the store says them.
    label : how the chart writes them.
    """
    said = {label(g): g for g in groups} | {g: g for g in groups}

    def picked() -> None:
        found = st.session_state[key]["selection"].get(CLICK, [])
        names = [said.get(str(p.get("group"))) for p in found]
        if names and names[-1] is not None:
            st.session_state[OF] = names[-1]

    st.altair_chart(clickable(chart, "group"), width="stretch", key=key, on_select=picked)


def table(frame: pd.DataFrame, key: str, groups: Sequence[str]) -> None:
    """Show a table of figures whose rows open the units behind them; `groups` names the rows' groups."""

    def picked() -> None:
        rows = st.session_state[key]["selection"]["rows"]
        if rows and rows[0] < len(groups):
            st.session_state[OF] = groups[rows[0]]

    st.dataframe(
        frame,
        hide_index=True,
        width="stretch",
        height=38 + 35 * min(max(len(frame), 1), 12),
        key=key,
        on_select=picked,
        selection_mode="single-row",
        alt=f"Table with {len(frame)} rows; picking one opens its units",
    )


def group(groups: Sequence[str]) -> str | None:
    """Ask whose units to list; a click on a mark or a row asks the same."""
    return address.maybe(
        "Units behind the figures of",
        list(groups),
        OF,
        nothing="click a mark or a row, or choose here",
        note="Opens the list of units that these figures count.",
    )


def units(found: layout.Ready, frame: pd.DataFrame, shown: pd.DataFrame, name: str) -> None:
    """List units and open the one that is picked.

    Parameters
    ----------
    found : the store.
    frame : the units with `sheet_no`.
    shown : the same rows as people read them.
    name : of the downloaded file.
    """
    numbers = frame["sheet_no"].astype(str).tolist()
    listed = numbers[:MOST_LISTED]

    def picked() -> None:
        rows = st.session_state["units_list"]["selection"]["rows"]
        if rows and rows[0] < len(listed):
            st.session_state[UNIT] = listed[rows[0]]

    if not listed:
        st.info("No unit is behind this figure.")
        return
    st.dataframe(
        shown.head(MOST_LISTED),
        hide_index=True,
        width="stretch",
        height=38 + 35 * min(len(listed), 8),
        key="units_list",
        on_select=picked,
        selection_mode="single-row",
        alt=f"List of {len(listed)} units; picking one opens it",
    )
    if len(numbers) > len(listed):
        layout.note(f"The first {len(listed)} of {len(numbers)}; the table holds all.")
    layout.download(frame, name, f"{name}_units")
    chosen = address.maybe("Open the unit of sheet", listed, UNIT, names=str, nothing="pick a row, or choose")
    if chosen is not None:
        unit(found, chosen)


def unit(found: layout.Ready, sheet_no: str) -> None:
    """Show one unit in place: its sheets, its readings among its kind, and where to go on."""
    st.subheader(f"Sheet {sheet_no}")
    cloud = among_its_kind(found.path, found.revision, sheet_no)
    layout.note(cloud.sentence)
    left, right = st.columns([3, 2])
    with left:
        layout.table(unit_charts.compared(cloud), "behind_compared")
    with right:
        chart = unit_charts.pair_of_links(cloud, PAIRS[0], layout.look())
        if chart is not None:
            layout.show(chart, "behind_pair")
    layout.table(
        unit_charts.unit_sheets(sheets_of_unit(found.path, found.revision, sheet_no)),
        "behind_sheets",
    )
    with st.container(horizontal=True):
        st.page_link(
            "workshop_pages/suspects.py",
            label="Is it normal? Open it among the suspects",
            icon=":material/troubleshoot:",
            query_params={"sheet": sheet_no},
        )
        st.page_link(
            "workshop_pages/sheets.py",
            label="Its history",
            icon=":material/history:",
            query_params={"sheet_no": sheet_no},
        )


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
            "kind": kind.map(spoken),
            "source": frame["assembly_source"].fillna("–"),
        }
    )

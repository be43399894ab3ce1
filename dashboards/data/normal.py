"""Who is not normal, fetched: every unit's readings in its own sigmas, and the flagged among the others."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.store_state import house, of_sheets
from dashboards.data.suspects import judged_sheets, ranked_suspects
from fleet.alignment.targets import select_counted
from fleet.attainment.attainment import NOT_TOLD
from fleet.attainment.distributions import QUANTITIES, group_labels
from fleet.charts import normal
from fleet.errors import NoModelError

if TYPE_CHECKING:
    from dashboards.data.group_figures import Filters

FDR: Final = 0.05
_KEPT: Final = 8


@of_sheets
@st.cache_resource(max_entries=2, show_spinner="Setting every reading against its kind …")
def every_standing(path: str, revision: str) -> pd.DataFrame:
    """Every judged unit's readings against its kind, in sigmas."""
    from fleet.attainment.peers import standing

    return standing(house(path, revision), judged_sheets(path, revision))


@st.cache_resource(max_entries=_KEPT, show_spinner=False)
def judged_units(
    path: str,
    revision: str,
    filters: Filters = (),
    days: tuple[date | None, date | None] = (None, None),
    *,
    open_only: bool = False,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Units that pass: in words (`fleet.charts.normal.in_words`), and their newest sheets.

    Parameters
    ----------
    path, revision : the store.
    filters : accepted values by column, `kind` or `leading_fault`; that last one keeps unflagged units.
    days : first and last day of the newest sheet; None is open.
    open_only : whether flagged units with a verdict are left out.
    """
    table = ranked_suspects(path, revision, FDR).table
    sheets = select_counted(judged_sheets(path, revision))
    newest = sheets[["sheet_no", "unit", "measured_on"]].astype({"unit": "str", "sheet_no": "str"})
    table = table.drop(columns="measured_on").merge(newest, on=["sheet_no", "unit"], validate="one_to_one")
    keep = pd.Series(True, index=table.index)
    for name, accepted in filters:
        if accepted and name == "leading_fault":
            keep &= ~table["flagged"].astype(bool) | table[name].isin(accepted)
        elif accepted:
            keep &= _values(table, name).isin(accepted)
    day = pd.to_datetime(table["measured_on"]).dt.date
    if days[0] is not None:
        keep &= day >= days[0]
    if days[1] is not None:
        keep &= day <= days[1]
    if open_only:
        keep &= ~table["flagged"].astype(bool) | table["verdict"].isna()
    units = normal.in_words(table[keep].reset_index(drop=True))
    return units, sheets[sheets["unit"].astype(str).isin(units["unit"])].reset_index(drop=True)


def _values(table: pd.DataFrame, name: str) -> pd.Series:
    if name != "kind":
        return table[name]
    parts = [table[n].fillna(NOT_TOLD) for n in ("stylus_profile", "cantilever_material")]
    return parts[0] + "/" + parts[1]


def kind_of(sheet: pd.DataFrame) -> str:
    """The kind of a sheet's unit, as `kinds` names it."""
    return str(_values(sheet, "kind").iloc[0])


def kinds(path: str, revision: str) -> list[str]:
    """Kinds that occur, most units first."""
    return (
        _values(ranked_suspects(path, revision, FDR).table, "kind").value_counts().index.astype(str).tolist()
    )


def marked_here(
    path: str, revision: str, quantity: str, by: str, filters: Filters, since: int | None
) -> pd.DataFrame | None:
    """Flagged units, `group`, `value` and words, for a picture of one quantity; None without a model."""
    try:
        units, sheets = judged_units(path, revision, filters, (_first(since), None))
    except NoModelError:
        return None
    told = units[units["flagged"]].drop(columns="sheet_no")
    mine = sheets[sheets["unit"].astype(str).isin(told["unit"])].reset_index(drop=True)
    if mine.empty:
        return None
    frame = pd.DataFrame(
        {
            "sheet_no": mine["sheet_no"].astype(str),
            "unit": mine["unit"].astype(str),
            "value": QUANTITIES[quantity].read(mine),
            "group": group_labels(mine, by),
        }
    )
    return frame.merge(told, on="unit", validate="one_to_one")


def _first(since: int | None) -> date | None:
    return None if since is None else date(since, 1, 1)


@of_sheets
@st.cache_data(max_entries=2, show_spinner=False)
def cant_followed(path: str, revision: str) -> float:
    """Part of a cant that the electrical azimuth follows, learnt from sound units."""
    return house(path, revision).cant_share

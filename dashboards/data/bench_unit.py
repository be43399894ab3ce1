"""One unit on the bench, judged by what is typed so far; saved through the door that files go through."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import streamlit as st

from dashboards.data.judged_by import fault_prior
from dashboards.data.store_state import house
from dashboards.data.units import COMPARED, of_kind
from fleet.attainment.attainment import NOT_TOLD
from fleet.attainment.peers import PeerGroup, peer_group
from fleet.columns import COLUMNS
from fleet.faults.one_unit import Verdict, judge
from fleet.intake import check_typed, save_typed, text_table
from fleet.policy.own_target import check_reason
from fleet.store import Store

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

THIS = "(on the bench)"


@st.cache_data(max_entries=64, show_spinner="Judging …")
def judge_readings(
    path: str, revision: str, told: tuple[tuple[str, str], ...], policy: Policy
) -> tuple[Verdict, PeerGroup]:
    """What the readings say, and where they lie among the unit's kind."""
    from dataclasses import replace

    catalogue = {name: replace(column, required=False) for name, column in COLUMNS.items()}
    row = pd.DataFrame(check_typed({**dict.fromkeys(catalogue), **dict(told)}, catalogue)[0])
    check_reason(row.iloc[0].to_dict())
    return judge(house(path, revision), row, policy, prior=fault_prior(path)), _among(path, revision, row)


def _among(path: str, revision: str, row: pd.DataFrame) -> PeerGroup:
    parts = [row[name].iloc[0] for name in ("stylus_profile", "cantilever_material")]
    others = of_kind(path, revision, "/".join(NOT_TOLD if pd.isna(part) else str(part) for part in parts))
    mine = row.reindex(columns=list(COMPARED)).assign(sheet_no=THIS, unit=THIS, newest=True, purpose="unit")
    return peer_group(pd.concat([others, mine.astype(others.dtypes.to_dict())], ignore_index=True), THIS)


def save(path: str, told: tuple[tuple[str, str], ...], sheet_no: str, measured_on: str) -> str:
    """Take the readings in as a sheet; see `fleet.intake.save_typed`."""
    table = text_table(dict(told), "typed-at-the-bench")
    return save_typed(
        Store(path), table, sheet_no or None, measured_on, saving="a sheet", number="the sheet number"
    )

"""One unit, fetched whole: its sheets as typed, what is likely wrong, how to align it, and its papers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import pandas as pd
import streamlit as st

from dashboards.data.judged_by import fault_prior
from dashboards.data.normal import FDR
from dashboards.data.store_state import house
from dashboards.data.suspects import ranked_suspects
from dashboards.data.units import among_its_kind
from fleet.errors import FleetError, NoSuchUnitError
from fleet.store import CURRENT_COLUMNS, Store, list_verdicts, pick_sheets, unit_record

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fleet.attainment.peers import PeerGroup
    from fleet.faults.one_unit import Verdict
    from fleet.faults.unit_life import Life
    from fleet.policy.policy import Policy


@dataclass(frozen=True)
class Unit:
    """Everything that a unit's page shows.

    Attributes
    ----------
    sheet : the sheet that was asked for, one row
    every : all current sheets of the unit, newest first
    verdict : what this sheet's readings say by themselves, with the alignment
    listed : its row among the suspects, with all its sheets weighed; None where it isn't judged there
    cloud : its readings among its kind
    outcome : what it turned out to be, as recorded last; empty where nothing is
    """

    sheet: pd.DataFrame
    every: pd.DataFrame
    verdict: Verdict
    listed: Mapping[str, Any] | None
    cloud: PeerGroup
    outcome: str

    @property
    def row(self) -> Mapping[str, Any]:
        """The row that its chances stand in."""
        return self.verdict.row if self.listed is None else self.listed

    @property
    def unit(self) -> str:
        """The unit's own name in the store."""
        return str(self.sheet["unit"].iloc[0])


@st.cache_data(max_entries=32, show_spinner="Judging this unit …")
def one_unit(path: str, revision: str, sheet_no: str, policy: Policy) -> Unit:
    """Fetch and judge one unit.

    Raises
    ------
    FleetError
        If no sheet has this number, several have, or it is a check pickup's.
    """
    from fleet.faults.one_unit import judge

    store = Store(path)
    own = pick_sheets(store, CURRENT_COLUMNS, where={"sheet_no": [sheet_no]})
    if own.empty:
        raise NoSuchUnitError(f"there is no sheet {sheet_no!r} in the store; check its number")
    if own["purpose"].iloc[-1] == "reference":
        raise FleetError(f"sheet {sheet_no} is a check pickup's; the page Bench follows those")
    if len(own) > 1:
        raise FleetError(f"several benches have a sheet {sheet_no}; `fleet report unit` takes --bench NAME")
    every = pick_sheets(store, CURRENT_COLUMNS, where={"unit": [str(own["unit"].iloc[0])]})
    every = every.sort_values("measured_on", ascending=False, kind="stable", ignore_index=True)
    verdicts = list_verdicts(store)
    taught = bool(own["newest"].iloc[0])
    visits = unit_record(store, unit=str(own["unit"].iloc[0])).visits
    shares = fault_prior(path)
    verdict = judge(house(path, revision), own, policy, prior=shares, taught=taught, visits=visits)
    cloud = among_its_kind(path, revision, sheet_no)
    return Unit(own, every, verdict, _listed(path, revision, sheet_no), cloud, _outcome(verdicts, own))


def _listed(path: str, revision: str, sheet_no: str) -> dict[str, Any] | None:
    table = ranked_suspects(path, revision, FDR).table
    mine = table[table["sheet_no"] == sheet_no]
    return None if mine.empty else {str(k): v for k, v in mine.iloc[0].items()}


def _outcome(verdicts: pd.DataFrame, own: pd.DataFrame) -> str:
    mine = verdicts[verdicts["unit"].astype(str) == str(own["unit"].iloc[0])]
    if mine.empty:
        return ""
    last = mine.iloc[-1]
    return str(last["fault"] if pd.notna(last["fault"]) else last["outcome"])


@st.cache_data(max_entries=32, show_spinner="Comparing its visits …")
def life(path: str, revision: str, unit: str, policy: Policy) -> Life:
    """The life of a unit, as `fleet unit` tells it."""
    from fleet.faults.unit_life import unit_life

    kept, model = unit_record(Store(path), unit=unit), house(path, revision)
    prior = fault_prior(path)
    return unit_life(kept.visits, policy, model, verdicts=kept.verdicts, quotes=kept.quotes, prior=prior)


def card(path: str, revision: str, sheet_no: str, policy: Policy) -> str:
    """The owner's card as a page to print, with ruled lines where `fleet report owner` takes words."""
    from fleet.report.owners import owner_card
    from fleet.report.page import html

    found = one_unit(path, revision, sheet_no, policy)
    return html([owner_card(found.sheet, found.verdict, policy, on=date.today())])


def paper(path: str, revision: str, sheet_no: str, policy: Policy) -> str:
    """The unit's sheet as a page to print, the one that `fleet report unit` writes."""
    from fleet.report.page import html
    from fleet.report.units import unit_paper

    found, model = one_unit(path, revision, sheet_no, policy), house(path, revision)
    whole = life(path, revision, found.unit, policy)
    told = (found.sheet, found.verdict, found.cloud, model, policy)
    made = unit_paper(*told, on=date.today(), earlier=found.every, life=whole)
    return html([made])

"""The track record, fetched: kept quotes or the last back-test beside the sheets, and what they come to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import streamlit as st

from fleet.store import Store

if TYPE_CHECKING:
    from fleet.quotes.outcomes import ForecastPairs
    from fleet.quotes.recalibration import Recalibration
    from fleet.quotes.track_record import Record

QUOTES, BACKTEST = "quotes told", "back-test"
SOURCES: Final = (QUOTES, BACKTEST)
CALLED: Final = {QUOTES: "quotes answered by a sheet", BACKTEST: "quotes of the back-test"}
_KEPT, _RESULTS_KEPT = 4, 32


@st.cache_resource(max_entries=_KEPT, show_spinner="Looking quotes up …")
def answers(path: str, revision: str, source: str) -> tuple[ForecastPairs, int]:
    """Forecasts beside the sheets that answered them, never changed once made; and how many still wait."""
    from fleet.quotes.outcomes import pair_forecasts
    from fleet.store.quotes import matched_quotes

    del revision
    found = matched_quotes(Store(path), backtest=source == BACKTEST)
    return pair_forecasts(found.forecasts, found.sheets), found.waiting


@st.cache_resource(max_entries=_KEPT, show_spinner="Letting simpler forecasts try the same …")
def with_rivals(path: str, revision: str, source: str) -> ForecastPairs:
    """The same with scores of simpler forecasts beside them; a back-test has kept its own."""
    from fleet.quotes.hindcasts import add_references as let_try
    from fleet.quotes.kept_quotes import SHEET_FACTS
    from fleet.store.quotes import sheets_by_intake

    found, _ = answers(path, revision, source)
    if source == BACKTEST or not len(found):
        return found
    read = ("unit", "measured_on", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes")
    return let_try(found, sheets_by_intake(Store(path), tuple(dict.fromkeys((*read, *SHEET_FACTS)))))


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner="Scoring …")
def track_record(path: str, revision: str, source: str, by: str, per: str) -> Record:
    """How the forecasts did, by group and perhaps period ("" for none)."""
    from fleet.quotes.track_record import record

    found = with_rivals(path, revision, source)
    return record(found, by=[by], per=per or None, called=CALLED[source])


@st.cache_data(max_entries=_RESULTS_KEPT, show_spinner=False)
def correction_effect(path: str, revision: str, source: str) -> Recalibration:
    """What a correction learnt from these forecasts would change."""
    from fleet.quotes.recalibration import learn

    found, _ = answers(path, revision, source)
    return learn(found, CALLED[source])

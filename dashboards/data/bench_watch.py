"""What the bench page shows, fetched; cached by path, revision and plain filters (see `dashboards.data`)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

import pandas as pd
import streamlit as st

from dashboards.data.store_state import of_sheets, overview
from fleet import words
from fleet.bench_trust.noise import Noise, repeat_noise
from fleet.bench_trust.past_sheets import Touched, touched_sheets
from fleet.bench_trust.pickup_budget import all_budgets, typical_unit
from fleet.bench_trust.watch import Watch, check_pickups, watch
from fleet.errors import TooFewError
from fleet.house_model.chain import READINGS
from fleet.store import Store, pick_sheets

if TYPE_CHECKING:
    from fleet.policy.policy import Policy

_KEPT: Final = 16
NEWEST_OF_UNITS: Final = 60_000
"""So many of the newest sheets of units tell what one reading is worth; the command line takes all."""
COLUMNS: Final = (
    "sheet_no", "measured_on", "bench", "unit", "serial_token", "purpose", "operator", "body_family",
    "assembly_source", "temperature_c", "vtf_mn", *READINGS,
)  # fmt: skip
"""Columns that the bench's judgements look at."""


@dataclass(frozen=True)
class Watched:
    """The bench watch and the sheets that a change touches.

    Attributes
    ----------
    watch : all benches' readings
    touched : sheets of units read since a reading moved
    """

    watch: Watch
    touched: Touched


@of_sheets
@st.cache_resource(max_entries=2, show_spinner="Reading the store …")
def bench_sheets(path: str, revision: str) -> pd.DataFrame:
    """Every sheet, the columns that tell of the bench; of a large store all checks and the newest units."""
    store = Store(path).open()
    if not looked_at(path, revision):
        return store.current(COLUMNS)
    parts = [
        pick_sheets(store, COLUMNS, where={"purpose": ["reference"]}),
        pick_sheets(store, COLUMNS, newest_first=NEWEST_OF_UNITS),
    ]
    both = pd.concat([part for part in parts if len(part)])
    return both.sort_values(["measured_on", "bench", "sheet_no"], ignore_index=True)


def looked_at(path: str, revision: str) -> str:
    """Which sheets the page looks at, where the store holds too many; else empty."""
    if overview(path, revision).unit_sheets <= NEWEST_OF_UNITS:
        return ""
    return f"Looked at: all checks and the newest {NEWEST_OF_UNITS} sheets of units; `fleet noise` takes all."


@of_sheets
@st.cache_data(max_entries=2, show_spinner=False)
def benches(path: str, revision: str) -> tuple[str, ...]:
    """Benches with check pickups, by name."""
    sheets = bench_sheets(path, revision)
    return tuple(sorted(sheets.loc[sheets["purpose"] == "reference", "bench"].unique()))


@of_sheets
@st.cache_data(max_entries=_KEPT, show_spinner=False)
def check_days(path: str, revision: str, bench: str) -> tuple[date, ...]:
    """Days on which a bench's check pickups were read."""
    sheets = bench_sheets(path, revision)
    own = sheets[(sheets["purpose"] == "reference") & (sheets["bench"] == bench)]
    return tuple(stamp.date() for stamp in pd.to_datetime(own["measured_on"]).drop_duplicates())


@of_sheets
@st.cache_resource(max_entries=_KEPT, show_spinner="Charting the check pickups …")
def bench_watch(path: str, revision: str, bench: str, last_year: int | None, policy: Policy) -> Watched:
    """One bench's watch.

    Parameters
    ----------
    bench : whose check pickups
    last_year : the baseline ends with this year; None takes the first half of the checks

    Raises
    ------
    FleetError
        If there are too few checks for a baseline.
    """
    sheets = bench_sheets(path, revision)
    own = sheets[sheets["bench"] == bench]
    end = None if last_year is None else date(last_year, 12, 31)
    found = watch(check_pickups(own), baseline=(None, end))
    return Watched(found, touched_sheets(found, own, policy))


@of_sheets
@st.cache_resource(max_entries=_KEPT, show_spinner="Comparing repeats …")
def noise(path: str, revision: str) -> Noise:
    """Reading noise of all benches, from repeats in daily work."""
    return repeat_noise(bench_sheets(path, revision))


@of_sheets
@st.cache_data(max_entries=_KEPT, show_spinner=False)
def budgets(path: str, revision: str) -> pd.DataFrame:
    """Uncertainty of every quantity, for the middle unit."""
    sheets = bench_sheets(path, revision)
    try:
        found = watch(check_pickups(sheets))
    except TooFewError:  # too few check pickups: nothing is known of warmth then
        found = None
    return all_budgets(noise(path, revision), typical=typical_unit(sheets, found))


def without_checks() -> list[str]:
    """What to do where there is no watch yet."""
    return [
        "Keep a pickup of your own and read it once a week; after 20 checks the limits are there.",
        words.HANDLING,
    ]


def after_watch(found: Watched) -> list[str]:
    """What to do about the bench."""
    lines = []
    if found.watch.alarms:
        lines += [
            "Read the check pickup again, then a second one: if both moved alike, it is the bench.",
            "Set the bench anew only then; from that day on name a new baseline.",
            "`fleet watch --offsets FILE` writes what each sheet may be off by; no sheet is ever changed.",
        ]
    elif any(r.slip for r in found.watch.readings):
        lines.append("Read the check pickup again: the newest check is odd, and one check proves nothing.")
    else:
        lines.append("Go on reading the check pickup once a week, temperature noted; better two of them.")
    lines.append("A gauge study (`fleet gauge FILE`) tells more of the operators than daily repeats can.")
    lines.append(words.HANDLING)
    return lines

"""Sums over bench sheets where they lie: in partitioned Parquet here or on a cluster, or in the store.

Outside the store the sheets are in its canonical columns.  Unlike at the door nothing is mended: a sheet with
a figure out of its range, an unknown word or a required value missing is left out, and how many is said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from fleet.errors import FleetError
from fleet.store import Store
from fleet.store.tallies import DUCKDB, DuckEngine
from fleet.store.tallies import TEACHING as OWN_TEACHING
from fleet.store.tallies import gather as gather_own
from fleet.tallies import sheet_queries as sql
from fleet.tallies.engine import Engine, gather
from fleet.tallies.sufficient_statistics import SufficientStatistics

THERE: Final = "sheets_there"
SOUND: Final = "sheets_sound"
CURRENT: Final = "sheets_current"
TEACHING: Final = "sheets_teaching"


class SourceEngine(Engine, Protocol):
    """An engine that can read Parquet."""

    name: str
    keeps_sheets: bool
    """Whether sheets are held while they are looked at again, or read again each time."""

    def read(self, source: str, name: str) -> list[str]:
        """Make Parquet known under a name; the columns that it has."""


@dataclass(frozen=True)
class Outside:
    """What the sheets of a source come to.

    Attributes
    ----------
    gathered : their sums
    sheets : sheets that were read
    left_out : of these, how many have a fault and were left out
    engine : which engine summed up
    """

    gathered: SufficientStatistics
    sheets: int
    left_out: int
    engine: str

    @property
    def about(self) -> dict[str, Any]:
        """What a tallies file says of itself."""
        return {
            "engine": self.engine,
            "sheets": self.sheets,
            "left_out": self.left_out,
            "units": int(self.gathered.cut.units),
        }

    @property
    def sentence(self) -> str:
        """What was summed up, in one sentence."""
        out = f"{self.left_out} with a fault left out" if self.left_out else "none left out"
        return (
            f"Summed up {self.gathered.cut.units:.0f} units of {self.sheets} sheets ({out}) "
            f"in {len(self.gathered.cut.cells['n'])} cells."
        )


def gather_source(
    engine: SourceEngine, source: str, *, progress: Callable[[str], None] | None = None
) -> Outside:
    """Sum up the sheets of a source where they lie.

    Parameters
    ----------
    engine : runs the queries
    source : Parquet file, folder of them (partitioned or not), or an address that the engine knows
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If the source has no bench sheets, lacks a needed column, names units by their serial numbers, or
        holds a sheet number twice.
    """
    say = progress or (lambda _: None)
    say("reading the sheets")
    columns = engine.read(source, THERE)
    if lacking := [name for name in sql.NEEDED if name not in columns]:
        raise FleetError(f"the sheets have no column {', '.join(lacking)} (fleet explain columns)")
    if "serial" in columns and "serial_token" not in columns:
        raise FleetError(
            "the sheets hold serial numbers; give units a token in a column serial_token instead, "
            "the same for every sheet of a unit"
        )
    engine.view("sheets_canonical", sql.canonical_sql(THERE, columns))
    engine.view(SOUND, f"select * from sheets_canonical where {sql.sound_condition()}")
    counts = engine.table(
        f"select count(*) as n, sum(case when {sql.sound_condition()} then 0 else 1 end) as bad "
        f"from sheets_canonical"
    )
    sheets = int(counts["n"][0])
    left_out = int(counts["bad"][0]) if sheets else 0
    if sheets == left_out:
        raise FleetError(f"there is no sound bench sheet in the {sheets} rows of the source")
    if twice := int(engine.table(sql.twice_sql(SOUND))["n"][0]):
        raise FleetError(
            f"{twice} sheet numbers stand more than once in the source: keep the newest version of each"
        )
    hold = engine.keep if engine.keeps_sheets else engine.view
    hold(CURRENT, sql.current_sql(SOUND))
    engine.view(TEACHING, sql.teaching_sql(CURRENT))
    return Outside(gather(engine, TEACHING, CURRENT, progress=progress), sheets, left_out, engine.name)


def gather_store(store: Store, *, progress: Callable[[str], None] | None = None) -> Outside:
    """Sum up the sheets of a store, as a full refit does.

    Raises
    ------
    FleetError
        If the store holds no teaching sheet.
    """
    with store.reader() as con:
        gathered = gather_own(con, OWN_TEACHING, progress=progress)
        sheets = int(DuckEngine(con).table("select count(*) as n from current_sheet")["n"][0])
    return Outside(gathered, sheets, 0, DUCKDB)

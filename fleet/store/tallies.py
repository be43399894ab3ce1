"""The tallies' SQL run by DuckDB: on the store's own sheets, or on Parquet where it lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.errors import FleetError, UnreadableFileError
from fleet.files.working import passing_place, working_folder
from fleet.store.connection import PLAIN_CONFIG, sides_as_written
from fleet.tallies.engine import gather as gather_cells
from fleet.tallies.sufficient_statistics import SufficientStatistics

DUCKDB = "duckdb"
BATCH = 32_768
TEACHING = "teaching_sheet"
CURRENT = "current_sheet"
REPEATED = "repeated_sheet"
"""Current sheets of serials with several; there only where units are told once."""
UNITS = "unit_once"


class DuckEngine:
    """An open connection as the tallies need it (see `fleet.tallies.engine.Engine`).

    Parameters
    ----------
    con : an open connection
    """

    sums_there = False

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def frame(self, query: str) -> pd.DataFrame:
        """The answer of a query."""
        found: pd.DataFrame = self._con.sql(query).df()
        return found

    def keep(self, name: str, query: str) -> None:
        """Hold the answer of a query in a passing table."""
        self._con.execute(f"create or replace temp table {name} as {query}").fetchall()

    def view(self, name: str, query: str) -> None:
        """Give a query a name; it runs each time that it is asked."""
        self._con.execute(f"create or replace temp view {name} as {query}").fetchall()

    def drop(self, name: str) -> None:
        """Let a passing table go."""
        self._con.execute(f"drop table {name}").fetchall()

    def batches(self, query: str) -> Iterator[Mapping[str, NDArray[np.float64]]]:
        """The answer of a query of numbers, some rows at a time, by column; a missing value is NaN."""
        for batch in self._con.sql(query).to_arrow_reader(BATCH):
            yield {
                name: column.to_numpy(zero_copy_only=False).astype(np.float64, copy=False)
                for name, column in zip(batch.schema.names, batch.columns, strict=True)
            }

    def put(self, name: str, frame: pd.DataFrame) -> None:
        """Make a small frame known under a name."""
        self._con.register("frame_in", frame)
        self._con.execute(f"create or replace temp table {name} as select * from frame_in").fetchall()
        self._con.unregister("frame_in")


class ParquetEngine(DuckEngine):
    """DuckDB over Parquet where it lies; sheets are read again each time they are looked at."""

    name = DUCKDB
    keeps_sheets = False

    def read(self, source: str, name: str) -> list[str]:
        """Make a Parquet file, or every one below a folder, known under a name; the columns that it has.

        Raises
        ------
        FleetError
            If there is nothing of the kind.
        """
        path = Path(source).expanduser()
        if not path.exists():
            raise UnreadableFileError(f"there is no file or folder {path.name}")
        files = str(path / "**" / "*.parquet") if path.is_dir() else str(path)
        quoted = files.replace("'", "''")
        try:
            self.view(
                name,
                f"select * from read_parquet('{quoted}', union_by_name = true, "
                f"hive_partitioning = true, hive_types_autocast = false)",
            )
            return list(self._con.sql(f"select * from {name} limit 0").columns)
        except duckdb.Error as error:
            raise UnreadableFileError(f"{path.name} holds no Parquet that can be read") from error


@contextmanager
def parquet_engine() -> Iterator[ParquetEngine]:
    """DuckDB in memory, what doesn't fit there in a passing folder.

    Raises
    ------
    FleetError
        If there is not enough memory or disk, or the Parquet is damaged.
    """
    with (
        working_folder(passing_place()) as folder,
        duckdb.connect(config={**PLAIN_CONFIG, "temp_directory": str(folder)}) as con,
    ):
        try:
            yield ParquetEngine(con)
        except duckdb.OutOfMemoryException as error:
            raise FleetError("there is not enough memory or disk for this; use --engine spark") from error
        except (duckdb.IOException, duckdb.InvalidInputException, duckdb.ConversionException) as error:
            raise UnreadableFileError(
                f"the Parquet can't be read: {str(error).splitlines()[0][:200]}"
            ) from error


def newest_intake(con: duckdb.DuckDBPyConnection) -> int:
    """Number of the newest intake, 0 before the first."""
    return int(con.execute("select coalesce(max(intake_id), 0) from intake").fetchall()[0][0])


def gather(
    con: duckdb.DuckDBPyConnection,
    teaching: str,
    *,
    repeats: str = REPEATED,
    progress: Callable[[str], None] | None = None,
) -> SufficientStatistics:
    """Sum a store's sheets up, rows beyond their link's cut left out.

    Parameters
    ----------
    con : an open connection to the store
    teaching : relation with the sheets that teach
    repeats : relation with the sheets whose repeats tell the reading noise
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If there is no teaching sheet.
    """
    with sides_as_written(con), units_told_once(con):
        return gather_cells(DuckEngine(con), teaching, repeats, progress=progress)


@contextmanager
def units_told_once(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Inside the block the views of current and teaching sheets don't tell anew which sheet is whose.

    They stand before the store's own under the same names, and read the view `sheet_unit` from a table;
    beside them stands `REPEATED`.
    """
    con.execute("set preserve_insertion_order = false").fetchall()  # nothing below depends on it
    con.execute(f"create or replace temp table {UNITS} as select * from sheet_unit").fetchall()
    text = {view: _text_of(con, view).replace("sheet_unit", UNITS) for view in (CURRENT, TEACHING)}
    several = text[CURRENT].replace(CURRENT, REPEATED, 1).replace(f"LEFT JOIN {UNITS}", f"JOIN {UNITS}", 1)
    for made in (*text.values(), several):
        con.execute(made.replace("CREATE VIEW", "create temp view", 1)).fetchall()
    try:
        yield
    finally:
        for view in (REPEATED, TEACHING, CURRENT):
            con.execute(f"drop view temp.{view}").fetchall()
        con.execute(f"drop table {UNITS}").fetchall()
        con.execute("reset preserve_insertion_order").fetchall()


def _text_of(con: duckdb.DuckDBPyConnection, view: str) -> str:
    """The statement that makes a view of the store."""
    found = con.execute("select sql from duckdb_views() where view_name = ? and not temporary", [view])
    return str(found.fetchall()[0][0])


def teaching_relation(since: date | None, before: date | None) -> str:
    """The teaching sheets of a span of days, as a relation."""
    return sheets_in_span(TEACHING, since, before)


def sheets_in_span(view: str, since: date | None, before: date | None) -> str:
    """The sheets of a view that were measured from / before a day, as a relation."""
    limits = [
        f"measured_on {sign} date '{day.isoformat()}'"
        for sign, day in ((">=", since), ("<", before))
        if day is not None
    ]
    return f"(select * from {view} where {' and '.join(limits)})" if limits else view

"""The tallies' SQL run by DuckDB: on the store's own sheets, or on Parquet where it lies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np
from numpy.typing import NDArray

from fleet.errors import FleetError, UnreadableFileError
from fleet.files.working import passing_place, working_folder
from fleet.house_model.chain import READINGS
from fleet.rows import Columns
from fleet.store.connection import PLAIN_CONFIG, sides_as_written
from fleet.tallies.engine import gather as gather_cells
from fleet.tallies.sufficient_statistics import SufficientStatistics

DUCKDB = "duckdb"
BATCH = 32_768
TEACHING = "teaching_sheet"
CURRENT = "current_sheet"
REPEATED = "repeated_sheet"
"""Current sheets of serials with several; there only where units are told once."""
SEVERAL, MARKED, UNITS, APART = "sheet_of_several", "marked_sheet", "unit_once", "sheet_apart"
"""Sheets of serials with several, sheets with marks, whose the first are, and sheets that don't teach."""
ROW_BITS: Final = (1 << 32) - 1
"""The lower half of a number that tells tokens apart holds the row's."""
AT_ONCE: Final = 1 << 18
"""Rows of a store that are fetched without Arrow, which takes as long to load."""
_SEVERAL = (
    "bench", "sheet_no", "serial_token", "purpose", "measured_on", "peculiarities",
    "assembly_source", "stylus_profile", "cantilever_material", *READINGS,
)  # fmt: skip


class DuckEngine:
    """An open connection as the tallies need it (see `fleet.tallies.engine.Engine`).

    Parameters
    ----------
    con : an open connection
    """

    sums_there = False

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def table(self, query: str) -> dict[str, NDArray[Any]]:
        """The answer of a query by column; a missing number is NaN, a missing word None."""
        found = self._con.sql(query).fetchnumpy()
        return {name: _with_gaps(column) for name, column in found.items()}

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
            yield dict(zip(batch.schema.names, map(_numbers_of, batch.columns), strict=True))

    def put(self, name: str, columns: Columns) -> None:
        """Make a small table known under a name."""
        self._con.register("columns_in", columns)
        self._con.execute(f"create or replace temp table {name} as select * from columns_in").fetchall()
        self._con.unregister("columns_in")


def _numbers_of(column: Any) -> NDArray[Any]:
    """An Arrow column of numbers, NaN where one is missing; its own way to arrays loads pandas."""
    kind = np.dtype({"double": "f8"}.get(str(column.type), str(column.type)))
    valid, data = column.buffers()
    first, rows = column.offset, len(column)
    numbers = np.frombuffer(data, kind, rows, first * kind.itemsize)
    if not column.null_count:
        return numbers
    told = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")[first : first + rows]
    return np.where(told, numbers, np.nan)


def _with_gaps(column: NDArray[Any]) -> NDArray[Any]:
    """A masked column as a plain one."""
    if not isinstance(column, np.ma.MaskedArray):
        return column
    words = column.dtype == object
    gap: Any = None if words else np.nan
    return np.where(column.mask, gap, column.data if words else column.data.astype(np.float64))


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
    """Inside the block it isn't told anew which sheets teach: `TEACHING` leaves out those found not to.

    That view stands before the store's own of its name and lacks ``unit`` and ``newest``; beside it stands
    `REPEATED`.
    """
    run = con.execute
    run("set preserve_insertion_order = false").fetchall()  # nothing below depends on it
    con.register("several_in", _rows_of_several(con))
    for made in (
        f"table {SEVERAL} as select s.row_id, token, {', '.join(_SEVERAL)} "
        "from latest_sheet s join several_in on several_in.row_id = s.row_id",
        f"view {MARKED} as select * from latest_sheet where marks is not null",
        f"table {UNITS} as {_text_of(con, 'sheet_unit')}",
        f"table {APART} as select row_id from {UNITS} where not newest union select row_id from {MARKED} "
        f"where row_id not in (select row_id from ({_marked_that_teach(con)}))",
        f"view {TEACHING} as select * exclude (row_id) from latest_sheet anti join {APART} using (row_id) "
        "where purpose = 'unit'",
        f"view {REPEATED} as select * from {SEVERAL} join {UNITS} using (row_id)",
    ):
        run(f"create temp {made}").fetchall()
    con.unregister("several_in")
    try:
        yield
    finally:
        for view in (TEACHING, REPEATED, MARKED):
            run(f"drop view temp.{view}").fetchall()
        for table in (APART, UNITS, SEVERAL):
            run(f"drop table {table}").fetchall()
        run("reset preserve_insertion_order").fetchall()


def _rows_of_several(con: duckdb.DuckDBPyConnection) -> dict[str, NDArray[np.uint64]]:
    """Rows whose serial's token has others, and those of a few whose digest is that of another by chance."""
    found = con.sql(
        f"select hash(serial_token) & {~ROW_BITS & (1 << 64) - 1}::ubigint | row_id::ubigint as key "
        "from latest_sheet where serial_token is not null"
    )
    if con.execute("select count(*) from sheet").fetchall()[0][0] > AT_ONCE:
        batches = found.to_arrow_reader(BATCH)
        key = np.concatenate([_numbers_of(batch.columns[0]).copy() for batch in batches])
    else:
        key = found.fetchnumpy()["key"]
    key.sort()
    token = key >> np.uint64(32)
    same = np.zeros(len(key), dtype=bool)
    same[1:] = token[1:] == token[:-1]
    same[:-1] |= same[1:]
    return {"row_id": key[same] & np.uint64(ROW_BITS), "token": token[same]}


def _marked_that_teach(con: duckdb.DuckDBPyConnection) -> str:
    """The store's own view of what teaches, of sheets with marks alone and with their row's number."""
    current = _text_of(con, CURRENT).replace("EXCLUDE (row_id)", "")
    for view, table in (("latest_sheet", MARKED), ("sheet_unit", UNITS)):
        current = current.replace(view, table)
    return _text_of(con, TEACHING).replace(CURRENT, f"({current})")


def _text_of(con: duckdb.DuckDBPyConnection, view: str) -> str:
    """The query that a view of the store stands for."""
    found = con.execute("select sql from duckdb_views() where view_name = ? and not temporary", [view])
    return str(found.fetchall()[0][0]).split(" AS ", 1)[1].rstrip(";\n")


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

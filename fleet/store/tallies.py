"""The tallies' SQL run by DuckDB: on the store's own sheets, or on Parquet where it lies."""

from __future__ import annotations

import duckdb
import pandas as pd

from fleet.models import tally_sql as sql
from fleet.models.tallying import SqlTallies, family_tables


class DuckEngine:
    """An open connection as the tallies need it (see `fleet.models.tallying.Engine`).

    Parameters
    ----------
    con : an open connection
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def frame(self, query: str) -> pd.DataFrame:
        """The answer of a query."""
        found: pd.DataFrame = self._con.sql(query).df()
        return found

    def keep(self, name: str, query: str) -> None:
        """Hold the answer of a query in a passing table."""
        self._con.execute(f"create or replace temp table {name} as {query}").fetchall()

    def drop(self, name: str) -> None:
        """Let a passing table go."""
        self._con.execute(f"drop table {name}").fetchall()

    def put(self, name: str, frame: pd.DataFrame) -> None:
        """Make a small frame known under a name."""
        self._con.register("frame_in", frame)
        self._con.execute(f"create or replace temp table {name} as select * from frame_in").fetchall()
        self._con.unregister("frame_in")


class Tallier(SqlTallies):
    """Coded observations of one relation of a connection, summed up on request.

    Parameters
    ----------
    con : an open connection in which ``source`` can be read
    source : relation with the teaching sheets
    fill : indexed by family, columns ``c_fill, l_fill, n_fill, t_fill, c_sure, l_sure``
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, source: str, fill: pd.DataFrame) -> None:
        super().__init__(DuckEngine(con), source, fill)


def fleet_tables(con: duckdb.DuckDBPyConnection, source: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Combinations of factors with their counts, and the families' median figures (see `learn_facts`)."""
    return family_tables(DuckEngine(con), source)


def newest_intake(con: duckdb.DuckDBPyConnection) -> int:
    """Number of the newest intake, 0 before the first."""
    return int(con.execute("select coalesce(max(intake_id), 0) from intake").fetchall()[0][0])


def repeat_differences(con: duckdb.DuckDBPyConnection, source: str, *, within_days: int = 92) -> pd.DataFrame:
    """Differences between consecutive readings of the same unit [degrees, dB], one row a pair of sheets.

    Parameters
    ----------
    con : an open connection
    source : relation with every current sheet and its ``unit``
    within_days : pairs further apart tell of wear, not of reading noise
    """
    return DuckEngine(con).frame(sql.pairs_sql(source, within_days=within_days)) / sql.RESIDUAL_UNIT

"""Tallies where a fleet is spread over a cluster: the same SQL, run by Spark.

The only module that imports pyspark (extra ``spark``; it needs Java 17).
"""

from __future__ import annotations

import importlib
import os
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from fleet.errors import FleetError, UnreadableFileError
from fleet.extras import how_to_install
from fleet.rows import Columns

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

_ALONE: Final = {
    "spark.driver.bindAddress": "127.0.0.1",
    "spark.driver.host": "127.0.0.1",
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.sql.shuffle.partitions": "8",
    "spark.driver.memory": "4g",
}
"""On this machine alone: nothing listens for other computers.  A cluster brings its own settings."""
_ALWAYS: Final = {
    "spark.sql.sources.partitionColumnTypeInference.enabled": "false",  # a family may be called 001
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.ansi.enabled": "true",  # a sum that overflows is an error, not another number
    "spark.sql.legacy.exponentLiteralAsDecimal.enabled": "false",
}


class SparkEngine:
    """A Spark session as the tallies need it (see `fleet.tallies.engine.Engine`).

    Parameters
    ----------
    session : a running session
    """

    name = "spark"
    keeps_sheets = True
    sums_there = True

    def __init__(self, session: SparkSession) -> None:
        self._session = session
        self._kept: dict[str, DataFrame] = {}

    def table(self, query: str) -> dict[str, NDArray[Any]]:
        """The answer of a query by column; a missing number is NaN, a missing word None."""
        found: pa.Table = self._session.sql(query).toArrow()
        return {name: found[name].to_numpy() for name in found.column_names}

    def batches(self, query: str) -> Iterator[Mapping[str, NDArray[np.float64]]]:
        """The answer of a query of numbers, all at once, by column; a missing value is NaN."""
        found = self.table(query)
        yield {name: column.astype(np.float64) for name, column in found.items()}

    def keep(self, name: str, query: str) -> None:
        """Hold the answer of a query in the executors' memory, the rest on their disks."""
        from pyspark import StorageLevel

        rows = self._session.sql(query).persist(StorageLevel.MEMORY_AND_DISK)
        rows.count()
        rows.createOrReplaceTempView(name)
        self._kept[name] = rows

    def view(self, name: str, query: str) -> None:
        """Give a query a name; it runs each time that it is asked."""
        self._session.sql(query).createOrReplaceTempView(name)

    def drop(self, name: str) -> None:
        """Let go of what was kept under a name."""
        self._kept.pop(name).unpersist()
        self._session.catalog.dropTempView(name)

    def put(self, name: str, columns: Columns) -> None:
        """Make a small table known under a name; a missing value is NULL."""
        table = pa.table({n: pa.array(np.asarray(columns[n]), from_pandas=True) for n in columns})
        self._session.createDataFrame(table).createOrReplaceTempView(name)

    def read(self, source: str, name: str) -> list[str]:
        """Make Parquet (a file, a folder, an address of the cluster's) known under a name; its columns."""
        where = source if "://" in source else str(_there(source))
        rows = self._session.read.option("mergeSchema", "true").parquet(where)
        rows.createOrReplaceTempView(name)
        return list(rows.columns)


@contextmanager
def spark_engine(master: str | None = None, settings: dict[str, str] | None = None) -> Iterator[SparkEngine]:
    """A Spark session, stopped again if it was started here.

    Parameters
    ----------
    master : where Spark runs (``local[2]``, ``spark://host:7077``, ``yarn``); None: what the surroundings
        say (`spark-submit`, ``SPARK_MASTER``), else every core of this machine
    settings : further Spark settings

    Raises
    ------
    FleetError
        If pyspark or Java isn't there, or Spark fails.
    """
    sql = _pyspark()
    where = master or os.environ.get("SPARK_MASTER") or "local[*]"
    active = sql.SparkSession.getActiveSession()
    with warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", message="PySpark does not yet fully support pandas", category=FutureWarning
        )
        yield from _session(sql, where, active, settings or {})


def _session(sql: Any, where: str, active: Any, settings: dict[str, str]) -> Iterator[SparkEngine]:
    try:
        builder = sql.SparkSession.builder.appName("fleet tallies").master(where)
        alone = _ALONE if where.startswith("local") else {}
        for key, value in {**alone, **settings, **_ALWAYS}.items():
            builder = builder.config(key, value)
        session = active or builder.getOrCreate()
        session.sparkContext.setLogLevel("ERROR")
    except Exception as error:
        raise FleetError(f"Spark can't be started at {where}: {_first_line(error)}") from error
    try:
        yield SparkEngine(session)
    except FleetError:
        raise
    except Exception as error:
        if type(error).__module__.partition(".")[0] not in {"pyspark", "py4j"}:
            raise
        raise FleetError(f"Spark could not sum the sheets up: {_first_line(error)}") from error
    finally:
        if active is None:
            session.stop()


def _pyspark() -> Any:
    try:
        return importlib.import_module("pyspark.sql")
    except ImportError:
        raise FleetError(
            f"Spark isn't installed here: {how_to_install('spark')} (it needs Java 17)"
        ) from None


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:200]


def _there(source: str) -> Path:
    path = Path(source).expanduser()
    if not path.exists():
        raise UnreadableFileError(f"there is no file or folder {path.name}")
    return path.resolve()

"""Sum sheets up where they lie: `fleet tallies`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common, files_out
from fleet.cli.common import say
from fleet.errors import FleetError

if TYPE_CHECKING:
    from collections.abc import Callable

    from fleet.fitting.external_sheets import Outside

ENGINES = ("duckdb", "spark")


def tallies(
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="[SOURCE]",
            help="A Parquet file, or a folder of them (partitioned or not), in the store's columns; "
            "the store's own sheets if left out.",
            show_default=False,
        ),
    ] = None,
    engine: Annotated[
        str,
        typer.Option(
            "--engine", metavar="NAME", help="What sums up: duckdb, or spark where SPARK_MASTER says."
        ),
    ] = "duckdb",
    out: Annotated[Path, files_out.own_file("--out", "The file to write.", ".npz")] = Path("tallies.npz"),
    store: common.StoreOption = None,
) -> None:
    """Sum sheets up where they lie, and write the sums to a file that fleet refit --tallies learns from.

    For fleets that no single store holds: each sheet is looked at where it is, only the sums travel. The file
    holds no sheet, but in a small group a sum can be one unit's: it is for your own use.
    """
    if engine not in ENGINES:
        raise FleetError(f"there is no engine of that name; name one of {', '.join(ENGINES)} with --engine")
    if engine == "spark" and source is None:
        raise FleetError("name the Parquet that Spark shall sum up: fleet tallies SOURCE --engine spark")
    from fleet.tallies.files import write_tallies

    with common.progress() as tell:
        done = _of_store(store, tell) if source is None else _of_source(source, engine, tell)
    files_out.make_way(out)
    write_tallies(out, done.gathered, done.about)
    say(done.sentence)
    say(f"Wrote {out}. Next: fleet refit --tallies {out}")


def _of_source(source: str, engine: str, tell: Callable[[str], None] | None) -> Outside:
    from fleet.fitting.external_sheets import gather_source

    if engine == "duckdb":
        from fleet.store.tallies import parquet_engine

        with parquet_engine() as duck:
            return gather_source(duck, source, progress=tell)
    from fleet.tallies.spark import spark_engine

    with spark_engine() as spark:
        return gather_source(spark, source, progress=tell)


def _of_store(given: Path | None, tell: Callable[[str], None] | None) -> Outside:
    from fleet.fitting.external_sheets import gather_store

    return gather_store(common.the_store(given), progress=tell)

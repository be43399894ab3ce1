"""Schema changes: numbered SQL files, each applied in one transaction with the record that it was."""

from __future__ import annotations

import contextlib
from functools import cache
from importlib import resources
from pathlib import Path

import duckdb

from fleet.errors import FleetError
from fleet.store.connection import Connection, utc_now


@cache
def migrations() -> tuple[tuple[int, str, str], ...]:
    """All known migrations in order: (number, name, SQL)."""
    folder = resources.files("fleet.store") / "migrations"
    found = sorted(
        (entry.name, entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".sql")
    )
    return tuple((int(name.split("_")[0]), name.removesuffix(".sql"), sql) for name, sql in found)


def newest_schema() -> int:
    """Number of the newest migration that this program knows."""
    return migrations()[-1][0]


def schema_of(con: Connection, path: Path) -> int:
    """Number of the newest migration in the file, 0 if it is empty.

    Raises
    ------
    FleetError
        If the file is some other database, or from a newer fleet than this one.
    """
    other = f"{path} is a database, but not a fleet store; name the store with --store."
    try:
        version = int(con.execute("select coalesce(max(version), 0) from schema_version").fetchall()[0][0])
    except duckdb.CatalogException:
        if con.execute("select table_name from duckdb_tables()").fetchall():
            raise FleetError(other) from None
        return 0
    except (duckdb.BinderException, ValueError) as error:
        raise FleetError(other) from error
    if version > newest_schema():
        raise FleetError(
            f"the store {path} was made by a newer fleet (its schema is {version}, this fleet knows "
            f"{newest_schema()}); update fleet."
        )
    return version


def migrate(con: Connection, path: Path) -> list[str]:
    """Bring the file up to the newest schema.

    Returns
    -------
    Names of the migrations applied now, empty if there was nothing to do.
    """
    have = schema_of(con, path)
    applied = []
    for number, name, sql in migrations():
        if number <= have:
            continue
        con.begin()
        try:
            for statement in con.extract_statements(sql):
                con.execute(statement).fetchall()
            con.execute("insert into schema_version values (?, ?, ?)", [number, name, utc_now()]).fetchall()
            con.commit()
        except BaseException:
            with contextlib.suppress(Exception):  # the first error is the one to tell
                con.rollback()
            raise
        applied.append(name)
    return applied

"""Schema changes are applied whole and once, and a newer store is left alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.errors import FleetError
from fleet.store import Store, migrate
from fleet.store import store as store_module


def test_migrations_are_numbered_without_gaps() -> None:
    """Each migration has the next number, so that no two ever claim the same."""
    numbers = [number for number, _, _ in migrate.migrations()]
    assert numbers == list(range(1, len(numbers) + 1))


def test_every_migration_is_recorded(store: Store) -> None:
    """The store knows which migrations made it."""
    with store.reader() as con:
        rows = con.execute("select version, name from schema_version order by version").fetchall()
    assert rows == [(number, name) for number, name, _ in migrate.migrations()]


def test_a_store_from_a_newer_fleet_is_refused(store: Store) -> None:
    """Neither reading nor writing touches a store that this program doesn't understand."""
    with store.writer() as con:
        con.execute("insert into schema_version values (99, '099_future', timestamp '2030-01-01')").fetchall()
    for attempt in (store.revision, store.create, store.writer().__enter__):
        with pytest.raises(FleetError, match=r"made by a newer fleet \(its schema is 99.*update fleet"):
            attempt()


def test_an_older_store_is_brought_up_to_date_on_opening(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A migration that is new to the store is applied once, its record with it."""
    known = migrate.migrations()
    newer = (
        *known,
        (len(known) + 1, "extra", "create table extra (a integer); insert into extra values (1);"),
    )
    monkeypatch.setattr(migrate, "migrations", lambda: newer)
    for _ in range(2):
        with store.reader() as con:
            assert con.execute("select a from extra").fetchall() == [(1,)]


def test_a_migration_that_fails_leaves_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A failing statement undoes the statements before it, and no record is kept."""
    known = migrate.migrations()
    newer = (
        *known,
        (len(known) + 1, "extra", "create table extra (a integer); insert into nothing values (1);"),
    )
    with monkeypatch.context() as patch:
        patch.setattr(migrate, "migrations", lambda: newer)
        with pytest.raises(Exception, match="nothing"):
            store.revision()
    with store.reader() as con:
        tables = {row[0] for row in con.execute("select table_name from duckdb_tables()").fetchall()}
    assert "extra" not in tables


def test_a_store_half_made_is_never_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If making a store fails midway, nothing is left under its name or beside it."""

    def fail(*_: object) -> None:
        raise FleetError("stopped")

    monkeypatch.setattr(store_module, "migrate", fail)
    with pytest.raises(FleetError, match="stopped"):
        Store(tmp_path / "fleet.duckdb").create()
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == ["fleet.duckdb.lock"]

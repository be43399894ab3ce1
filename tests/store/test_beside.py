"""Several programs at one store: writers beside writers and busy readers, rights, limits, older DuckDB."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from fleet.errors import NoStoreError
from fleet.store import Store, back_up, backup, check_store, restore

Sheets = Callable[..., pd.DataFrame]
N_INTAKES = 6
N_READS = 25

WRITER = f"""
import sys
import pandas as pd
from fleet.store import Store
store, name = Store(sys.argv[1]), sys.argv[2]
print("ready", flush=True)
sys.stdin.readline()
for number in range({N_INTAKES}):
    frame = pd.DataFrame({{"sheet_no": [f"{{name}}{{number}}-{{i}}" for i in range(200)]}})
    frame = frame.assign(measured_on=pd.Timestamp("2024-01-01"), body_family="F1")
    assert store.append(frame, file_name=f"{{name}}{{number}}.csv").accepted == 200
"""
READER = """
import sys, time
from fleet.store import Store
store = Store(sys.argv[1])
print("ready", flush=True)
sys.stdin.readline()
seen = []
for _ in range(int(sys.argv[2])):
    seen.append((len(store.current(["sheet_no"])), store.revision()))
    time.sleep(0.02)
assert seen == sorted(seen)
assert all(rows % 200 == 0 for rows, _ in seen)
print(len(seen))
"""


def started(code: str, *arguments: object) -> subprocess.Popen[str]:
    """A worker that waits for its starting line."""
    process = subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def finished(*processes: subprocess.Popen[str]) -> list[str]:
    """What each said after all were started at once; none may have failed."""
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    said = [process.communicate(timeout=120) for process in processes]
    for process, (_, error) in zip(processes, said, strict=True):
        assert process.returncode == 0, error
    return [out for out, _ in said]


@pytest.mark.long
def test_two_writers_at_once_both_get_everything_in(store: Store) -> None:
    """Each waits for the other; no row is lost, none is there twice, every intake is counted."""
    finished(started(WRITER, store.path, "A"), started(WRITER, store.path, "B"))
    health = check_store(store)
    assert health.problems == ()
    assert (health.sheets, health.intakes, health.revision) == (400 * N_INTAKES, 2 * N_INTAKES, 2 * N_INTAKES)


@pytest.mark.long
def test_a_writer_beside_busy_readers_gets_everything_in(store: Store) -> None:
    """Readers see whole intakes only, never fewer than before, and neither side fails."""
    readers = [started(READER, store.path, N_READS) for _ in range(2)]
    _, *reads = finished(started(WRITER, store.path, "A"), *readers)
    assert [int(count) for count in reads] == [N_READS, N_READS]
    assert check_store(store).sheets == 200 * N_INTAKES


@pytest.mark.skipif(os.name != "posix", reason="rights are POSIX")
def test_all_that_is_made_is_for_its_owner_alone(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """New folders, backups, restored stores and rewritten ones are closed to others."""
    store.append(sheets({}), file_name="a.csv")
    made = back_up(store, tmp_path / "new" / "deep" / "copy.duckdb")
    elsewhere = Store(tmp_path / "again" / "fleet.duckdb")
    restore(elsewhere, made)
    with backup.remake(store):
        pass
    for path in (store.path, made, elsewhere.path):
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.parent.stat().st_mode & 0o777 == 0o700
    assert {p.stat().st_mode & 0o077 for p in store.path.parent.rglob("*")} == {0}


def test_every_file_is_written_for_the_older_duckdb_too(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """Stores, backups, restored and rewritten ones bear the version that DuckDB 1.4 and 1.5 read."""
    store.append(sheets({}), file_name="a.csv")
    made = back_up(store, tmp_path / "copy.duckdb")
    restore(Store(tmp_path / "again.duckdb"), made)
    with backup.remake(store):
        pass
    for path in (store.path, made, tmp_path / "again.duckdb"):
        with duckdb.connect(str(path), read_only=True) as con:
            (tags,) = con.execute("select tags from duckdb_databases() where path is not null").fetchall()
        assert tags[0]["storage_version"].startswith("v1.4.0")


def test_resources_are_limited_and_other_files_are_shut_off(store: Store) -> None:
    """Every reader and writer has the documented limits and no way to other files."""
    names = ("threads", "memory_limit", "enable_external_access", "autoinstall_known_extensions")
    told = ", ".join(f"current_setting('{name}')::varchar" for name in names)
    for door in (store.reader, store.writer):
        with door() as con:
            assert con.execute(f"select {told}").fetchall() == [("2", "1.8 GiB", "false", "false")]


def test_a_store_held_open_is_one_connection(
    store: Store, sheets: Sheets, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A held store is opened once, by whatever name it is asked; what one look keeps aside no other sees."""
    opened: list[str] = []
    connect = duckdb.connect

    def counted(path: str, **told: Any) -> duckdb.DuckDBPyConnection:
        opened.append(path)
        return connect(path, **told)

    monkeypatch.setattr(duckdb, "connect", counted)
    with store.held():
        first, again = store.revision(), Store(store.path).open().revision()
        with store.held(), store.reader() as con:
            con.execute("create temp view sheet as select 1 as hidden").fetchall()
        assert len(store.current()) == 0
        assert len(opened) == 1
        assert first == again
        other = Store(tmp_path / "other.duckdb").create()
        assert other.append(sheets({}), file_name="a.csv").accepted > 0 == len(store.current())
    opened.clear()
    assert store.append(sheets({}), file_name="a.csv").accepted == len(store.current()) > 0
    assert len(opened) == 2


def test_a_store_that_is_not_there_is_held_without_a_word(tmp_path: Path) -> None:
    """Who answers without a store goes on; the first look into it says that it is absent."""
    absent = Store(tmp_path / "none.duckdb")
    with absent.held(), pytest.raises(NoStoreError, match="no store"):
        absent.revision()
    assert not absent.path.exists()

"""One writer or many readers, and one plain line for whatever goes wrong with the file."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.files.places import default_path
from fleet.files.working import working_folders
from fleet.store import Store, connection
from fleet.store import store as store_module

Sheets = Callable[..., pd.DataFrame]


@contextmanager
def held(path: Path, *, read_only: bool) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the file open until it is told to stop."""
    code = (
        f"import duckdb, sys; con = duckdb.connect({str(path)!r}, read_only={read_only}); "
        "print('held', flush=True); sys.stdin.readline(); con.close()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    try:
        yield process
    finally:
        process.communicate("\n", timeout=20)


def test_a_writer_elsewhere_is_said_plainly(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reader and writer alike give up after their wait with one line and no process number."""
    monkeypatch.setattr(store_module, "READER_WAIT_S", 0.1)
    with held(store.path, read_only=False):
        for attempt in (store.revision, store.writer(wait_s=0.1).__enter__):
            with pytest.raises(FleetError, match="is in use by another program") as caught:
                attempt()
            assert "PID" not in str(caught.value)
    assert store.revision() == 0


def test_a_writer_waits_for_a_reader_to_finish(store: Store, sheets: Sheets) -> None:
    """A lock that goes away in time costs only a little waiting."""
    with held(store.path, read_only=True) as other:
        assert other.stdin is not None
        threading.Timer(0.4, lambda: (other.stdin.write("\n"), other.stdin.flush())).start()
        assert store.append(sheets({}), file_name="a.csv").accepted == 1


def test_readers_do_not_shut_each_other_out(store: Store) -> None:
    """Another process may read at the same time, and so may this one, nested."""
    with held(store.path, read_only=True), store.reader():
        assert store.revision() == 0


def test_a_reader_in_this_process_delays_a_writer(store: Store, sheets: Sheets) -> None:
    """Within one process a reader in one thread and a writer in another wait for each other too."""
    entered = threading.Event()

    def read_a_while() -> None:
        with store.reader():
            entered.set()
            time.sleep(0.3)

    thread = threading.Thread(target=read_a_while)
    thread.start()
    entered.wait()
    assert store.append(sheets({}), file_name="a.csv").accepted == 1
    thread.join()


def test_an_absent_store_says_how_to_make_one(tmp_path: Path) -> None:
    """Reading before the first intake names the commands that make a store."""
    with pytest.raises(FleetError, match=r"fleet intake FILE .*fleet demo"):
        Store(tmp_path / "none.duckdb").current()


@pytest.mark.parametrize("content", [b"", b"not a database at all", b"\0" * 20_000])
def test_another_kind_of_file_is_refused(tmp_path: Path, content: bytes) -> None:
    """A file that is no database is left alone."""
    path = tmp_path / "x.duckdb"
    path.write_bytes(content)
    for attempt in (Store(path).revision, Store(path).create):
        with pytest.raises(FleetError, match="is not a fleet store"):
            attempt()
    assert path.read_bytes() == content


def test_another_database_is_refused(tmp_path: Path) -> None:
    """A DuckDB file with tables of its own is not taken over."""
    path = tmp_path / "x.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("create table theirs (a integer)").fetchall()
    for attempt in (Store(path).revision, Store(path).create, Store(path).writer().__enter__):
        with pytest.raises(FleetError, match="not a fleet store"):
            attempt()


def test_a_damaged_file_is_said_plainly(store: Store, sheets: Sheets) -> None:
    """A flipped byte in a used block is noticed and the way out is named."""
    store.append(sheets({"serial_token": "t" * 24}), file_name="a.csv")
    data = bytearray(store.path.read_bytes())
    for at in range(12_288 + 64, len(data), 4096):
        data[at] ^= 0xFF
    store.path.write_bytes(bytes(data))
    with pytest.raises(FleetError, match=r"is damaged; take the newest backup: fleet restore BACKUP"):
        store.current()


def test_a_cut_file_is_said_plainly(store: Store, sheets: Sheets) -> None:
    """A file that lost its end is noticed."""
    store.append(sheets({}), file_name="a.csv")
    store.path.write_bytes(store.path.read_bytes()[:9000])
    with pytest.raises(FleetError, match="is damaged"):
        store.current()


def test_a_folder_in_the_stores_place_is_said_plainly(tmp_path: Path) -> None:
    """A folder is no store."""
    for attempt in (Store(tmp_path).revision, Store(tmp_path).create):
        with pytest.raises(FleetError, match="is a folder, not a store"):
            attempt()


def test_a_place_that_cannot_be_written_is_said_plainly(tmp_path: Path) -> None:
    """A file in the way of the folder, or a folder without rights, is one line."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(FleetError, match="cannot make a store in"):
        Store(tmp_path / "file" / "fleet.duckdb").create()


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the administrator may write anywhere")
def test_a_read_only_folder_is_said_plainly(tmp_path: Path) -> None:
    """A folder that may not be written gets no store."""
    tmp_path.chmod(0o500)
    with pytest.raises(FleetError, match="may not be opened here; check the rights of the file"):
        Store(tmp_path / "fleet.duckdb").create()


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ("IO Error: Could not write file: No space left on device", "the disk is full"),
        ('IO Error: Cannot open file "x": Permission denied', "may not be opened here"),
        ('IO Error: Cannot open file "x": Read-only file system', "may not be opened here"),
        ("IO Error: Trying to read a database file with version number 99", "made by a newer DuckDB"),
    ],
)
def test_errors_of_the_system_are_translated(message: str, says: str) -> None:
    """What can't easily be brought about here is at least worded."""
    error = connection.explain(duckdb.IOException(message), Path("x.duckdb"))
    assert error is not None
    assert says in str(error)


def test_a_fault_of_our_own_is_not_dressed_up(store: Store) -> None:
    """A wrong query stays what it is."""
    with pytest.raises(duckdb.CatalogException), store.reader() as con:
        con.execute("select * from nothing").fetchall()


def test_a_writer_that_fails_keeps_nothing(store: Store) -> None:
    """Whatever is raised inside a writer undoes all that it did."""

    def interrupted() -> None:
        with store.writer() as con:
            con.execute("update store_state set revision = 99").fetchall()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert store.revision() == 0


def test_sql_can_reach_no_other_file(store: Store, tmp_path: Path) -> None:
    """Readers and writers alike are shut off from other files and from changing that."""
    (tmp_path / "a.csv").write_text("a\n1\n")
    for door in (store.reader, store.writer):
        for query in (f"from '{tmp_path}/a.csv'", "set enable_external_access = true"):
            with pytest.raises(duckdb.Error, match=r"disabled|locked|Cannot"), door() as con:
                con.execute(query).fetchall()


@pytest.mark.skipif(os.name != "posix", reason="rights are POSIX")
def test_the_store_is_for_its_owner_alone(store: Store, sheets: Sheets) -> None:
    """The folder that is made, the file and its log are closed to others."""
    assert store.path.parent.stat().st_mode & 0o777 == 0o700
    assert store.path.stat().st_mode & 0o777 == 0o600
    with store.writer() as con:
        con.execute("update store_state set revision = 7").fetchall()
        con.commit()
        con.begin()
        log = store.path.with_name(store.path.name + ".wal")
        assert log.stat().st_mode & 0o777 == 0o600


def test_a_long_query_draws_nothing(store: Store, capfd: pytest.CaptureFixture[str]) -> None:
    """No progress bar gets into a table on standard output, also where connections are nested."""
    with store.reader(), store.reader() as con:
        assert con.execute("select current_setting('enable_progress_bar')").fetchall() == [(False,)]
    with connection.connection(Path(":memory:"), read_only=False, wait_s=0, shut=False) as con:
        assert con.execute("select current_setting('enable_progress_bar')").fetchall() == [(False,)]
    assert capfd.readouterr() == ("", "")


def test_making_a_store_twice_keeps_the_first(store: Store, sheets: Sheets) -> None:
    """Creating is harmless where a store already is, and leaves nothing else in the folder."""
    store.append(sheets({}), file_name="a.csv")
    assert len(store.create().current()) == 1
    assert [p.name for p in store.path.parent.glob("*.duckdb*")] == ["fleet.duckdb"]
    assert working_folders(store.path.parent) == []


def test_the_place_of_the_store_can_be_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """FLEET_STORE names the store; without it, it lies with the user's data."""
    monkeypatch.setenv("FLEET_STORE", str(tmp_path / "x.duckdb"))
    assert default_path() == tmp_path / "x.duckdb"
    monkeypatch.delenv("FLEET_STORE")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    assert default_path() == tmp_path / "fleet" / "fleet.duckdb"
    assert Store().path == default_path()


def test_only_copies_and_parquet_open_other_files() -> None:
    """SQL that names another file stands where copies are made and Parquet is read, nowhere else.

    Most tests open stores by one engine for all (`one_engine.py`), which isn't shut off from other files.
    """
    opens = re.compile(r"\b(attach|detach|copy|export|import|install|load|read_\w+|glob)\b")
    found = set()
    for room in ("store", "tallies"):
        for path in (Path(connection.__file__).parents[1] / room).rglob("*.py"):
            nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
            docstrings = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
            texts = [n.value for n in nodes if isinstance(n, ast.Constant) and id(n) not in docstrings]
            if any(isinstance(text, str) and opens.search(text.lower()) for text in texts):
                found.add(f"{room}/{path.name}")
    assert found == {"store/backup.py", "store/tallies.py"}

"""The only door to DuckDB: short-lived connections, one configuration, plain sentences for its errors.

One process may write or many may read, never both, so nobody keeps a connection open: a reader waits a few
seconds for a writer to finish, a writer longer for the readers.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import duckdb

from fleet.errors import FleetError, NoStoreError, StoreBusyError

READER_WAIT_S: Final = 4.0
WRITER_WAIT_S: Final = 20.0
_RETRY_S: Final = 0.05

_CONFIG: Final[dict[str, Any]] = {
    "threads": 2,
    "memory_limit": "2GB",
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "python_enable_replacements": False,
    "storage_compatibility_version": "v1.4.0",
}
PLAIN_CONFIG: Final[dict[str, Any]] = {
    k: v for k, v in _CONFIG.items() if k != "storage_compatibility_version"
}
"""For a connection that holds no file of its own."""
_SHUT: Final[dict[str, Any]] = {**_CONFIG, "enable_external_access": False}
QUIET: Final = "set enable_progress_bar = false"
"""A bar would be drawn into tables on standard output. It can only be put off after opening, each time anew,
so the configuration isn't locked; but access to other files stays shut, no statement can open it again."""

_NO_STORE: Final = "{path} is not a fleet store; name the store with --store or FLEET_STORE."

Connection = duckdb.DuckDBPyConnection
T = TypeVar("T")


def open_file(path: str, *, read_only: bool, config: dict[str, Any]) -> Connection:
    """Open a file with an engine of its own (13 ms of processor time); most tests share one."""
    return duckdb.connect(path, read_only=read_only, config=config)


def _is_lock(error: duckdb.Error) -> bool:
    text = str(error).lower()
    return (
        "could not set lock" in text or "different configuration" in text or "being used by another" in text
    )


def disk_is_full(error: duckdb.Error) -> bool:
    """Whether there is no room for what was to be written."""
    text = str(error).lower()
    return any(words in text for words in ("no space left", "disk full", "out of disk", "file too large"))


def explain(error: duckdb.Error, path: Path) -> FleetError | None:
    """Say an error of DuckDB that a user can meet in one line; None if it is our own fault."""
    text = str(error).lower()
    if _is_lock(error):
        return StoreBusyError(
            f"the store {path} is in use by another program; try again when it has finished."
        )
    if "not a valid duckdb database" in text:
        return FleetError(_NO_STORE.format(path=path))
    if "corrupt" in text or "checksum" in text or "could not read enough bytes" in text:
        return FleetError(f"the store {path} is damaged; take the newest backup: fleet restore BACKUP.")
    if disk_is_full(error):
        return FleetError(f"the disk is full: nothing was stored in {path}; make room and try again.")
    if "does not exist" in text and "database" in text:
        return absent(path)
    if "is a directory" in text:
        return FleetError(
            f"{path} is a folder, not a store; name the store's file with --store or FLEET_STORE."
        )
    if "permission denied" in text or "read-only file system" in text or "cannot open file" in text:
        return FleetError(
            f"the store {path} may not be opened here; check the rights of the file and its folder."
        )
    if "version number" in text or "newer version of duckdb" in text or "serialization version" in text:
        return FleetError(f"the store {path} was made by a newer DuckDB; update fleet's packages.")
    if isinstance(error, duckdb.OutOfMemoryException):
        return FleetError("there is not enough memory for this; close other programs and try again.")
    if isinstance(error, duckdb.IOException | duckdb.FatalException) or "failed to commit" in text:
        return FleetError(
            f"the disk of the store {path} fails ({str(error).splitlines()[0][:120]}); "
            "look at the disk, then: fleet check"
        )
    return None


def absent(path: Path, kept: Sequence[Path] = ()) -> NoStoreError:
    """The error of a store that isn't there: which command makes one, or brings one that was kept back."""
    if kept:
        return NoStoreError(
            f"there is no store at {path}, but one that was there before is kept: fleet restore {kept[-1]}   "
            "(or move that away to begin anew)"
        )
    return NoStoreError(
        f"there is no store at {path} yet; make one with: fleet intake FILE   (or: fleet demo)"
    )


@contextmanager
def connection(
    path: Path, *, read_only: bool, wait_s: float, shut: bool = True, told: Path | None = None
) -> Iterator[Connection]:
    """Open the file, hand out the connection, close it; DuckDB's errors come out as `FleetError`.

    Parameters
    ----------
    path : the store's file; a writer makes it if it is absent.
    read_only : many readers may be open at once, a writer only alone.
    wait_s : how long to wait for another program's lock [s].
    shut : whether SQL is kept from touching any other file (only copying opens another).
    told : the file that an error names, if not `path`.
    """
    told = told or path
    if not _may_be_database(path):
        raise FleetError(_NO_STORE.format(path=told))
    config = _SHUT if shut else _CONFIG
    with _plain_errors(told):
        con = wait_for_lock(lambda: open_file(str(path), read_only=read_only, config=config), wait_s)
    try:
        with _plain_errors(told):
            con.execute(QUIET).fetchall()
            yield con
    finally:
        with _plain_errors(told):  # a full disk may show only when the log is folded into the file
            con.close()


@contextmanager
def sides_as_written(con: Connection) -> Iterator[None]:
    """Inside the block the right side of a join is the one that DuckDB makes its table of.

    The views of current and teaching sheets have the smaller side there.  Left to itself DuckDB takes the
    fleet for the smaller one, and a scan of a million teaching sheets takes twice the time.
    """
    con.execute("set disabled_optimizers = 'build_side_probe_side'").fetchall()
    try:
        yield
    finally:
        con.execute("reset disabled_optimizers").fetchall()


def log_of(file: Path) -> Path:
    """Where DuckDB keeps what it has not yet folded into a file."""
    return file.with_name(f"{file.name}.wal")


def hold_whole(file: Path, told: Path) -> None:
    """Hold a finished file that is to be moved to having all in it.

    Where the disk fails as DuckDB closes a file, it tells nobody, and what is new stays in the log alone.

    Parameters
    ----------
    file : the file, closed.
    told : the store that an error names.

    Raises
    ------
    FleetError
        If some of it is still in a log.
    """
    if log_of(file).exists():
        raise FleetError(
            f"the disk of the store {told} fails (a new file could not be finished); "
            "look at the disk, then: fleet check"
        )


def _may_be_database(path: Path) -> bool:
    """Whether a file bears DuckDB's mark; DuckDB would open a table of another kind as if it were its own."""
    try:
        with path.open("rb") as file:
            start = file.read(12)
    except OSError:
        return True  # absent, or a folder, or shut: opening it says which
    return not start or start[8:] == b"DUCK"


@contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except duckdb.Error as error:
        plain = explain(error, path)
        if plain is None:
            raise
        raise plain from error


def wait_for_lock(attempt: Callable[[], T], wait_s: float) -> T:
    """Do something again while another program's lock forbids it, but not for longer than `wait_s` [s]."""
    end = time.monotonic() + wait_s
    while True:
        try:
            return attempt()
        except duckdb.Error as error:
            if not _is_lock(error) or time.monotonic() >= end:
                raise
            time.sleep(_RETRY_S)


@contextmanager
def owner_only_files() -> Iterator[None]:
    """Files made inside are readable by their owner alone (where the system knows such rights)."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def utc_now() -> datetime:
    """The present second, universal time, without a zone (as the store keeps it)."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)

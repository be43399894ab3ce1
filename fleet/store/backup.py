"""Copies of a store: back it up, bring it back, write it anew. The token key is never in a copy."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fleet.errors import FleetError, StoreBusyError
from fleet.store.connection import (
    READER_WAIT_S,
    Connection,
    connection,
    owner_only_files,
    utc_now,
    wait_for_lock,
)
from fleet.store.health import check_store
from fleet.store.store import Store


def back_up(store: Store, target: Path | str) -> Path:
    """Copy a store whole into a new file; the token key is not in it.

    Parameters
    ----------
    store : the store; readers may go on reading meanwhile.
    target : the new file, or a folder, in which a name with the day and the revision is chosen.

    Returns
    -------
    The file that was made.

    Raises
    ------
    FleetError
        If there is a file already, the place can't be written, or the disk is full.
    """
    target = Path(target).expanduser()
    if target.is_dir():
        target = target / f"{store.path.stem}-{utc_now():%Y-%m-%d}-revision-{store.revision()}.duckdb"
    if target.exists():
        raise FleetError(f"{target} is there already; name another file.")
    with _new_file(target) as new:
        with _attached(store) as con:
            _copy_all(con, new)
        _rename(new, target)
    return target


def restore(store: Store, backup: Path | str) -> Path | None:
    """Put a backup in the store's place; what was there is kept beside it.

    Parameters
    ----------
    store : where to.
    backup : a file that `back_up` made.

    Returns
    -------
    Where the former store is now, None if there was none.

    Raises
    ------
    FleetError
        If the backup is no store or not sound; `StoreBusyError` if the store is in use.
    """
    source = Store(backup)
    if problems := check_store(source).problems:
        raise FleetError(f"the backup {backup} is not sound: {problems[0]}; take another one.")
    revision = max(source.revision(), _revision_if_readable(store)) + 1
    with _new_file(store.path) as new:
        with _attached(source) as con:
            _copy_all(con, new)
        with connection(new, read_only=False, wait_s=0) as con:
            con.execute("update store_state set revision = ?", [revision]).fetchall()
        kept = _move_aside(store.path)
        _rename(new, store.path)
    return kept


def _revision_if_readable(store: Store) -> int:
    """Revision of the store to be replaced; a damaged one's is put far ahead, so no cache is fooled."""
    if not store.path.exists():
        return 0
    try:
        return store.revision()
    except StoreBusyError:
        raise
    except FleetError:
        return int(utc_now().timestamp())


def _move_aside(path: Path) -> Path | None:
    if not path.exists():
        return None
    kept = path.with_name(f"{path.stem}-before-restore-{utc_now():%Y%m%d-%H%M%S}{path.suffix}")
    log = path.with_name(path.name + ".wal")
    if log.exists():
        log.rename(kept.with_name(kept.name + ".wal"))
    path.rename(kept)
    return kept


def rewrite(store: Store) -> None:
    """Write the store's file anew, so that nothing erased stays in its free blocks."""
    with store.writer():
        pass  # folds what is left of a log into the file
    with _new_file(store.path) as new, _attached(store) as con:
        _copy_all(con, new)
        _rename(new, store.path)  # while the old file is still held: nobody can have written to it since


@contextmanager
def _attached(store: Store) -> Iterator[Connection]:
    """An in-memory connection with the store attached for reading as `source`."""
    store.open()
    with connection(Path(":memory:"), read_only=False, wait_s=0, shut=False, told=store.path) as con:
        attach = f"attach {_quoted(store.path)} as source (read_only)"
        wait_for_lock(lambda: con.execute(attach).fetchall(), READER_WAIT_S)
        yield con


def _copy_all(con: Connection, new: Path) -> None:
    con.execute(f"attach {_quoted(new)} as target (storage_version 'v1.4.0')").fetchall()
    con.execute("copy from database source to target").fetchall()
    con.execute("detach target").fetchall()


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"


@contextmanager
def _new_file(beside: Path) -> Iterator[Path]:
    """A name for a new file in the same folder; whatever is left of it at the end is removed."""
    try:
        beside.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with (
            tempfile.TemporaryDirectory(prefix=".fleet-new-", dir=beside.parent) as folder,
            owner_only_files(),
        ):
            yield Path(folder) / "new.duckdb"
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise FleetError(f"cannot write in {beside.parent}: {why}; name another place.") from error


def _rename(new: Path, path: Path) -> None:
    """Put a finished file under its name, the bytes on the disk before the name."""
    with new.open("rb+") as file:
        os.fsync(file.fileno())
    new.replace(path)

"""Copies of a store: back it up, bring it back, write it anew. The token key is never in a copy.

Nor is the ledger of publications.  An older copy in the store's place has forgotten what was published since;
its units would be put into other groups, and those could be subtracted from the ones before.  So what a store
knows of its publications is kept a second time beside it, and an older store learns it again.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import duckdb

from fleet.errors import FleetError, StoreBusyError
from fleet.files.replacing import exclusive, put_in_place, put_where_nothing_is, second_name
from fleet.files.working import FOLDER, real_place, working_folder
from fleet.store.connection import (
    READER_WAIT_S,
    WRITER_WAIT_S,
    Connection,
    connection,
    disk_is_full,
    hold_whole,
    log_of,
    owner_only_files,
    utc_now,
    wait_for_lock,
)
from fleet.store.health import check_store
from fleet.store.store import Store, kept_name, kept_stores

if TYPE_CHECKING:
    import pyarrow as pa


LEDGER: Final = ("share_state", "share_group", "share_member")
"""Tables of what was published."""
_PROGRESS: Final = (
    "select coalesce(sum(format + case when withdrawn then 3 when counts is not null then 2 else 1 end), 0) "
    "from share_group"
)


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
    if os.path.lexists(target):
        raise FleetError(f"{target} is there already; name another file.")
    with _new_file(target) as new:
        with _attached(store) as con:
            try:
                _copy_all(con, new)
            except duckdb.Error as error:
                if disk_is_full(error):  # the backup's, not the store's
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from error
                raise
        hold_whole(new, store.path)
        try:
            put_where_nothing_is(new, real_place(target))
        except FileExistsError:
            raise FleetError(f"{target} is there already; name another file.") from None
    if FOLDER not in real_place(target).parts:
        _note_copy(store, real_place(target))
    return target


def _copies_file(store: Store) -> Path:
    return store.file.parent / FOLDER / f"{store.file.name}.copies"


def _note_copy(store: Store, copy: Path) -> None:
    """Remember where a backup went, outside the store, so that no backup tells of another.

    Where that can't be written the backup is made nevertheless: it may be wanted for just that reason.
    """
    with (
        contextlib.suppress(OSError, FleetError),
        exclusive(store.path, wait_s=WRITER_WAIT_S),
        owner_only_files(),
        _copies_file(store).open("a", encoding="utf-8", errors="surrogateescape") as file,
    ):
        file.write(json.dumps(str(copy)) + "\n")


def known_copies(store: Store) -> list[Path]:
    """Copies of a store that are still there: backups made from it, and every store in its folder."""
    found = {e for e in store.file.parent.glob("*.duckdb") if e.is_file()}
    with contextlib.suppress(OSError, ValueError):
        lines = _copies_file(store).read_text(encoding="utf-8", errors="surrogateescape").splitlines()
        found |= {copy for copy in map(Path, map(json.loads, lines)) if copy.is_file()}
    return sorted({*found, *kept_stores(store.path)} - {store.file})


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
    with _new_file(store.path) as new:
        with _attached(source, store.path) as con:
            _copy_all(con, new)
        with exclusive(store.path, wait_s=WRITER_WAIT_S) as place:
            revision = max(source.revision(), _revision_to_count_on(store)) + 1
            with connection(new, read_only=False, wait_s=0, told=store.path) as con:
                con.execute("update store_state set revision = ?", [revision]).fetchall()
            hold_whole(new, store.path)
            kept = kept_name(place, f"{utc_now():%Y%m%d-%H%M%S}")
            return _replace(new, place, keep=kept)


def _revision_to_count_on(store: Store) -> int:
    """Revision of the store to be replaced, its log folded in; a damaged one's is put far ahead of any."""
    if not store.path.exists():
        return 0
    try:
        if log_of(store.file).exists():
            with store.writer():
                pass
        return store.revision()
    except StoreBusyError:
        raise
    except FleetError:
        return int(utc_now().timestamp())


@contextmanager
def remake(store: Store) -> Iterator[Connection]:
    """A connection to a copy of the store that takes its place at the end, written anew.

    So nothing erased stays in a free block, and until the very end the store is as it was: whatever goes
    wrong before, nothing has changed. The ledger of publications goes first, so that none ever names a unit
    that the store has erased: killed in between, the store still has it, and the same command does both.
    """
    with exclusive(store.path, wait_s=WRITER_WAIT_S) as place, _new_file(place) as new:
        with store.writer():
            pass  # folds what is left of a log into the file
        copy = new.with_name("changed.duckdb")
        with _attached(store) as con:
            _copy_all(con, copy)
        with connection(copy, read_only=False, wait_s=0, told=store.path) as con:
            con.begin()
            yield con
            con.commit()
            ledger = _tables(con)
        with _attached(Store(copy), store.path) as con:
            _copy_all(con, new)
        hold_whole(new, store.path)
        _write_ledger(store, ledger)
        _replace(new, place)


def _replace(new: Path, place: Path, *, keep: Path | None = None) -> Path | None:
    """Let a finished store take another's place; a log that a damaged one still has goes with it."""
    if not log_of(place).exists():
        return put_in_place(new, place, keep=keep)
    kept = second_name(place, keep) if keep is not None and place.exists() else None
    if kept is not None:
        second_name(log_of(place), log_of(kept))
    log_of(place).unlink()
    put_in_place(new, place)
    return kept


@contextmanager
def _attached(store: Store, told: Path | None = None) -> Iterator[Connection]:
    """An in-memory connection with the store attached for reading as `source`."""
    store.open()
    with connection(Path(":memory:"), read_only=False, wait_s=0, shut=False, told=told or store.path) as con:
        attach = f"attach {_quoted(store.file)} as source (read_only)"
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
    """A name for a new file on the same file system; whatever is left of it at the end is removed."""
    try:
        beside.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with working_folder(beside) as folder, owner_only_files():
            yield folder / "new.duckdb"
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise FleetError(f"cannot write in {beside.parent}: {why}; name another place.") from error


def ledger_file(store: Store) -> Path:
    """Where a store's ledger of publications is, once there was one."""
    return store.file.parent / FOLDER / f"{store.file.name}.published"


def note_ledger(store: Store) -> None:
    """Keep what the store knows of its publications beside it, in place of what was kept before."""
    with exclusive(store.path, wait_s=WRITER_WAIT_S):
        with store.reader() as con:
            tables = _tables(con)
        _write_ledger(store, tables)


def _write_ledger(store: Store, tables: Mapping[str, pa.Table]) -> None:
    if not tables["share_state"].num_rows:
        return
    try:
        with working_folder(store.file) as folder, owner_only_files():
            new = folder / "published"
            with connection(new, read_only=False, wait_s=0, told=store.path) as con:
                for name, table in tables.items():
                    con.register("rows_in", table)
                    con.execute(f"create table {name} as select * from rows_in").fetchall()
                    con.unregister("rows_in")
            hold_whole(new, store.path)
            put_in_place(new, ledger_file(store))
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise FleetError(
            f"the ledger of publications in {ledger_file(store).parent} can't be written: {why}; "
            "see to that, then give the command again."
        ) from error


def catch_up(store: Store) -> None:
    """Bring a store and its ledger together: whichever knows less of what was published learns the rest.

    Raises
    ------
    FleetError
        If there is a ledger that can't be read.
    """
    file = ledger_file(store)
    with exclusive(store.path, wait_s=WRITER_WAIT_S):
        if not file.exists():
            note_ledger(store)
            return
        try:
            with connection(file, read_only=True, wait_s=READER_WAIT_S) as con:
                noted, name = _progress(con), _identity(con)
        except (FleetError, duckdb.Error) as error:
            raise FleetError(
                f"the ledger of publications {file} can't be read; without it figures could be subtracted "
                "from those published before. If it is lost for good, move it away."
            ) from error
        with store.reader() as con:
            knows, own = _progress(con), _identity(con)
        if own is not None and (own != name or knows > noted):
            note_ledger(store)
        elif knows < noted:
            with connection(file, read_only=True, wait_s=READER_WAIT_S) as con:
                kept = _tables(con)
            if own is not None or _holds_some_of(store, kept["share_member"]):
                _take_over(store, kept)


def _take_over(store: Store, kept: Mapping[str, pa.Table]) -> None:
    with store.writer() as con:
        for name, table in kept.items():
            con.register("rows_in", table)
            con.execute(f"delete from {name}").fetchall()
            con.execute(f"insert into {name} by name select * from rows_in").fetchall()
            con.unregister("rows_in")
        con.execute("update share_state set revision = null").fetchall()


def _tables(con: Connection) -> dict[str, pa.Table]:
    return {name: con.sql(f"select * from {name}").to_arrow_table() for name in LEDGER}


def _progress(con: Connection) -> int:
    """A number that grows with every group formed, counted, told anew or withdrawn."""
    return int(con.execute(_PROGRESS).fetchall()[0][0])


def _identity(con: Connection) -> str | None:
    found = con.execute("select identity from share_state").fetchall()
    return str(found[0][0]) if found else None


def _holds_some_of(store: Store, members: pa.Table) -> bool:
    """Whether a store that never published has units of published groups: it is older than they are."""
    with store.reader() as con:
        con.register("rows_in", members)
        shared = con.execute("select count(*) from current_sheet semi join rows_in using (unit)").fetchall()
        con.unregister("rows_in")
    return bool(shared[0][0])

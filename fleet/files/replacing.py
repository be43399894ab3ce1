"""One way for a file to take another's place, while others read, write or want to replace it too.

Whoever writes to such a file or replaces it holds its lock, a file of that name in `.fleet-work` beside it.
The new file is complete and on the disk before its name is; the old one stays, if it is to be kept, by a
second name that it has before it loses the first. So at every moment a whole file stands under the name.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final

from fleet.errors import FleetError, StoreBusyError
from fleet.files.working import FOLDER, real_place, same_file, try_lock, working_folder

_RETRY_S: Final = 0.05
_mine = threading.local()


@contextmanager
def exclusive(path: Path, *, wait_s: float, what: str = "the store") -> Iterator[Path]:
    """Hold a file's lock, also over calls of the same thread that ask for it again; yields its real place.

    Parameters
    ----------
    path : the file, which need not be there.
    wait_s : how long to wait for whoever holds the lock [s].
    what : what an error calls the file.

    Raises
    ------
    FleetError
        `StoreBusyError` if it takes too long, or the system lets nobody write there.
    """
    place = real_place(path)
    held: set[Path] = _mine.__dict__.setdefault("held", set())
    if place in held:
        yield place
        return
    try:
        handle = _lock(place, time.monotonic() + wait_s)
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise FleetError(
            f"{what} {path} may not be opened here; check the rights of the file and its folder ({why})."
        ) from error
    if handle is None:
        raise StoreBusyError(f"{what} {path} is in use by another program; try again when it has finished.")
    held.add(place)
    try:
        yield place
    finally:
        held.discard(place)
        os.close(handle)


def _lock(place: Path, end: float) -> int | None:
    """A handle that holds the lock; None if somebody else had it until the end."""
    file = place.parent / FOLDER / f"{place.name}.lock"
    while True:
        with contextlib.suppress(FileExistsError):
            file.parent.mkdir(mode=0o700)
        try:
            handle = os.open(file, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        except FileNotFoundError:  # the folder was swept away in between, or its own folder isn't there
            if not place.parent.is_dir():
                raise
            continue
        if try_lock(handle) and same_file(handle, file):
            return handle
        os.close(handle)
        if time.monotonic() >= end:
            return None
        time.sleep(_RETRY_S)


def put_in_place(new: Path, path: Path, *, keep: Path | None = None) -> Path | None:
    """Let a finished file take a name; at every moment the old file or the new one stands under it.

    Parameters
    ----------
    new : the finished file, in the same file system.
    path : the name, not a symbolic link (see `real_place`); whoever calls holds its lock.
    keep : name under which the old file stays; a number is put to it if it is taken.

    Returns
    -------
    Where the old file is now, None if it isn't kept or there was none.
    """
    _sync(new)
    kept = None if keep is None or not os.path.lexists(path) else second_name(path, keep)
    new.replace(path)
    _sync_folder(path.parent)
    return kept


def put_where_nothing_is(new: Path, path: Path) -> None:
    """Let a finished file take a name that is free.

    Raises
    ------
    FileExistsError
        If the name is taken by now.
    """
    _sync(new)
    try:
        path.hardlink_to(new)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if os.path.lexists(path):
            raise FileExistsError(path) from None
        new.replace(path)
    _sync_folder(path.parent)


def write_whole(
    path: Path, fill: Callable[[BinaryIO], object], *, owner_only: bool = False, keep: Path | None = None
) -> Path | None:
    """Write a file that appears whole or not at all.

    Parameters
    ----------
    path : where to; a symbolic link stays one, its target is replaced.
    fill : writes the content.
    owner_only : whether nobody else may read it.
    keep : name under which a file that is there stays.

    Returns
    -------
    Where that is now, if it is kept.

    Raises
    ------
    FleetError
        If it can't be written.
    """
    place = real_place(path)
    try:
        if not place.parent.is_dir():
            raise NotADirectoryError(0, f"there is no folder {place.parent}")
        with working_folder(place) as folder:
            new = folder / "new"
            with new.open("xb") as file:
                fill(file)
            if owner_only:
                new.chmod(0o600)
            return put_in_place(new, place, keep=keep)
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise FleetError(f"cannot write {path}: {why}.") from error


def second_name(path: Path, wanted: Path) -> Path:
    """Give a file a second name, `wanted` or that with a number that is free; returns it."""
    number = 1
    while True:
        kept = wanted if number == 1 else wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}")
        number += 1
        try:
            kept.hardlink_to(path)
        except FileExistsError:
            continue
        except OSError:  # a file system without hard links
            if os.path.lexists(kept):
                continue
            shutil.copy2(path, kept)
            _sync(kept)
        return kept


def _sync(file: Path) -> None:
    """The bytes on the disk before the name."""
    with file.open("rb+") as open_file:
        os.fsync(open_file.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # a file system that can't
        pass
    finally:
        os.close(handle)

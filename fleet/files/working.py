"""Working copies: all in one known folder beside what they are made from, swept when their owner is gone.

The folder is `.fleet-work`. Each program makes folders of its own in it, named after its process number; it
holds a lock on a file in each as long as it lives, so that nobody takes a folder for left behind that isn't.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

FOLDER: Final = ".fleet-work"
"""Name of the folder of working copies and locks."""
_OWNER: Final = "owner"
_FORMER: Final = re.compile(r"(\.fleet-new|fleet-trial|fleet-upload)-[a-z0-9_]{8}")
"""Names of the working folders of earlier versions, which knew no owner."""
_FORMER_AGE_S: Final = 3600.0
"""Older than this, such a folder is nobody's any more [s]."""


def real_place(path: Path | str) -> Path:
    """Where a file really is: every symbolic link on the way is followed, so that none is ever replaced."""
    return Path(os.path.realpath(path))


def try_lock(handle: int) -> bool:
    """Lock an open file for this handle alone; False if another handle has it. It ends with the handle."""
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def same_file(handle: int, path: Path) -> bool:
    """Whether the name still means the file that the handle has open."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


@contextmanager
def working_folder(beside: Path) -> Iterator[Path]:
    """A new folder for this program alone, on the same file system as a file; gone at the end with all in it.

    Parameters
    ----------
    beside : the file (which need not be there); what dead programs left beside it is swept first.

    Raises
    ------
    OSError
        If the system refuses.
    """
    place = real_place(beside).parent
    sweep(place)
    made, handle = _make_own(place)
    try:
        yield made
    finally:
        _remove(made)
        os.close(handle)
        shutil.rmtree(made, ignore_errors=True)  # where a file that is open can't be removed
        with contextlib.suppress(OSError):
            made.parent.rmdir()  # only if nothing else is in it


def _make_own(place: Path) -> tuple[Path, int]:
    """A folder and the handle that holds its lock; tried again if somebody swept it while it was made."""
    while True:
        made = _own_folder(place) / f"{os.getpid()}-{secrets.token_hex(4)}"
        try:
            made.mkdir(mode=0o700)
            handle = os.open(made / _OWNER, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        except FileNotFoundError:
            continue
        if try_lock(handle) and same_file(handle, made / _OWNER):
            return made, handle
        os.close(handle)


def _own_folder(place: Path) -> Path:
    """The folder of working copies, or one under the user's number where that is somebody else's."""
    for folder in _folders(place):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
        if stat.S_ISDIR(found.st_mode) and (os.name != "posix" or found.st_uid == os.geteuid()):
            return folder
    raise PermissionError(errno.EACCES, f"{folder} is not yours")


def _folders(place: Path) -> tuple[Path, ...]:
    own = f"-{os.geteuid()}" if os.name == "posix" else "-own"
    return (place / FOLDER, place / f"{FOLDER}{own}")


def passing_place() -> Path:
    """A name to make working folders beside where there is no file yet, in the system's passing folder."""
    return Path(tempfile.gettempdir()) / "fleet"


def _remove(folder: Path) -> None:
    """Everything but the owner's file first, so that a folder which isn't empty never lacks its lock."""
    with contextlib.suppress(FileNotFoundError):
        for entry in folder.iterdir():
            if entry.name == _OWNER:
                continue
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
            else:
                entry.unlink(missing_ok=True)


def sweep(place: Path) -> None:
    """Remove the working folders of programs that are gone, those of earlier versions among them.

    Parameters
    ----------
    place : the folder that the working folders' own folder is in.
    """
    for folder in working_folders(place):
        with contextlib.suppress(OSError):  # somebody else swept it, or may alone
            _sweep_one(folder)
    with contextlib.suppress(OSError):
        for entry in place.iterdir():
            if _FORMER.fullmatch(entry.name) and _is_left(entry):
                shutil.rmtree(entry, ignore_errors=True)


def _is_left(folder: Path) -> bool:
    """Whether a working folder of an earlier version is this user's and too old to be in use."""
    try:
        found = folder.lstat()
    except OSError:
        return False
    own = os.name != "posix" or found.st_uid == os.geteuid()
    return stat.S_ISDIR(found.st_mode) and own and time.time() - found.st_mtime > _FORMER_AGE_S


def working_folders(place: Path) -> list[Path]:
    """Working folders below a place, in use or left behind."""
    found: list[Path] = []
    for folder in _folders(place):
        with contextlib.suppress(OSError):
            found += [e for e in folder.iterdir() if e.is_dir() and not e.is_symlink()]
    return found


def _sweep_one(folder: Path) -> None:
    try:
        handle = os.open(folder / _OWNER, os.O_RDWR)
    except FileNotFoundError:
        with contextlib.suppress(OSError):
            folder.rmdir()  # just being made, or killed before anything was in it
        return
    try:
        if try_lock(handle):
            _remove(folder)
            (folder / _OWNER).unlink()
            folder.rmdir()
    finally:
        os.close(handle)

"""The door for every file that comes in whole: size, kind, depth and figures bounded, errors ours.

Tables of sheets are read piece by piece elsewhere; guides, policies, logins, tallies, workbooks come in here.
"""

from __future__ import annotations

import io
import os
import re
import stat
import struct
import tomllib
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final

from fleet.errors import UnreadableFileError

LARGEST_TOML_BYTES: Final = 256 << 10
_DEEPEST: Final = 8
_LONGEST_TEXT: Final = 2_000
_LARGEST_WHOLE: Final = 10**15
_MOST_DOTS: Final = 100
_LOCAL_HEADER: Final = 30
DAMAGED: Final = (zipfile.BadZipFile, zlib.error, struct.error, ValueError, OSError, NotImplementedError)
"""What Python's `zipfile` raises at an archive that is damaged, or says that it is of a newer kind."""
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class RefusedError(Exception):
    """Why a file is refused, as the second half of a line."""


class TooLargeError(RefusedError):
    """An archive that unpacks to more than is let in."""


@contextmanager
def open_ordinary(path: Path | str) -> Iterator[IO[bytes]]:
    """Open a file for reading, if it is one: no device, no pipe, nothing that could go on for ever.

    Raises
    ------
    OSError
        As the system says.
    RefusedError
        If it is something else.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as file:
        if stat.S_ISDIR(os.fstat(handle).st_mode):
            raise IsADirectoryError(21, "is a folder")
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise RefusedError("it is no ordinary file")
        yield file


def read_whole(path: Path | str, *, told: str, most: int) -> bytes:
    """All bytes of a file.

    Parameters
    ----------
    path : the file.
    told : how the line of an error begins, such as "the guide g.toml cannot be read".
    most : most bytes that it may have.

    Raises
    ------
    UnreadableFileError
        If it can't be read or has more.
    """
    try:
        with open_ordinary(path) as file:
            content = file.read(most + 1)
        if len(content) > most:
            raise RefusedError(f"it is larger than {_size(most)}")
    except (OSError, ValueError) as error:  # a name may hold what no name can
        why = getattr(error, "strerror", None) or "the system refuses"
        raise UnreadableFileError(f"{told}: {why.lower()}.") from error
    except RefusedError as error:
        raise UnreadableFileError(f"{told}: {error}.") from None
    return content


def read_toml(path: Path | str, *, unread: str, no_toml: str) -> dict[str, Any]:
    """The tables of a TOML file: texts, numbers, switches, lists and tables of these, not deep.

    Parameters
    ----------
    path : the file.
    unread, no_toml : how the lines of errors begin.

    Raises
    ------
    UnreadableFileError
        If it can't be read, is no TOML, or holds anything else.
    """
    content = read_whole(path, told=unread, most=LARGEST_TOML_BYTES)
    try:
        text = content.decode()
    except UnicodeDecodeError:
        raise UnreadableFileError(f"{unread}: it is not UTF-8 text.") from None
    return toml_tables(text.replace("\r\n", "\n"), no_toml=no_toml)


def toml_tables(text: str, *, no_toml: str) -> dict[str, Any]:
    """The tables of a TOML text; see `read_toml`."""
    try:
        if len(text) > LARGEST_TOML_BYTES:
            raise RefusedError(f"it is larger than {_size(LARGEST_TOML_BYTES)}")
        if any(line.count(".") > _MOST_DOTS for line in text.split("\n")):
            raise RefusedError(f"a line has more than {_MOST_DOTS} dots")
        tables = tomllib.loads(text)
        _check_value(tables, _DEEPEST)
    except RefusedError as error:
        raise UnreadableFileError(f"{no_toml}: {error}.") from None
    except RecursionError:
        raise UnreadableFileError(f"{no_toml}: it is nested too deeply.") from None
    except ValueError as error:  # TOML's own errors, and whole numbers of thousands of digits
        why = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number is too large"
        raise UnreadableFileError(f"{no_toml}: {why[:200]}.") from None
    return tables


def _check_value(value: object, depth: int) -> None:
    if depth < 0:
        raise RefusedError("it is nested too deeply")
    if isinstance(value, dict):
        for key, held in value.items():
            _check_value(key, depth)
            _check_value(held, depth - 1)
    elif isinstance(value, list):
        for held in value:
            _check_value(held, depth - 1)
    elif isinstance(value, str):
        if len(value) > _LONGEST_TEXT or _CONTROL.search(value):
            raise RefusedError(f"a text has more than {_LONGEST_TEXT} characters or holds control characters")
    elif isinstance(value, bool):
        return
    elif not isinstance(value, int | float):
        raise RefusedError("a day or a time is no value here; write it as a text")
    elif isinstance(value, int) and abs(value) > _LARGEST_WHOLE:  # floats are for those who know their range
        raise RefusedError("a number is too large")


def unpack(content: bytes, *, most: int) -> Iterator[tuple[str, bytes]]:
    """The parts of a zip archive, each as large as the archive says; no more than that is ever unpacked.

    Parameters
    ----------
    content : the archive.
    most : most bytes of all parts together.

    Raises
    ------
    RefusedError
        If the parts are larger, or lie about it.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            told = packed.infolist()
            if sum(part.file_size for part in told) > most:
                raise TooLargeError(f"it unpacks to more than {_size(most)}")
            for part in told:
                yield part.filename, _unpack_part(content, part)
    except DAMAGED:
        raise RefusedError("it is damaged") from None


def _unpack_part(content: bytes, part: zipfile.ZipInfo) -> bytes:
    names = struct.unpack_from("<HH", content, part.header_offset + 26)
    start = part.header_offset + _LOCAL_HEADER + sum(names)
    packed = content[start : start + part.compress_size]
    if part.flag_bits & 1 or part.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        raise RefusedError("it is encrypted or packed in an unusual way")
    if part.compress_type == zipfile.ZIP_DEFLATED:
        unpacking = zlib.decompressobj(-15)
        packed = unpacking.decompress(packed, part.file_size + 1)
        if not unpacking.eof and len(packed) == part.file_size:
            packed += unpacking.decompress(unpacking.unconsumed_tail, 1)
    if len(packed) != part.file_size or zlib.crc32(packed) != part.CRC:
        raise RefusedError("it is damaged")
    return packed


def _size(n_bytes: int) -> str:
    return f"{n_bytes >> 20} MB" if n_bytes >= 1 << 20 else f"{n_bytes >> 10} kB"

"""Tables that lie packed, by gzip or in a zip folder: what is inside, bounded."""

from __future__ import annotations

import gzip
import io
from pathlib import PurePosixPath
from typing import IO, Final

from fleet.files.door import RefusedError, unpack

LARGEST_UNPACKED: Final = 1 << 28
"""Bytes that a packed workbook, Parquet file, JSON or zip folder may unpack to; text is read in pieces."""


def files_in_zip(file: IO[bytes], endings: tuple[str, ...]) -> tuple[dict[str, bytes], list[str]]:
    """(The tables in a zip folder by their path in it, the paths of what else it holds.)

    Parameters
    ----------
    file : the folder.
    endings : of tables' names.

    Raises
    ------
    RefusedError
        If it is damaged or too large.
    """
    content = file.read(LARGEST_UNPACKED + 1)
    if len(content) > LARGEST_UNPACKED:
        raise RefusedError("is too large; unpack it first")
    tables, others = {}, []
    for name, part in unpack(content, most=LARGEST_UNPACKED):
        path = PurePosixPath(name)
        if name.endswith("/") or any(p.startswith((".", "__MACOSX")) and p != ".." for p in path.parts):
            continue
        if path.name.lower().endswith(endings) and name not in tables:
            tables[name] = part
        else:
            others.append(name)
    return tables, others


def table_in_zip(file: IO[bytes], endings: tuple[str, ...]) -> tuple[IO[bytes], str]:
    """The one table in a zip folder, and its name; refused, as `files_in_zip` is, where it isn't alone."""
    tables, others = files_in_zip(file, endings)
    if len(tables) != 1 or others:
        held = f"{len(tables) + len(others)} files, {len(tables)} of them tables"
        raise RefusedError(f"is a packed folder of {held}; unpack it first")
    ((name, part),) = tables.items()
    return io.BytesIO(part), PurePosixPath(name).name


def open_gzip(file: IO[bytes]) -> IO[bytes]:
    """What a gzip file holds: text as a stream, anything else whole.

    Raises
    ------
    RefusedError
        If it is no text and too large.
    """
    unpacked = gzip.open(file)  # noqa: SIM115 - closed with the file that it reads
    start = unpacked.read(4)
    unpacked.seek(0)
    if not start.startswith((b"PAR1", b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"[", b"{")):
        return unpacked  # type: ignore[return-value]
    content = unpacked.read(LARGEST_UNPACKED + 1)
    if len(content) > LARGEST_UNPACKED:
        raise RefusedError("unpacks to more than 256 MB; unpack it first")
    return io.BytesIO(content)

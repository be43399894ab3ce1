"""A stream of text cut into chunks of whole lines, so that a large file is never held whole."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

from fleet.errors import UnreadableFileError

_CHUNK_BYTES = 1 << 23
_LONGEST_LINE_BYTES = 4 * _CHUNK_BYTES


def as_utf8(stream: IO[bytes], encoding: str) -> Iterator[bytes]:
    """The stream as UTF-8; bytes that are no text of the encoding stay as they are, so they are found."""
    if codecs.lookup(encoding).name == "utf-8":
        first = stream.read(_CHUNK_BYTES).removeprefix(codecs.BOM_UTF8)
        while first:
            yield first
            first = stream.read(_CHUNK_BYTES)
        return
    decoder = codecs.getincrementaldecoder(encoding)(errors="surrogateescape")
    while raw := stream.read(_CHUNK_BYTES):
        yield decoder.decode(raw).encode(errors="surrogateescape")
    yield decoder.decode(b"", final=True).encode(errors="surrogateescape")


@dataclass(frozen=True)
class Chunk:
    """Whole lines, the number of the first, and whether nothing comes after them."""

    first_line: int
    data: bytes
    final: bool


class Chunks:
    """Cuts a stream into chunks of whole lines; an unfinished tail can be handed back."""

    def __init__(self, stream: Iterator[bytes], file: str) -> None:
        self._stream = stream
        self._file = file
        self._rest = b""
        self._done = False
        self.line = 1

    def hand_back(self, tail: bytes) -> None:
        """Put lines back in front of what comes next."""
        self._rest = tail + self._rest

    def next(self) -> Chunk | None:
        """The next chunk; its lines are counted by whoever takes it, in `line`."""
        pieces = [self._rest]
        while not self._done:
            if sum(map(len, pieces)) > _LONGEST_LINE_BYTES:
                raise UnreadableFileError(
                    f"{self._file} line {self.line} is longer than {_LONGEST_LINE_BYTES >> 20} MB: "
                    "is it a table of text?"
                )
            piece = next(self._stream, None)
            if piece is None:
                self._done = True
                break
            pieces.append(piece)
            if b"\n" in piece:
                break
        data = b"".join(pieces)
        end = len(data) if self._done else data.rfind(b"\n") + 1
        self._rest = data[end:]
        return Chunk(self.line, data[:end], self._done) if data else None

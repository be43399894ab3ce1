"""Tallies as a file: what a fleet's sheets come to, without one sheet in it.

The file is NumPy's ``.npz`` (a zip of plain arrays): numbers, and texts in JSON; nothing in it runs.
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any, Final

import numpy as np

from fleet.errors import UnreadableFileError
from fleet.files.door import RefusedError, read_whole, unpack
from fleet.files.replacing import write_whole
from fleet.tallies.sufficient_statistics import (
    SufficientStatistics,
    statistics_from_parts,
    statistics_to_parts,
)

TEXT: Final = "text."
ABOUT: Final = "about"

LARGEST_FILE: Final = 1 << 27
"""Bytes that a file of tallies has at most, unpacked."""


def tallies_bytes(gathered: SufficientStatistics, about: dict[str, Any]) -> bytes:
    """Tallies as the contents of a file.

    Parameters
    ----------
    gathered : what the sheets come to
    about : what else the reader should know (plain JSON: how many units, which smallest group, …)
    """
    arrays, texts = statistics_to_parts(gathered)
    texts[ABOUT] = json.dumps(about)
    file = io.BytesIO()
    np.savez_compressed(
        file, allow_pickle=False, **arrays, **{TEXT + n: np.array(t) for n, t in texts.items()}
    )
    return file.getvalue()


def write_tallies(path: Path, gathered: SufficientStatistics, about: dict[str, Any]) -> None:
    """Write tallies to a file (see `tallies_bytes`); nothing half written is left under its name."""
    write_whole(path, lambda file: file.write(tallies_bytes(gathered, about)))


def read_tallies(path: Path) -> tuple[SufficientStatistics, dict[str, Any]]:
    """Tallies and what was written about them.

    Raises
    ------
    UnreadableFileError
        If the file isn't there, is no tallies file, or is damaged.
    """
    if not path.exists():
        raise UnreadableFileError(f"there is no file {path.name}")
    body = read_whole(path, told=f"{path.name} can't be read", most=LARGEST_FILE)
    return tallies_from_bytes(body, path.name)


def tallies_from_bytes(body: bytes, name: str) -> tuple[SufficientStatistics, dict[str, Any]]:
    """Tallies from the contents of a file, which an error calls ``name`` (see `read_tallies`)."""
    try:
        held = arrays_of(body)
        texts = {part.removeprefix(TEXT): str(told) for part, told in held.items() if part.startswith(TEXT)}
        arrays = {part: told for part, told in held.items() if not part.startswith(TEXT)}
        return statistics_from_parts(arrays, texts), dict(json.loads(texts[ABOUT]))
    except RefusedError as error:
        raise UnreadableFileError(f"{name} is not a tallies file: {error}") from None
    except Exception as error:  # a mangled file fails in any way at all
        raise UnreadableFileError(f"{name} is not a tallies file, or is damaged") from error


def arrays_of(body: bytes) -> dict[str, Any]:
    """The arrays of an `.npz` file: finite numbers and texts, none larger than the file says.

    Raises
    ------
    RefusedError
        If there is more in it.
    """
    held = {}
    for part, content in unpack(body, most=LARGEST_FILE):
        array = np.load(io.BytesIO(content), allow_pickle=False)
        if array.dtype.kind not in "fiubU" or (array.dtype.kind == "f" and not np.isfinite(array).all()):
            raise RefusedError("it holds what is no number and no text")
        held[part.removesuffix(".npy")] = array
    return held

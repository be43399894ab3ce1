"""Tallies as a file: what a fleet's sheets come to, without one sheet in it.

The file is NumPy's ``.npz`` (a zip of plain arrays): numbers, and texts in JSON; nothing in it runs.
"""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any, Final

import numpy as np

from fleet.errors import FleetError, UnreadableFileError
from fleet.tallies.sufficient_statistics import (
    SufficientStatistics,
    statistics_from_parts,
    statistics_to_parts,
)

TEXT: Final = "text."
ABOUT: Final = "about"


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
    rough = path.with_name(f"{path.name}.part")
    try:
        rough.write_bytes(tallies_bytes(gathered, about))
        rough.replace(path)
    except OSError as error:
        rough.unlink(missing_ok=True)
        raise FleetError(f"{path.name} can't be written: {error.strerror or error}") from error


def read_tallies(path: Path) -> tuple[SufficientStatistics, dict[str, Any]]:
    """Tallies and what was written about them.

    Raises
    ------
    UnreadableFileError
        If the file isn't there, is no tallies file, or is damaged.
    """
    try:
        body = path.read_bytes()
    except FileNotFoundError:
        raise UnreadableFileError(f"there is no file {path.name}") from None
    except OSError as error:
        raise UnreadableFileError(f"{path.name} is not a tallies file, or is damaged") from error
    return tallies_from_bytes(body, path.name)


def tallies_from_bytes(body: bytes, name: str) -> tuple[SufficientStatistics, dict[str, Any]]:
    """Tallies from the contents of a file, which an error calls ``name`` (see `read_tallies`)."""
    try:
        with np.load(io.BytesIO(body), allow_pickle=False) as parts:
            held = {part: parts[part] for part in parts.files}
    except (OSError, ValueError, EOFError, zipfile.BadZipFile, zipfile.LargeZipFile) as error:
        raise UnreadableFileError(f"{name} is not a tallies file, or is damaged") from error
    texts = {part.removeprefix(TEXT): str(told) for part, told in held.items() if part.startswith(TEXT)}
    arrays = {part: told for part, told in held.items() if not part.startswith(TEXT)}
    try:
        return statistics_from_parts(arrays, texts), dict(json.loads(texts[ABOUT]))
    except (KeyError, ValueError, TypeError, IndexError) as error:
        raise UnreadableFileError(f"{name} is not a tallies file, or is damaged") from error

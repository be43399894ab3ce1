"""Tallies as a file: what a fleet's sheets come to, without one sheet in it.

The file is NumPy's ``.npz`` (a zip of plain arrays): numbers, and texts in JSON; nothing in it runs.
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any, Final

import numpy as np

from fleet.errors import FleetError
from fleet.models.gathered import Gathered, gathered_from_parts, gathered_to_parts

TEXT: Final = "text."
ABOUT: Final = "about"


def write_tallies(path: Path, gathered: Gathered, about: dict[str, Any]) -> None:
    """Write tallies to a file; nothing half written is left under its name.

    Parameters
    ----------
    path : file to write, replaced if it is there
    gathered : what the sheets come to
    about : what else the reader should know (plain JSON: how many units, which smallest group, …)
    """
    arrays, texts = gathered_to_parts(gathered)
    texts[ABOUT] = json.dumps(about)
    rough = path.with_name(f"{path.name}.part")
    try:
        with rough.open("wb") as file:
            np.savez_compressed(
                file, allow_pickle=False, **arrays, **{TEXT + n: np.array(t) for n, t in texts.items()}
            )
        rough.replace(path)
    except OSError as error:
        rough.unlink(missing_ok=True)
        raise FleetError(f"{path.name} can't be written: {error.strerror or error}") from error


def read_tallies(path: Path) -> tuple[Gathered, dict[str, Any]]:
    """Tallies and what was written about them.

    Raises
    ------
    FleetError
        If the file isn't there, is no tallies file, or is damaged.
    """
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as parts:
            held = {name: parts[name] for name in parts.files}
    except FileNotFoundError:
        raise FleetError(f"there is no file {path.name}") from None
    except (OSError, ValueError, EOFError, zipfile.BadZipFile, zipfile.LargeZipFile) as error:
        raise FleetError(f"{path.name} is not a tallies file, or is damaged") from error
    texts = {name.removeprefix(TEXT): str(part) for name, part in held.items() if name.startswith(TEXT)}
    arrays = {name: part for name, part in held.items() if not name.startswith(TEXT)}
    try:
        return gathered_from_parts(arrays, texts), dict(json.loads(texts[ABOUT]))
    except (KeyError, ValueError, TypeError, IndexError) as error:
        raise FleetError(f"{path.name} is not a tallies file, or is damaged") from error

"""A bench's settings: `fleet.toml` beside the store gives options that commands would be given each time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import typer

from fleet.errors import FleetError
from fleet.files.places import default_path

NAME: Final = "fleet.toml"
FILES: Final = ("policy", "prior")
KEYS: Final = (*FILES, "policy_name", "paper", "workshop")
"""Options that may stand there: files (from the folder of the settings on), and words."""


def settings_file(words: Sequence[str]) -> Path:
    """Where the settings would be: beside the store that the words name, or beside the usual one."""
    named = [w.split("=", 1)[1] for w in words if w.startswith("--store=")]
    named += [path for option, path in pairwise(words) if option == "--store"]
    return (Path(named[-1]).expanduser() if named else default_path()).parent / NAME


def settings(file: Path) -> dict[str, str]:
    """What a settings file says, files by their whole path; nothing where there is none.

    Raises
    ------
    FleetError
        If it can't be read, or says what no setting is.
    """
    if not file.is_file():
        return {}
    from fleet.files.door import read_toml

    told = read_toml(file, unread=f"the settings {file} can't be read", no_toml=f"{file} is no TOML")
    for key, value in told.items():
        if key not in KEYS or not isinstance(value, str):
            raise FleetError(f"{file}: {key} is no setting; settings are texts named {', '.join(KEYS)}.")
    return {k: str(file.parent / Path(v).expanduser()) if k in FILES else v for k, v in told.items()}


def as_defaults(told: Mapping[str, str], app: typer.Typer, commands: Sequence[str]) -> dict[str, Any]:
    """Settings as the defaults of every command's options; a command without such an option ignores them."""
    inside = {group.name: group.typer_instance for group in app.registered_groups}
    out: dict[str, Any] = {}
    for name in commands:
        group = inside.get(name)
        below = [] if group is None else group.registered_commands
        names = [c.name or getattr(c.callback, "__name__", "").replace("_", "-") for c in below]
        out[name] = {**told, **{n: dict(told) for n in names}}
    return out

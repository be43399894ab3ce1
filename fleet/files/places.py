"""Where a user's own files are kept unless somebody says otherwise."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def default_path() -> Path:
    """Where the store is unless told otherwise: `FLEET_STORE`, else the user's data folder."""
    return (
        _told("FLEET_STORE")
        or _folder("LOCALAPPDATA", "Local", "XDG_DATA_HOME", ".local/share") / "fleet.duckdb"
    )


def key_path() -> Path:
    """Where the key file is or would be made: `FLEET_KEY_FILE`, else the user's folder of settings."""
    return (
        _told("FLEET_KEY_FILE") or _folder("APPDATA", "Roaming", "XDG_CONFIG_HOME", ".config") / "token.key"
    )


def _told(variable: str) -> Path | None:
    named = os.environ.get(variable)
    return Path(named).expanduser() if named else None


def _folder(windows: str, usual: str, xdg: str, below_home: str) -> Path:
    """Our folder in the one that the system has for such files."""
    if sys.platform == "win32":
        base = Path(os.environ.get(windows) or Path.home() / "AppData" / usual)
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get(xdg) or Path.home() / below_home)
    return base / "fleet"

"""What to install for an extra, as the environment that runs fleet would have to be told."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Final

DISTRIBUTION: Final = "stylus-fleet"
"""Name on the package index; the package and the command are called `fleet`, as another's distribution is."""


def how_to_install(extra: str = "") -> str:
    """Say the command that adds an extra to the very environment that runs fleet, and to no other.

    Parameters
    ----------
    extra : str
        Name of an extra of the distribution; without one, what fleet needs in any case is put back.

    Returns
    -------
    str
        One command, to be run in the folder where fleet was run.
    """
    what = _requirement(f"[{extra}]" if extra else "")
    if find_spec("pip") is None:
        return f"uv pip install --python {_python()} {what}"
    return f"{_python()} -m pip install {what}"


def fill_in_commands(text: str) -> str:
    """Put the commands of this environment where a page has those of an activated one."""
    return re.sub(rf"pip install '{DISTRIBUTION}\[(\w+)\]'", lambda found: how_to_install(found[1]), text)


def _requirement(extra: str) -> str:
    from importlib import metadata

    try:
        metadata.distribution(DISTRIBUTION)
    except metadata.PackageNotFoundError:
        folder = Path(__file__).resolve().parents[1]
        if (folder / "pyproject.toml").is_file():  # run from its sources, never installed
            return f"-e {_quoted(_from_here(folder) + extra)}"
    return _quoted(DISTRIBUTION + extra)


def _python() -> str:
    """Name this interpreter: shortly where the shell finds it by that name, else by its path."""
    own = Path(sys.executable)
    for name in ("python", "python3"):
        found = shutil.which(name)
        # An environment's python is a link to the system's: only the folder tells them apart.
        if found and Path(found).absolute().parent == own.parent:
            return name
    return _quoted(_from_here(own))


def _from_here(path: Path) -> str:
    return str(path.relative_to(Path.cwd())) if path.is_relative_to(Path.cwd()) else str(path)


def _quoted(text: str) -> str:
    if os.name == "nt":
        return f'"{text}"' if re.search(r"[^\w.:\\/-]", text) else text
    return shlex.quote(text)

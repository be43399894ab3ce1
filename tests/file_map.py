"""Write the file map of DEVELOPERS.md anew: `.venv/bin/python tests/file_map.py`.

One line a file, its docstring's first line, and for each command the functions it calls, read from the code.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "DEVELOPERS.md"
PACKAGES = ("fleet", "dashboards", "synthetic_data")
BETWEEN = re.compile(r"(<!-- (commands|files) -->\n).*?(<!-- end -->)", re.DOTALL)
NO_ANSWER = (
    "fleet.cli",
    "fleet.errors",
    "fleet.output",
    "fleet.policy",
    "fleet.columns",
    "fleet.words",
    "fleet.numerals",
)
"""What every command uses; the table names the rest."""


def first_line(path: Path) -> str:
    """First line of a file's docstring."""
    said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return said.partition("\n")[0].rstrip(".")


def files() -> str:
    """One line a file, folder by folder."""
    lines: list[str] = []
    for package in PACKAGES:
        paths = [p for p in (ROOT / package).rglob("*.py") if "__pycache__" not in p.parts]
        for folder in sorted({p.parent for p in paths}):
            inside = sorted(p for p in paths if p.parent == folder)
            room = next((first_line(p) for p in inside if p.name == "__init__.py"), "")
            lines += ["", f"**{folder.relative_to(ROOT).as_posix()}/** {room}".rstrip(), ""]
            lines += [f"- `{p.name}`: {first_line(p)}" for p in inside if p.name != "__init__.py"]
    return "\n".join(lines).strip("\n").replace("\n\n\n", "\n\n")


def called(path: Path) -> list[str]:
    """Functions of the rooms that a command's file calls, as `room.module.function`, in its order."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    only_types = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.dump(block.test)
        for node in ast.walk(block)
    }
    source, found = {}, {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and id(node) not in only_types:
            module = str(node.module)
            if module.startswith("fleet.") and not module.startswith(NO_ANSWER):
                for alias in node.names:
                    source[alias.asname or alias.name] = f"{module.removeprefix('fleet.')}.{alias.name}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in source:
            found[source[node.func.id]] = node.lineno
    return [name for name, _ in sorted(found.items(), key=lambda item: item[1])]


def commands() -> str:
    """One row a command: its file and what it calls of the rooms."""
    from fleet.cli import COMMANDS

    rows = ["| command | file in `fleet/cli` | calls |", "|---|---|---|"]
    for folder, (_, names) in COMMANDS.items():
        for name in names.split():
            calls = ", ".join(f"`{one}`" for one in called(ROOT / "fleet/cli" / folder / f"{name}.py"))
            rows.append(f"| `{name}` | `{folder}/{name}.py` | {calls} |")
    return "\n".join(rows)


def written(page: str) -> str:
    """The page with both marked blocks as the code has them now."""
    parts = {"files": files, "commands": commands}
    return BETWEEN.sub(lambda m: f"{m[1]}{parts[m[2]]()}\n{m[3]}", page)


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8")), encoding="utf-8")

"""The arrows of DEVELOPERS.md, held by reading every import of the three packages."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("fleet", "dashboards", "synthetic_data")
LONGEST_MODULE = 400

# A module may import what stands in its own row or above it, never below.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("fleet.errors", "fleet.extras", "fleet.first_use"),
    ("fleet.columns", "fleet.numerals", "fleet.rows", "fleet.results", "fleet.files"),
    ("fleet.words", "fleet.spreadsheet", "fleet.physics", "fleet.statistics", "fleet.policy"),
    ("fleet.house_model",),
    ("fleet.estimation",),
    ("fleet.tallies",),
    ("fleet.store",),
    ("fleet.intake", "fleet.sharing"),
    ("fleet.fitting",),
    ("fleet.alignment",),
    ("fleet.attainment",),
    ("fleet.quotes", "fleet.faults", "fleet.bench_trust"),
    ("fleet.notebook",),
    ("fleet.charts", "fleet.output"),
    ("fleet.report",),
    ("fleet.cli", "fleet.__main__", "dashboards"),
)
QUESTIONS = ("alignment", "attainment", "quotes", "faults", "bench_trust")
NOT_FOR_QUESTIONS = ("fleet.store", "fleet.intake", "fleet.sharing", "fleet.fitting")
MOST_MODULES = 15
HEAVY = ("pandas", "numpy", "scipy", "statsmodels", "sklearn", "altair", "duckdb", "pyarrow", "streamlit")


def modules() -> Iterator[tuple[str, Path]]:
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


@cache
def imports(path: Path) -> frozenset[str]:
    """Every module that a file imports, wherever in it; `from a import b` counts as both a and a.b."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
    return frozenset(found)


def inside(module: str, package: str) -> bool:
    return module == package or module.startswith(f"{package}.")


def layer(module: str) -> int | None:
    for rank, row in enumerate(LAYERS):
        if any(inside(module, package) for package in row):
            return rank
    return None


ALL = list(modules())


def test_every_test_file_has_a_name_of_its_own() -> None:
    """pytest takes the second of two files with one name for the first, and reads neither's tests."""
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert [name for name, n in Counter(names).items() if n > 1] == []


def test_every_module_has_its_place() -> None:
    """Each module of fleet and the dashboards stands in a row of the layers."""
    lost = [m for m, _ in ALL if layer(m) is None and m != "fleet" and not inside(m, "synthetic_data")]
    assert lost == []


def rank_of(module: str) -> int:
    """The highest row that a module may import; the package's own names stand for the front door's room."""
    if inside(module, "synthetic_data"):
        return len(LAYERS)
    own = layer(module)
    return own if own is not None else layer("fleet.notebook") or 0


def test_arrows_point_one_way() -> None:
    """No module imports one of a higher layer."""
    reached = {(m, n): layer(n) for m, path in ALL for n in imports(path)}
    assert {a for a, rank in reached.items() if rank is not None and rank > rank_of(a[0])} == set()


@pytest.mark.parametrize(
    ("library", "home"),
    [
        ("duckdb", "fleet.store"),
        ("streamlit", "dashboards"),
        ("typer", "fleet.cli"),
        ("pyspark", "fleet.tallies.spark"),
    ],
)
def test_each_library_has_one_home(library: str, home: str) -> None:
    """Only the store imports duckdb, only the dashboards import streamlit, only the command line typer."""
    users = {m for m, path in ALL if any(inside(name, library) for name in imports(path))}
    assert users
    assert {m for m in users if not inside(m, home)} == set()


def test_rooms_of_questions_are_pure() -> None:
    """Rooms named after questions take frames and arrays: they know neither store nor intake."""
    rooms = [f"fleet.{name}" for name in QUESTIONS]
    judges = [(m, imports(path)) for m, path in ALL if any(inside(m, room) for room in rooms)]
    assert len(judges) > len(rooms)
    wrong = {(m, n) for m, names in judges for n in names if any(inside(n, x) for x in NOT_FOR_QUESTIONS)}
    assert wrong == set()


def test_statistics_know_no_pickup() -> None:
    """The statistics import nothing of fleet but errors, how numbers are printed, rows, and one another."""
    allowed = ("fleet.statistics", "fleet.errors", "fleet.numerals", "fleet.rows")
    theirs = {n for m, path in ALL if inside(m, "fleet.statistics") for n in imports(path)}
    assert any(inside(n, "fleet.statistics") for n in theirs)
    foreign = {n for n in theirs if inside(n, "fleet") and not any(inside(n, x) for x in allowed)}
    assert foreign == set()


def arrows_of(names: dict[str, str]) -> dict[str, set[str]]:
    """Who imports whom, by the given name of each module (its own, or its room's)."""
    found: dict[str, set[str]] = {name: set() for name in names.values()}
    for module, path in ALL:
        if module not in names:
            continue
        wanted = {n for n in imports(path) if n in names and n != module}
        found[names[module]] |= {names[n] for n in wanted} - {names[module]}
    return found


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Names that stand in a circle, or that only circles hold up; none where arrows go one way."""
    left = dict(graph)
    while free := [name for name, targets in left.items() if not targets & set(left)]:
        for name in free:
            del left[name]
    return sorted(left)


def test_a_circle_is_found() -> None:
    """The search sees a circle of three and is content with a chain."""
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": set()}) == ["a", "b", "c"]
    assert circle({"a": {"b"}, "b": {"c"}, "c": set()}) == []


def test_no_circle_of_files_or_rooms() -> None:
    """No file reaches itself by imports, type hints among them, and no room does."""
    files = {m: m for m, path in ALL if path.name != "__init__.py"}
    assert circle(arrows_of(files)) == []
    rooms = {m: ".".join(m.split(".")[:2]) if inside(m, "fleet") else m.split(".")[0] for m in files}
    assert circle(arrows_of(rooms)) == []


def test_no_folder_is_a_drawer() -> None:
    """No folder holds more than fifteen modules, but for those that wait to be split."""
    counts: dict[Path, int] = {}
    for _, path in ALL:
        if path.name != "__init__.py":
            counts[path.parent] = counts.get(path.parent, 0) + 1
    assert {str(f.relative_to(ROOT)): n for f, n in counts.items() if n > MOST_MODULES} == {}


def test_only_the_demo_command_knows_the_invented_world() -> None:
    """Nothing but `fleet demo` imports synthetic_data, and tests stay out of all three packages."""
    users = {m for m, path in ALL if any(inside(n, "synthetic_data") for n in imports(path))}
    assert {m for m in users if not inside(m, "synthetic_data")} <= {"fleet.cli.start.demo"}
    assert not [m for m, path in ALL if any(inside(n, "tests") for n in imports(path))]


def test_the_invented_world_takes_nothing_that_it_checks() -> None:
    """Of fleet, synthetic_data imports the class of errors alone: its physics and statistics are its own."""
    theirs = {n for m, path in ALL if inside(m, "synthetic_data") for n in imports(path)}
    assert {n for n in theirs if inside(n, "fleet")} == {"fleet.errors", "fleet.errors.FleetError"}
    assert not [n for n in theirs if inside(n, "dashboards")]


def test_modules_stay_short() -> None:
    """No module is longer than a reader can hold."""
    lines = {module: len(path.read_text(encoding="utf-8").splitlines()) for module, path in ALL}
    assert {module: n for module, n in lines.items() if n > LONGEST_MODULE} == {}


def test_help_needs_no_heavy_library() -> None:
    """Printing the help page of the whole command line imports no library that takes long to load."""
    code = (
        "import contextlib, io, sys; from fleet.cli import run\n"
        "with contextlib.redirect_stdout(io.StringIO()): run(['--help'])\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


PARTICIPLE = re.compile(r"^_?[a-z]+ed$")
IRREGULAR = {
    "told",
    "held",
    "kept",
    "known",
    "learnt",
    "spoken",
    "drawn",
    "grown",
    "shown",
    "taken",
    "made",
    "sent",
}


def test_no_function_is_named_by_a_participle_alone() -> None:
    """A function says what it does or what it gives back, not in which state something is."""
    found = [
        f"{module}.{node.name}"
        for module, path in ALL
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
        and not node.name.startswith("_")
        and (PARTICIPLE.match(node.name) or node.name in IRREGULAR)
    ]
    assert found == []

"""What is installed: packages, data files, metadata."""

from __future__ import annotations

import subprocess
import sys
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

import fleet
from fleet.extras import DISTRIBUTION

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_version_is_the_same_everywhere() -> None:
    """The package, its metadata and the project file agree on the version."""
    assert fleet.__version__ == PROJECT["version"] == metadata.version(DISTRIBUTION)


def test_entry_point() -> None:
    """The installed `fleet` is the command line's main."""
    (entry,) = metadata.entry_points(group="console_scripts", name="fleet")
    assert entry.value == "fleet.cli:main"


def test_every_import_is_a_dependency() -> None:
    """Whatever the three packages import at run time is named in the project file."""
    from test_layers import ALL, imports

    ours = {"fleet", "dashboards", "synthetic_data"}
    names = {
        "python_calamine": "python-calamine",
        "sklearn": "scikit-learn",
        "vl_convert": "vl-convert-python",
    }
    declared = {
        line.split(">")[0].split("<")[0].split("=")[0]
        for line in [
            *PROJECT["dependencies"],
            *PROJECT["optional-dependencies"]["report"],
            *PROJECT["optional-dependencies"]["reference"],
            *PROJECT["optional-dependencies"]["spark"],
        ]
    }
    used = {name.split(".")[0] for _, path in ALL for name in imports(path)}
    outside = {n for n in used if n not in ours and n not in sys.stdlib_module_names}
    assert {names.get(n, n) for n in outside} - declared == set()


def test_every_dependency_is_imported() -> None:
    """Nothing is installed for users that the three packages don't import."""
    from test_layers import ALL, imports

    used = {name.split(".")[0] for _, path in ALL for name in imports(path)}
    named = {line.split(">")[0].replace("-", "_") for line in PROJECT["dependencies"]}
    assert named - used == set()


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Names in a wheel built from a copy of the tree, without the network."""
    import shutil

    copy, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    for name in ("fleet", "dashboards", "synthetic_data", "pyproject.toml", "README.md", "LICENSE"):
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, copy)
    command = [
        sys.executable,
        "-c",
        f"from setuptools.build_meta import build_wheel; build_wheel({str(out)!r})",
    ]
    subprocess.run(command, cwd=copy, check=True, capture_output=True)
    (file,) = out.glob("*.whl")
    return zipfile.ZipFile(file).namelist()


def test_wheel_holds_every_module_and_data_file(wheel: list[str]) -> None:
    """Modules, migrations, documentation and the typing marker are all in the wheel, and no tests."""
    for package in ("fleet", "dashboards", "synthetic_data"):
        for path in (ROOT / package).rglob("*"):
            if path.suffix in {".py", ".sql", ".md", ".typed", ".toml"}:
                assert path.relative_to(ROOT).as_posix() in wheel
    assert "fleet/py.typed" in wheel
    assert not [name for name in wheel if name.startswith("tests")]

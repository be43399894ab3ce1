"""What a message says to install is right in the environment that it is read in."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest

from fleet import extras
from fleet.cli import run
from fleet.extras import DISTRIBUTION, how_to_install

ROOT = Path(__file__).resolve().parents[1]
INSTALLS = re.compile(r"""pip3? install ((?:-e )?(?:'[^']*'|"[^"]*"|[^\s'"]+))""")


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The distribution is installed, with pip beside it; the shell finds no python."""
    monkeypatch.setattr(metadata, "distribution", lambda name: name)
    monkeypatch.setattr(extras, "find_spec", lambda name: name)
    monkeypatch.setattr("shutil.which", lambda name: None)


@pytest.mark.usefixtures("installed")
@pytest.mark.skipif(sys.platform == "win32", reason="paths look otherwise there")
def test_an_environment_that_is_not_active_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the shell finds no python, its path is named: from here where it lies below, else in full."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "executable", str(tmp_path / ".venv/bin/python3"))
    assert how_to_install("report") == ".venv/bin/python3 -m pip install 'stylus-fleet[report]'"
    monkeypatch.setattr(sys, "executable", "/opt/the bench/bin/python3")
    assert how_to_install("report") == "'/opt/the bench/bin/python3' -m pip install 'stylus-fleet[report]'"
    assert how_to_install() == "'/opt/the bench/bin/python3' -m pip install stylus-fleet"


@pytest.mark.usefixtures("installed")
def test_an_active_environment_needs_no_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the shell's python is this environment's, its name is enough; where it is another's, it isn't."""
    own = Path(sys.executable)
    monkeypatch.setattr("shutil.which", lambda name: str(own.parent / name))
    assert how_to_install("shared").startswith("python -m pip install ")
    monkeypatch.setattr("shutil.which", lambda name: str(own.parent.parent / "other" / name))
    assert own.name in how_to_install("shared").split(" -m ")[0]
    assert how_to_install("shared") != "python -m pip install 'stylus-fleet[shared]'"


@pytest.mark.usefixtures("installed")
def test_an_environment_without_pip(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the environment has no pip, the command is that of the tool that makes such environments."""
    monkeypatch.setattr(extras, "find_spec", lambda name: None)
    said = how_to_install("report")
    assert said.startswith("uv pip install --python ")
    assert said.split()[-1].strip("'\"") == "stylus-fleet[report]"


def test_sources_that_were_never_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Run from its sources alone, the folder of the sources is what is installed, not a name of the index."""

    def missing(name: str) -> None:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "distribution", missing)
    monkeypatch.chdir(ROOT.parent)
    assert how_to_install("report").endswith(f" -e '{ROOT.name}[report]'")


def test_the_command_works_in_this_environment() -> None:
    """Run as it is said, but as a trial and without any index, the command finds all that it names."""
    try:
        metadata.distribution(DISTRIBUTION)
        metadata.distribution("pip")
    except metadata.PackageNotFoundError as missing:
        pytest.skip(f"{missing}: not installed here, so there is nothing to add an extra to")
    words = how_to_install().split()
    done = subprocess.run([*words, "--no-index", "--dry-run"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr


def test_every_extra_that_a_message_names_exists() -> None:
    """No message or page names an extra that the project file lacks, nor the distribution of a stranger."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["name"] == DISTRIBUTION
    sources = [p for folder in ("fleet", "dashboards") for p in (ROOT / folder).rglob("*.py")]
    asked = {e for p in sources for e in re.findall(r"how_to_install\(['\"](\w+)", p.read_text("utf-8"))}
    assert asked
    assert asked <= set(project["optional-dependencies"])
    by_hand = [p.name for p in sources if "pip install" in p.read_text("utf-8")]
    assert by_hand == ["extras.py"]
    pages = [*(ROOT / "fleet/docs").glob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    named = {what for p in pages for what in INSTALLS.findall(p.read_text("utf-8"))}
    assert named
    allowed = {"-e '.[test]'", '-e ".[test]"'} | {f"'{DISTRIBUTION}[{e}]'" for e in asked}
    assert named <= allowed


def test_pages_say_what_this_environment_needs(capsys: pytest.CaptureFixture[str]) -> None:
    """`fleet explain` prints the command of the environment that prints it."""
    assert run(["explain", "papers"]) == 0
    assert how_to_install("report") in capsys.readouterr().out

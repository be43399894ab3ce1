"""The README's examples run as they stand, one after the other, on the demo bench."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.core import TyperGroup
from typer.main import get_command

from fleet.cli import build_app, run

README = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
FENCED = re.findall(r"^```(\w*)\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
EXAMPLES = [line for language, block in FENCED if language == "sh" for line in block.splitlines()]
FIRST_BLOCK = next(block.splitlines() for language, block in FENCED if language == "sh")
STARTS_A_SERVER = "fleet dashboard"


def test_the_first_paragraph_states_the_job() -> None:
    """Who, what they must get done and what the tool does for them stand in the first paragraph."""
    first = README.split("\n\n")[1]
    for word in ("technician", "Before bench time", "At the bench", "Over the year", "`fleet` takes"):
        assert word in first


def test_two_commands_set_up() -> None:
    """One command sets up and runs the demo, a second one runs the tests; nothing else is needed."""
    plain = [block.strip() for language, block in FENCED if not language]
    assert plain == [
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/fleet demo",
        ".venv/bin/pytest -n 2 --dist loadfile",
    ]


def test_examples_are_understood(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every example names a command of fleet's, and gives it nothing that it doesn't take."""
    monkeypatch.chdir(tmp_path)
    Path("demo").mkdir()
    for line in dict.fromkeys(EXAMPLES):
        name, *words = shlex.split(line)
        command = get_command(build_app(words))
        while isinstance(command, TyperGroup):
            context = command.make_context(name, words)
            name, command, words = command.resolve_command(context, [*context._protected_args, *context.args])
            assert command is not None, line
        assert command.make_context(name, words).params is not None, line


@pytest.mark.parametrize(
    "examples", [FIRST_BLOCK, pytest.param(EXAMPLES, marks=pytest.mark.long)], ids=["first block", "all"]
)
def test_examples_run(
    examples: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The README's examples, in order, in an empty folder, end with status 0 and say something.

    Where one stands there twice, it runs where it stands first.
    """
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", str(tmp_path / "readme.duckdb"))
    monkeypatch.setenv("FLEET_KEY_FILE", str(tmp_path / "token.key"))
    assert len(EXAMPLES) > 20
    for line in dict.fromkeys(examples):
        words = shlex.split(line)
        assert words[0] == "fleet"
        if line.startswith(STARTS_A_SERVER):
            continue
        status = run(words[1:])
        said = capsys.readouterr()
        assert (status, line) == (0, line), said.err
        assert said.out
    for file in (
        () if examples == FIRST_BLOCK else ("quotes.csv", "draws.parquet", "suspects.csv", "attainment.json")
    ):
        assert (tmp_path / file).stat().st_size > 0

"""Every example in a docstring of fleet runs as it stands, beside the files that `fleet demo` leaves."""

from __future__ import annotations

import doctest
import re
import shutil
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

import fleet

ROOT = Path(__file__).resolve().parents[1]
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def examples() -> Iterator[doctest.DocTest]:
    for path in sorted((ROOT / "fleet").rglob("*.py")):
        if ">>> " in path.read_text(encoding="utf-8"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            yield from (t for t in doctest.DocTestFinder().find(import_module(name)) if t.examples)


TESTS = list(examples())


@pytest.fixture
def demo(demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work beside a folder `demo`, as `fleet demo` leaves it."""
    shutil.copytree(demo_folder, tmp_path / "demo")
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("test", TESTS, ids=[test.name for test in TESTS])
@pytest.mark.usefixtures("demo")
def test_examples_hold(test: doctest.DocTest) -> None:
    """Each example of the docstring gives what it says."""
    runner = doctest.DocTestRunner(optionflags=FLAGS)
    runner.run(test)
    assert runner.summarize(verbose=False).failed == 0
    assert runner.tries == len(test.examples)


def test_no_example_is_passed_over() -> None:
    """As many examples are run as stand in the source, and each name of the front door has some."""
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "fleet").rglob("*.py"))
    assert sum(len(test.examples) for test in TESTS) == len(re.findall(r"^ +>>> ", source, re.MULTILINE))
    told = {test.name.rpartition(".")[2] for test in TESTS}
    assert set(fleet.__all__) <= told


@pytest.mark.usefixtures("demo")
def test_the_page_on_python_runs(capsys: pytest.CaptureFixture[str]) -> None:
    """The program of `fleet explain python` runs beside the demo's files in about 20 lines of code."""
    page = (ROOT / "fleet" / "docs" / "python.md").read_text(encoding="utf-8")
    (program,) = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    code = [line for line in program.splitlines() if line.strip() and not line.startswith("#")]
    assert len(code) <= 20
    names: dict[str, object] = {}
    exec(compile(program, "python.md", "exec"), names)
    said = capsys.readouterr().out
    assert "Expect rake" in said
    assert "Normal for its kind" in said
    assert "\nAlignment: " in said
    counted = fleet.attainment("demo/demo-sheets.csv").to_frame()["units"].sum()
    assert fleet.attainment(names["sheets"]).to_frame()["units"].tolist() == [counted]  # type: ignore[arg-type]

"""Which slips do the tests notice? Each in a process of its own, against the tests that should fail.

    python tests/mutants/run.py [PART OF A MODULE'S NAME] [--by-hand] [--first N]

prints how each fared, in full those that no test noticed, and per module how many lived. The files stay as
they are: the slip is put in while its module is imported. Tests that take three times as long as they do
without it have noticed, too. The quickest tests come first, the first that fails ends it; what they load
besides `fleet` is loaded once.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import importlib.machinery
import importlib.util
import json
import os
import resource
import sys
import time
from collections import Counter
from importlib.machinery import ModuleSpec
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("slips.json")
OTHERS = ("duckdb", "numpy", "pandas", "pyarrow", "scipy", "altair")
LIVES, KILLED, GONE = "lives", "killed", "no longer there"


class Slipped(importlib.machinery.SourceFileLoader):
    """Finds one module, with a slip in it."""

    def __init__(self, name: str, path: str, text: str) -> None:
        super().__init__(name, path)
        self.text = text

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        del path, target
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def get_code(self, fullname: str) -> object:  # type: ignore[override]
        del fullname
        return compile(self.text, self.path, "exec")


class Quickest:
    """Runs each file's quickest tests first, by what they took before [s]."""

    def __init__(self, took_s: dict[str, float]) -> None:
        self.took_s = took_s

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Files stay together, so that what they share is made once."""
        files = Counter[str]()
        for item in items:
            files[item.location[0]] += self.took_s.get(item.nodeid, 0.0)  # type: ignore[assignment]
        items.sort(key=lambda item: (files[item.location[0]], self.took_s.get(item.nodeid, 0.0)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Learn how long each takes."""
        self.took_s[report.nodeid] = self.took_s.get(report.nodeid, 0.0) + report.duration


def run_tests(tests: list[str], took_s: dict[str, float]) -> int:
    """Run them without a word, up to the first that fails."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *tests], plugins=[Quickest(took_s)]))


def in_a_child(tests: list[str], *more: str) -> tuple[int, float, dict[str, float], list[str]]:
    """Run the tests as they are: how they end, time in all and by test [s], what they load of others."""
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reads)
        took_s: dict[str, float] = {}
        status = run_tests([*more, *tests], took_s)
        theirs = [m for m in sys.modules if m.partition(".")[0] in OTHERS]
        with os.fdopen(writes, "w") as pipe:
            json.dump([status, time.process_time(), took_s, theirs], pipe)
        os._exit(0)
    os.close(writes)
    with os.fdopen(reads) as pipe:
        status, all_s, took_s, theirs = json.load(pipe)
    os.waitpid(child, 0)
    return status, all_s, took_s, theirs


def undisturbed(tests: list[str]) -> tuple[float, dict[str, float]]:
    """Load what the tests load of others; then what they take without a slip, in all and by test [s]."""
    for name in in_a_child(tests, "--collect-only")[3]:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    status, all_s, took_s, _ = in_a_child(tests)
    assert status == 0, f"{tests} fail as they are"
    return all_s, took_s


def noticed(
    module: str, old: str, new: str, tests: list[str], limit_s: float, took_s: dict[str, float]
) -> str:
    """Run the tests in a child in whose eyes the module reads ``new`` instead of ``old``."""
    text = (ROOT / module).read_text(encoding="utf-8")
    if text.count(old) != 1:
        return GONE
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s) + 1, int(limit_s) + 1))
        name = module.removesuffix(".py").replace("/", ".")
        sys.meta_path.insert(0, Slipped(name, str(ROOT / module), text.replace(old, new)))
        os._exit(run_tests(tests, took_s))
    return LIVES if os.waitpid(child, 0)[1] == 0 else KILLED


def main(part: str, *, by_hand: bool, first: int) -> None:
    """Try the slips of the modules whose name holds ``part``; without one the tests must pass."""
    total = Counter[str]()
    for module, told in json.loads(LIST.read_text(encoding="utf-8")).items():
        if part not in module:
            continue
        start, here = time.monotonic(), Counter[str]()
        all_s, took_s = undisturbed(told["tests"])
        slips = [*told["by_hand"], *([] if by_hand else told["drawn"])]
        for n, (old, new) in enumerate(slips[first:], first):
            what = noticed(module, old, new, told["tests"], 3 * all_s, took_s)
            here[what] += 1
            print(f"{module} {n}: {what}" + (f"\n- {old}\n+ {new}" if what != KILLED else ""), flush=True)  # noqa: T201
        total += here
        print(f"== {module}: {dict(here)}, tests {all_s:.0f} s, {time.monotonic() - start:.0f} s", flush=True)  # noqa: T201
    print(dict(total))  # noqa: T201


if __name__ == "__main__":
    os.chdir(ROOT)
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("part", nargs="?", default="", help="part of a module's name")
    asked.add_argument("--by-hand", action="store_true", help="only those made by hand")
    asked.add_argument("--first", type=int, default=0, help="number of the first slip to try")
    words = asked.parse_args()
    main(words.part, by_hand=words.by_hand, first=words.first)

"""Which slips do the tests notice? Each in a process of its own, against the tests that should fail.

    python tests/mutants/run.py [PART OF A MODULE'S NAME] [--by-hand]

prints those that no test noticed, and per module how many lived. The files stay as they are: the slip is put
in while its module is imported. Tests that take more than a minute of processor time have noticed, too.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
import json
import os
import resource
import sys
import time
from importlib.machinery import ModuleSpec
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("slips.json")
LONGEST_S = 60
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


def noticed(module: str, old: str, new: str, tests: list[str]) -> str:
    """Run the tests in a child in whose eyes the module reads ``new`` instead of ``old``."""
    text = (ROOT / module).read_text(encoding="utf-8")
    if text.count(old) != 1:
        return GONE
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S))
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        name = module.removesuffix(".py").replace("/", ".")
        sys.meta_path.insert(0, Slipped(name, str(ROOT / module), text.replace(old, new)))
        status = pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", *tests])
        os._exit(int(status))
    return LIVES if os.waitpid(child, 0)[1] == 0 else KILLED


def main(part: str, *, by_hand: bool) -> None:
    """Try every slip of the modules whose name holds ``part``; where tests fail without one, say so first."""
    total = {LIVES: 0, KILLED: 0, GONE: 0}
    for module, told in json.loads(LIST.read_text(encoding="utf-8")).items():
        if part not in module:
            continue
        start, here = time.monotonic(), {LIVES: 0, KILLED: 0, GONE: 0}
        first = (ROOT / module).read_text(encoding="utf-8").splitlines()[0]
        assert noticed(module, first, first, told["tests"]) == LIVES, (
            f"{module}: {told['tests']} fail as it is"
        )
        for old, new in [*told["by_hand"], *([] if by_hand else told["drawn"])]:
            what = noticed(module, old, new, told["tests"])
            here[what] += 1
            if what != KILLED:
                print(f"{module}: {what}\n- {old}\n+ {new}", flush=True)  # noqa: T201
        for what, n in here.items():
            total[what] += n
        print(f"== {module}: {here}, {time.monotonic() - start:.0f} s", flush=True)  # noqa: T201
    print(total)  # noqa: T201


if __name__ == "__main__":
    import duckdb  # noqa: F401 - what all tests import is imported once
    import pandas as pd  # noqa: F401
    import pytest
    import scipy.optimize
    import scipy.special
    import scipy.stats  # noqa: F401

    os.chdir(ROOT)
    words = [w for w in sys.argv[1:] if w != "--by-hand"]
    main(words[0] if words else "", by_hand="--by-hand" in sys.argv)

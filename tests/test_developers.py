"""DEVELOPERS.md says what is there: the file map is fresh, and every function that it names exists."""

from __future__ import annotations

import re
from importlib import import_module

import file_map
import pytest
from test_layers import LAYERS

PAGE = file_map.PAGE.read_text(encoding="utf-8")
BY_HAND = file_map.BETWEEN.sub("", PAGE)


def test_the_file_map_is_fresh() -> None:
    """Files and commands of DEVELOPERS.md are those of the code; `tests/file_map.py` writes them anew."""
    assert {found[2] for found in file_map.BETWEEN.finditer(PAGE)} == {"files", "commands"}
    assert file_map.written(PAGE) == PAGE, "stale: run .venv/bin/python tests/file_map.py"


def test_every_file_says_what_it_is() -> None:
    """Each module has a docstring whose first line stands alone, so that the map can show it."""
    empty = [
        p for k in file_map.PACKAGES for p in (file_map.ROOT / k).rglob("*.py") if not file_map.first_line(p)
    ]
    assert empty == []


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`((?:fleet|dashboards)(?:\.\w+)+)`", BY_HAND))))
def test_what_the_page_names_exists(name: str) -> None:
    """A dotted name in the page's own text is a module, or a function or class of one."""
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        if (file_map.ROOT / "/".join(parts[:cut])).with_suffix(".py").is_file() or cut == 1:
            break
        if (file_map.ROOT / "/".join(parts[:cut])).is_dir():
            break
    found = import_module(".".join(parts[:cut]))
    for part in parts[cut:]:
        found = getattr(found, part)


def test_paths_of_the_page_exist() -> None:
    """A path in the page's own text, or among the tests of `.ci/lowest`, is one of the project."""
    named = set(re.findall(r"`((?:fleet|dashboards|tests|synthetic_data)/[\w/.]+)`", BY_HAND))
    tried = set((file_map.ROOT / ".ci/lowest").read_text(encoding="utf-8").split())
    named |= {word for word in tried if word.startswith("tests/")}
    assert "tests/test_charts.py" in named
    assert [p for p in sorted(named) if not (file_map.ROOT / p).exists()] == []


def test_the_picture_shows_every_room() -> None:
    """The picture of the house is the rows of `tests/test_layers.py`, the first of them lowest."""
    picture = next(block for block in re.findall(r"```\n(.*?)```", PAGE, re.DOTALL) if "house_model" in block)
    cells = [re.split(r"\s{2,}", line.strip()) for line in picture.splitlines()]
    drawn = [{cell.partition(" · ")[0] for cell in row} for row in cells]
    assert drawn == [{name.rpartition(".")[2] for name in row} for row in reversed(LAYERS)]

"""Errors are told apart by their class, never by their wording."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet import errors
from fleet.errors import FleetError

ROOT = Path(__file__).resolve().parents[1]
FOREIGN = {"fleet/store/connection.py": "DuckDB has one class for a lock, a damaged file and a full disk"}
"""Files that may read an error's words, and why: the error isn't ours."""
ASKING = {"startswith", "endswith", "find", "index", "count", "match", "search", "fullmatch"}


def errors_in(scope: ast.AST) -> set[str]:
    """Names that stand for an error: bound by `except`, or an argument annotated as one."""
    caught = {n.name for n in ast.walk(scope) if isinstance(n, ast.ExceptHandler) and n.name}
    arguments = [n for n in ast.walk(scope) if isinstance(n, ast.arg) and n.annotation is not None]
    return caught | {n.arg for n in arguments if re.search(r"(Error|Exception)$", ast.unparse(n.annotation))}


def names_of(pattern: str, node: ast.AST) -> bool:
    return re.search(pattern, ast.unparse(node)) is not None


def questions(source: str) -> Iterator[int]:
    """Lines that ask what an error says: comparisons and searches in its text, or in a name given to it."""
    tree = ast.parse(source)
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    outside = ast.Module([n for n in tree.body if not isinstance(n, ast.FunctionDef | ast.ClassDef)], [])
    for scope in [s for s in (outside, *functions) if errors_in(s)]:
        errors_here = "|".join(errors_in(scope))
        text = rf"\b(str|repr)\(({errors_here})\)|\b({errors_here})\.args\b"
        given = [n for n in ast.walk(scope) if isinstance(n, ast.Assign) and names_of(text, n.value)]
        names = "|".join(t.id for n in given for t in n.targets if isinstance(t, ast.Name)) or "(?!)"
        text = rf"{text}|^({names})\b"
        for node in ast.walk(scope):
            if isinstance(node, ast.Compare):
                asked = [node.left, *node.comparators]
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                asked = [node.func.value, *node.args] if node.func.attr in ASKING else []
            else:
                continue
            if any(names_of(text, part) for part in asked):
                yield node.lineno


@pytest.mark.parametrize(
    "asked",
    [
        "'busy' in str(error)",
        "str(error).startswith('busy')",
        "str(error).lower() == 'busy'",
        "re.search('busy', str(error))",
    ],
)
def test_the_search_sees_a_question_about_words(asked: str) -> None:
    """The search finds each way of asking for an error's words, also by a name; printing them is free."""
    caught = f"try:\n    pass\nexcept FleetError as error:\n    x = {asked}\n"
    assert list(questions(caught))
    through = asked.replace("str(error)", "text")
    assert list(questions(f"def f(error: FleetError):\n    text = str(error)\n    return {through}\n"))
    assert not list(
        questions("def f(error: FleetError):\n    text = str(error)\n    print(text[:1] + text)\n")
    )


def test_nobody_branches_on_the_words_of_an_error() -> None:
    """No module of fleet or the dashboards asks what an error says, but where the error is a library's."""
    found = {}
    for package in ("fleet", "dashboards"):
        for path in sorted((ROOT / package).rglob("*.py")):
            lines = sorted(set(questions(path.read_text(encoding="utf-8"))))
            if lines:
                found[str(path.relative_to(ROOT))] = lines
    assert set(found) == set(FOREIGN), found


def test_every_error_is_a_fleet_error() -> None:
    """Each class of the module is a FleetError, so that it leaves with status 2, and somebody raises it."""
    classes = [c for c in vars(errors).values() if isinstance(c, type) and c is not FleetError]
    assert len(classes) >= 5
    assert all(issubclass(c, FleetError) for c in classes)
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "fleet").rglob("*.py"))
    assert [c.__name__ for c in classes if not re.search(rf"(raise|return) {c.__name__}\(", source)] == []


@pytest.mark.parametrize("kind", [FleetError, errors.NoStoreError, errors.UnreadableFileError])
def test_every_message_ends_as_a_sentence(kind: type[FleetError]) -> None:
    """One style on every screen: a full stop is there once, and a question keeps its own sign."""
    assert str(kind("no model yet: run `fleet refit`")) == "no model yet: run `fleet refit`."
    assert str(kind("the file is empty.")) == "the file is empty."
    assert str(kind("is it grams?")) == "is it grams?"
    assert (
        str(kind(f"policy file p.toml: {kind('a key is unknown')}"))
        == "policy file p.toml: a key is unknown."
    )

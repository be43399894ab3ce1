"""Draw slips for a module: a sign, a limit, a term, a factor or two arguments, one at a time.

    python tests/mutants/draw.py fleet/statistics/bayes.py 20 tests/statistics/test_bayes.py

writes them into `slips.json`, beside those made by hand: drawn ones that still fit the code stay, new ones
fill their number up. Without a module, every module's are filled up so. The draw depends on names alone.
"""

from __future__ import annotations

import ast
import json
import random
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("slips.json")
SIGNS = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}
LIMITS = {ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "=="}
ENDS = {"minimum": "maximum", "maximum": "minimum", "min": "max", "max": "min", "any": "all", "all": "any"}


SAME_EITHER_WAY = {*ENDS, "outer", "isclose", "hypot", "logaddexp", "isinstance", "array_equal", "getattr"}
"""Whose two arguments may be swapped, or are of two kinds."""


def ends_of(func: ast.expr) -> str:
    """The last word of a function's name."""
    return func.attr if isinstance(func, ast.Attribute) else getattr(func, "id", "")


def changes(node: ast.AST, text: str) -> Iterator[str]:
    """What may stand in the place of one expression."""

    def said(part: ast.AST) -> str:
        found = ast.get_source_segment(text, part) or ""
        return f"({found})" if isinstance(part, ast.BinOp | ast.Compare | ast.BoolOp | ast.IfExp) else found

    match node:
        case ast.BinOp(left=left, op=op, right=right) if type(op) in SIGNS:
            yield f"({said(left)} {SIGNS[type(op)]} {said(right)})"
            yield f"({said(left)})"
        case ast.BinOp(left=left, op=ast.Pow()):
            yield f"({said(left)})"
        case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in LIMITS:
            yield f"({said(left)} {LIMITS[type(op)]} {said(right)})"
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert(), operand=operand):
            yield f"({said(operand)})"
        case ast.BoolOp(op=op, values=[first, second]):
            yield f"({said(first)} {'and' if isinstance(op, ast.Or) else 'or'} {said(second)})"
        case ast.Call(func=func, args=[first, second], keywords=[]) if ends_of(func) not in SAME_EITHER_WAY:
            yield f"{said(func)}({said(second)}, {said(first)})"
        case ast.Attribute(value=value, attr=name) if name in ENDS:
            yield f"{said(value)}.{ENDS[name]}"
        case ast.Constant(value=float() | int() as value) if not isinstance(value, bool):
            yield repr(value + 1 if isinstance(value, int) else value * 1.2)


def expressions(tree: ast.Module) -> Iterator[ast.AST]:
    """Everything inside functions and constants that is computed, not what annotations or sentences say."""
    todo: list[ast.AST] = [tree]
    while todo:
        node = todo.pop()
        if isinstance(node, ast.expr) and getattr(node, "lineno", 0) == getattr(node, "end_lineno", None):
            yield node
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list") or isinstance(node, ast.JoinedStr):
                continue
            todo += [v for v in (value if isinstance(value, list) else [value]) if isinstance(v, ast.AST)]


def slips(module: Path) -> list[tuple[str, str]]:
    """Every slip of a module whose place can be named by whole lines: what stands there, what would."""
    text = module.read_text(encoding="utf-8")
    lines = text.splitlines()
    found = []
    for node in expressions(ast.parse(text)):
        row = node.lineno - 1  # type: ignore[attr-defined]
        line = lines[row].encode()
        for new in changes(node, text):
            start, end = node.col_offset, node.end_col_offset  # type: ignore[attr-defined]
            changed = (line[:start] + new.encode() + line[end:]).decode()
            old, put = lines[row], changed
            if text.count(old) > 1:
                old, put = f"{lines[row - 1]}\n{old}", f"{lines[row - 1]}\n{put}"
            if text.count(old) == 1 and changed != lines[row]:
                found.append((old, put))
    return sorted(set(found))


def fill_up(name: str, drawn: list[list[str]], number: int) -> list[list[str]]:
    """Drawn slips of a module that still fit, and as many new ones as make ``number``."""
    every = [[old, new] for old, new in slips(ROOT / name)]
    kept = [slip for slip in drawn if slip in every][:number]
    left = [slip for slip in every if slip not in kept]
    more = random.Random(zlib.crc32(name.encode())).sample(left, min(number - len(kept), len(left)))
    return kept + more


if __name__ == "__main__":
    told = json.loads(LIST.read_text(encoding="utf-8")) if LIST.exists() else {}
    asked, number, *tests = sys.argv[1:] or [None, "0"]
    for name in [asked] if asked else list(told):
        here = told.setdefault(name, {"tests": tests, "by_hand": [], "drawn": []})
        here["tests"] = tests or here["tests"]
        here["drawn"] = fill_up(name, here["drawn"], int(number) or len(here["drawn"]))
    LIST.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")

"""A guide as the text of its TOML file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from fleet.intake.guides.guide import Guide, Rule

_SENSE_REMARK = "# as in `fleet explain signs`; if this bench looks from the other side: flip = true"


def as_toml(guide: Guide, remarks: Mapping[str, str]) -> str:
    """The guide as TOML text, rules in the file's order.

    Parameters
    ----------
    guide : any guide.
    remarks : a few words beside a header.
    """
    lines = ["[file]", f"delimiter = {_text(guide.delimiter)}", f"encoding = {_text(guide.encoding)}"]
    lines += [f"decimal = {_text(guide.decimal)}", f"dates = {_text(guide.dates)}"]
    lines += [f"page = {_text(guide.page)}"] if guide.page else []
    lines += [f"header_rows = {guide.header_rows}"] if guide.header_rows > 1 else []
    lines += [f"skip = {_list(guide.skip)}"] if guide.skip else []
    if guide.constant:
        lines += ["", "[constant]", *(f"{name} = {_text(text)}" for name, text in guide.constant.items())]
    for header, words in guide.rows.items():
        told = (f"{_text(word)} = {_text(kind)}" for word, kind in words.items())
        lines += ["", f"[rows.{_text(header)}]", *told]
    for rule in guide.rules:
        remark = remarks.get(rule.header, "")
        lines += ["", f"[columns.{_text(rule.header)}]{f'  # {remark}' if remark else ''}", *_entry(rule)]
    return "\n".join(lines) + "\n"


def _entry(rule: Rule) -> list[str]:
    lines = [f"to = {_text(rule.to)}"]
    lines += [f"unit = {_text(rule.unit)}"] if rule.unit else []
    for name, table in (("words", rule.words), ("sense", rule.sense)):
        if table:
            inner = ", ".join(f"{_text(k)} = {_value(v)}" for k, v in table.items())
            lines.append(f"{name} = {{ {inner} }}")
    lines += [_SENSE_REMARK] if rule.sense else []
    lines += [f"{name} = true" for name in ("magnitude", "flip", "optional") if getattr(rule, name)]
    lines += [f"empty = {_list(rule.empty)}"] if rule.empty else []
    lines += [
        f"{name} = {_text(text)}" for name in ("blanks", "ditto", "ask") if (text := getattr(rule, name))
    ]
    return lines


def _list(texts: tuple[str, ...]) -> str:
    return f"[{', '.join(map(_text, texts))}]"


def _value(value: Any) -> str:
    return _text(value) if isinstance(value, str) else json.dumps(value)


def _text(value: str) -> str:
    """A text as TOML writes it: JSON's way, but for what TOML allows in no text."""
    clean = value.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(clean, ensure_ascii=False).replace("\x7f", "\\u007f")

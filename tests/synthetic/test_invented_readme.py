"""The invented world's README lists every number that the code has."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import synthetic_data
from synthetic_data.spec import FAULT_SIZES, Noise, Spread, WorldSpec

README = Path(synthetic_data.__file__).with_name("README.md").read_text(encoding="utf-8")


def _listed() -> dict[str, str]:
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", README, flags=re.M)
    return {name: value.strip() for name, value in rows}


def _as_listed(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) if isinstance(value[0], str) else " to ".join(f"{v:g}" for v in value)
    return str(value)


def test_every_number_stands_in_the_readme_with_its_value() -> None:
    """Each field of the spec, the noise and the spreads is listed with the default that the code has."""
    listed = _listed()
    for part in (WorldSpec(seed=0), Noise(), Spread()):
        for item in fields(part):
            if item.name not in ("seed", "noise", "spread"):
                assert listed[item.name] == _as_listed(getattr(part, item.name)), item.name


def test_every_fault_stands_in_the_readme_with_its_sizes() -> None:
    """Each fault's range of sizes is listed as the code has it."""
    listed = _listed()
    for fault, (low, high) in FAULT_SIZES.items():
        assert f"{low:g} to {high:g}" in listed[fault], fault

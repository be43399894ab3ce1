"""The guides that a bench has answered before: files beside its store, recognised by a file's headers."""

from __future__ import annotations

import re
from pathlib import Path

from fleet.errors import FleetError, UnreadableFileError
from fleet.files.door import read_toml
from fleet.intake.guides import sample
from fleet.intake.guides.guide import Guide, guide_from, load_guide
from fleet.intake.guides.layout import key
from fleet.intake.guides.propose import propose_guide
from fleet.intake.guides.sample import REQUIRED, Sample

_FEW_LOST = 0.2
"""Share of a guide's columns that a file of its bench may lack before it counts as another bench's."""


def folder_of(store: Path) -> Path:
    """Where the guides of a store's bench are kept: a folder beside it."""
    return store.with_suffix(".guides")


def is_canonical(table: Sample) -> bool:
    """Whether a file has the contract's names and way of writing, so that it needs no guide."""
    plain = table.delimiter == "," and table.encoding != "utf-16"
    return plain and {header.strip() for header in table.headers} >= REQUIRED


def kept_guide(table: Sample, folder: Path) -> Path | None:
    """The kept guide all of whose columns the file has, the one that names most; None if there is none."""
    there = {key(header) for header in table.headers}
    best: tuple[int, Path] | None = None
    for path in sorted(folder.glob("*.toml")):
        guide = _guide_or_none(path)
        if guide is None or guide.header_rows != table.header_rows:
            continue
        if all(rule.optional or key(rule.header) in there for rule in guide.rules):
            known = sum(key(rule.header) in there for rule in guide.rules)
            if known and (best is None or known > best[0]):
                best = (known, path)
    return None if best is None else best[1]


def _nearly(table: Sample, folder: Path) -> str:
    """What a file lacks of a kept guide that knows nearly all of it, and what to do; "" if there is none."""
    there = {key(header) for header in table.headers}
    for path in sorted(folder.glob("*.toml")):
        guide = _guide_or_none(path)
        rules = guide.rules if guide else ()
        lost = [rule.header for rule in rules if not rule.optional and key(rule.header) not in there]
        if rules and len(lost) <= _FEW_LOST * len(rules):
            names = ", ".join(f'"{header}"' for header in lost)
            return (
                f"lacks {names}, which the guide {path} names: write optional = true there if it may be "
                "missing, or its new name if it has another now."
            )
    return ""


def _guide_or_none(path: Path) -> Guide | None:
    try:
        return guide_from(read_toml(path, unread="unread", no_toml="no TOML"), path.name)
    except FleetError:
        return None  # a guide that is spoilt is told when it is named with --guide


def guide_for(path: Path, folder: Path) -> Guide | None:
    """The guide that a file needs: none for canonical names, else the kept one that knows it.

    None too for a file in which nothing is recognised: whoever reads it says what is wrong with it.

    Raises
    ------
    UnknownHeadersError
        If no kept guide knows its headers, but a draft would know some of them.
    FleetError
        If the kept guide has open questions, or names a few columns that the file lacks.
    """
    try:
        table = sample.take(path)
        if is_canonical(table):
            return None
        kept = kept_guide(table, folder)
        rules = () if kept else propose_guide(path).guide.rules
    except UnreadableFileError:
        return None
    if kept is not None:
        return load_guide(kept)
    if near := _nearly(table, folder):
        raise FleetError(f"{path.name} {near}")
    if {rule.to for rule in rules} >= REQUIRED or any(rule.header != rule.to for rule in rules):
        raise UnknownHeadersError(f"{path.name} has column names of its own; they need a reading guide.")
    return None


class UnknownHeadersError(UnreadableFileError):
    """A file has headers of its own, and there is no guide to them yet."""


def new_place(file: Path, folder: Path) -> Path:
    """A free name in the folder for the guide of a file."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", file.name.split(".")[0]).strip("-")[:40] or "bench"
    number = 1
    while (place := folder / f"{stem}{f'-{number}' if number > 1 else ''}.toml").exists():
        number += 1
    return place


def keep_guide(text: str, place: Path) -> None:
    """Write a guide's text, making the folder if it isn't there.

    Raises
    ------
    FleetError
        If the system refuses.
    """
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FleetError(f"cannot write {place}: {(error.strerror or 'no reason told').lower()}.") from error

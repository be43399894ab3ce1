"""A file's rows as text, before anything is believed: cells by column, with the line each row stands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from fleet.columns import Column
from fleet.errors import UnreadableFileError
from fleet.intake.faults import Fault, printable_header
from fleet.intake.guides.convert import Convert
from fleet.intake.guides.guide import Guide

Text: TypeAlias = Any
"""A column of text: an Arrow chunked array of strings."""


@dataclass(frozen=True)
class SheetTable:
    """Rows of one file as text.

    Attributes
    ----------
    file : the file's name as faults show it.
    lines : line of each row (first line of the file = 1; row number in a Parquet file), shape (n_rows,).
    columns : text of each known column that the file has, each of n_rows cells; nothing else was kept.
    broken : one fault for each row that could not be read as cells at all; it is not among `lines`.
    blank_rows : rows without any content, which don't count as rows.
    ignored : what the file has besides, by name where the header looks like a code, else by place.
    converters : what turns a column's texts into canonical ones, for columns that a reading guide explains.
    """

    file: str
    lines: npt.NDArray[np.int64]
    columns: Mapping[str, Text]
    broken: tuple[Fault, ...]
    blank_rows: int
    ignored: tuple[str, ...]
    converters: Mapping[str, Convert] = field(default_factory=dict)

    @property
    def rows_read(self) -> int:
        """Rows with any content, the broken ones included."""
        return len(self.lines) + len(self.broken)


def match_headers(
    headers: list[str], known: Mapping[str, Column], file: str, guide: Guide | None = None
) -> tuple[dict[str, int], tuple[str, ...]]:
    """Find the known columns by header, a guide's own headers before the canonical ones.

    Returns
    -------
    (place of each known column, from 0; what is ignored).

    Raises
    ------
    UnreadableFileError
        If a known column stands twice, or one that is required or that the guide names is missing.
    """
    rules = {rule.header.strip().lower(): rule for rule in guide.rules} if guide else {}
    ruled = {rule.to for rule in rules.values()}
    places: dict[str, int] = {}
    ignored = []
    for place, raw in enumerate(headers):
        header = raw.strip()
        rule = rules.pop(header.lower(), None)
        name = rule.to if rule else header if header in known and header not in ruled else None
        if name in places:
            raise UnreadableFileError(f"{file} has two columns {name}; remove one.")
        if name is not None:
            places[name] = place
        elif header:
            ignored.append(printable_header(header, place + 1))
    if lost := [rule for rule in rules.values() if not rule.optional]:
        told = ", ".join(f'"{rule.header}"' for rule in lost)
        raise UnreadableFileError(
            f"{file} lacks columns that the guide names: {told}; is it the right guide?"
        )
    given = {*places, *(guide.constant if guide else ())}
    missing = [name for name, column in known.items() if column.required and name not in given]
    if missing:
        raise UnreadableFileError(f"{file} has no column {', '.join(missing)}; {_advice(headers)}")
    return places, tuple(ignored)


def _advice(headers: list[str]) -> str:
    if len(headers) == 1 and any(mark in headers[0] for mark in ";\t|"):
        return "its fields don't seem to be separated by commas: a reading guide can say by what."
    return "the first row must hold the column names; other names need a reading guide."

"""Rows of text become typed sheets, or are put aside with everything that is wrong with them.

Each column is checked on its distinct values only, so a million rows cost about as much as their variety.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from fleet.columns import COLUMNS, Column
from fleet.files.tokens import TokenKey
from fleet.intake.faults import Fault, printable
from fleet.intake.guides.convert import Convert
from fleet.intake.plausible import marks, odd_readings
from fleet.intake.table import SheetTable, Text, place_of
from fleet.intake.texts import DAY_PATTERN, NUMBER_PATTERN, PATTERNS, meaning, wrong_with_serial
from fleet.spreadsheet import restore

MOST_FAULTS_TOLD = 100_000
"""Faults described one by one; a file with more is put aside all the same, row by row, but not described."""


@dataclass(frozen=True)
class Checked:
    """Typed rows, and what was wrong with the others.

    Attributes
    ----------
    file : the file's name as faults show it.
    good : rows without a fault, indexed by line; serials are there only as `serial_token`, and for bench
        sheets `marks` holds codes of what looks odd.
    faults : what is wrong, by line and column (at most `MOST_FAULTS_TOLD`).
    warnings : what looks odd in rows that are good all the same, by line.
    rows_read, put_aside : counts of rows; `len(good)` is the difference.
    ignored : columns that were not looked at.
    pages, passed : pages that rows were read from, and rows that were not looked at, by why.
    """

    file: str
    good: pd.DataFrame
    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]
    rows_read: int
    put_aside: int
    ignored: tuple[str, ...]
    pages: int = 1
    passed: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class _Judged:
    """Distinct texts of a column: what each means, and why those that mean nothing don't."""

    values: pa.Array
    reasons: dict[int, str]


def check_sheets(table: SheetTable, *, key: TokenKey | None = None, today: dt.date | None = None) -> Checked:
    """Check every row of a file of bench sheets.

    Parameters
    ----------
    table : the file's rows as text.
    key : turns serials into tokens; without it they are dropped, and each sheet is a unit of its own.
    today : last day that isn't in the future, the computer's if None.
    """
    checked = check_table(table, COLUMNS, key=key, today=today)
    return replace(
        checked,
        good=checked.good.assign(marks=marks(checked.good)),
        warnings=odd_readings(checked.good, checked.file),
    )


def check_table(
    table: SheetTable, known: Mapping[str, Column], *, key: TokenKey | None, today: dt.date | None = None
) -> Checked:
    """Check every row against a catalogue of columns; see `check_sheets`."""
    last_day = today or dt.date.today()
    n_rows = len(table.lines)
    bad = np.zeros(n_rows, dtype=bool)
    told: list[tuple[int, int, Fault]] = []
    typed: dict[str, pa.Array] = {}
    for order, (name, column) in enumerate(known.items()):
        stored = "serial_token" if column.name == "serial" else name
        if name not in table.columns:
            typed[stored] = _absent(column, n_rows)
            continue
        judge = _judge_of(column, key, last_day)
        codes, texts = _distinct(table.columns[name])
        judged = _judged(texts, judge, table.converters.get(name))
        typed[stored] = judged.values.take(codes)
        if judged.reasons:
            wrong = np.isin(codes.to_numpy(), np.fromiter(judged.reasons, dtype=np.int64))
            bad |= wrong
            for row in np.flatnonzero(wrong)[: max(MOST_FAULTS_TOLD - len(told), 0)]:
                code = codes[int(row)].as_py()
                value, reason = printable(texts[code].as_py() or ""), judged.reasons[code]
                file, line = place_of(table.file, int(table.lines[row]))
                fault = Fault(file, line, name, value, reason, table.own.get(name, ""))
                told.append((int(table.lines[row]), order, fault))
    told += [(fault.line, -1, fault) for fault in table.broken]
    told.sort(key=lambda entry: entry[:2])
    return Checked(
        file=table.file,
        good=_frame(typed, table.lines, ~bad),
        faults=tuple(fault for _, _, fault in told[:MOST_FAULTS_TOLD]),
        warnings=(),
        rows_read=table.rows_read,
        put_aside=len(table.broken) + int(bad.sum()),
        ignored=table.ignored,
        pages=table.pages,
        passed=table.passed,
    )


def _judged(texts: pa.Array, judge: Callable[[pa.Array], _Judged], convert: Convert | None) -> _Judged:
    """Judge distinct texts, after a guide has turned them into canonical ones."""
    if convert is None:
        return judge(texts)
    converted = convert(texts.to_pylist())
    judged = judge(pa.array(converted.texts, pa.string()))
    reasons = {
        place: f"read as {converted.read_as[place]} {reason}" if place in converted.read_as else reason
        for place, reason in judged.reasons.items()
    }
    return _Judged(judged.values, {**reasons, **converted.reasons})


def _frame(
    typed: dict[str, pa.Array], lines: npt.NDArray[np.int64], good: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    """The good rows; `typed` is emptied, so that a large file isn't held twice."""
    texts = {name: "str" for name, array in typed.items() if pa.types.is_string(array.type)}
    days = {name: "datetime64[us]" for name, array in typed.items() if pa.types.is_date(array.type)}
    table = pa.table(typed)
    typed.clear()
    if not good.all():
        table = table.filter(pa.array(good))
        lines = lines[good]
    frame: pd.DataFrame = table.to_pandas(date_as_object=False, split_blocks=True, self_destruct=True)
    frame = frame.astype({**texts, **days})
    frame.index = pd.Index(lines, name="line")
    return frame


def _distinct(text: Text) -> tuple[pa.Array, pa.Array]:
    """(code of each cell, distinct trimmed texts), blank cells being one null text."""
    trimmed = pc.utf8_trim_whitespace(text.combine_chunks())
    if isinstance(trimmed, pa.ChunkedArray):
        trimmed = trimmed.combine_chunks()
    encoded = trimmed.dictionary_encode(null_encoding="encode")
    texts = _restored(encoded.dictionary)
    return encoded.indices, pc.if_else(pc.equal(texts, ""), pa.scalar(None, pa.string()), texts)


def _restored(texts: pa.Array) -> pa.Array:
    """Take back the apostrophe that our own tables put before what a spreadsheet would run."""
    if not pc.any(pc.starts_with(texts, "'")).as_py():
        return texts
    return pa.array([None if text is None else restore(text) for text in texts.to_pylist()], pa.string())


def _absent(column: Column, n_rows: int) -> pa.Array:
    if column.kind == "number":
        return pa.nulls(n_rows, pa.float64())
    if column.default:
        return pa.array([column.default] * n_rows, pa.string())
    return pa.nulls(n_rows, pa.string())


def _judge_of(column: Column, key: TokenKey | None, today: dt.date) -> Callable[[pa.Array], _Judged]:
    def judge(texts: pa.Array) -> _Judged:
        if column.name == "serial":
            return _with_blank(_serials(texts, key), texts, column)
        if column.kind == "number":
            values, right = _numbers(texts, column)
        elif column.kind == "date":
            values, right = _days(texts, today)
        elif column.kind == "word":
            values, right = _words(texts, column)
        elif column.kind == "codes":
            values, right = _word_lists(texts, column, today)
        else:
            values, right = _patterned(texts, column)
        wrong = pc.and_(pc.is_valid(texts), pc.invert(pc.fill_null(right, False)))
        places = np.flatnonzero(wrong.to_numpy(zero_copy_only=False)).tolist()
        reasons = {i: meaning(texts[i].as_py(), column, today)[1] for i in places}
        return _with_blank(_Judged(values, reasons), texts, column)

    return judge


def _with_blank(judged: _Judged, texts: pa.Array, column: Column) -> _Judged:
    """Blank cells: a fault where the column is required, else its default."""
    if not texts.null_count:
        return judged
    if column.required:
        blanks = np.flatnonzero(pc.is_null(texts).to_numpy(zero_copy_only=False))
        return _Judged(judged.values, {**judged.reasons, **{int(i): "is missing" for i in blanks}})
    if column.default:
        filled = pc.if_else(pc.is_null(texts), pa.scalar(column.default), judged.values)
        return _Judged(filled, judged.reasons)
    return judged


def _numbers(texts: pa.Array, column: Column) -> tuple[pa.Array, pa.Array]:
    try:
        values = pc.cast(texts, pa.float64())
    except pa.ArrowInvalid:
        readable = pc.match_substring_regex(texts, f"^{NUMBER_PATTERN}$")
        values = pc.cast(pc.if_else(readable, texts, pa.scalar(None, pa.string())), pa.float64())
    values = pc.add(values, 0.0)  # makes -0 plain 0
    if column.choices:
        return values, pc.is_in(values, pa.array(column.choices, pa.float64()))
    return values, pc.and_(pc.greater_equal(values, column.low), pc.less_equal(values, column.high))


def _days(texts: pa.Array, today: dt.date) -> tuple[pa.Array, pa.Array]:
    written = pc.match_substring_regex(texts, f"^{DAY_PATTERN}$")
    tidy = pc.if_else(written, texts, pa.scalar(None, pa.string())).to_pandas()
    days = pd.to_datetime(tidy, format="%Y-%m-%d", errors="coerce")
    values = pa.Array.from_pandas(days.dt.date if len(days) else [], type=pa.date32())
    return values, pc.less_equal(values, pa.scalar(today, pa.date32()))


def _words(texts: pa.Array, column: Column) -> tuple[pa.Array, pa.Array]:
    lower = pc.utf8_lower(texts)
    known = pc.is_in(lower, pa.array(column.words))
    return pc.if_else(known, lower, pa.scalar(None, pa.string())), known


def _word_lists(texts: pa.Array, column: Column, today: dt.date) -> tuple[pa.Array, pa.Array]:
    told = [meaning(text, column, today) if text else (None, "") for text in texts.to_pylist()]
    values, right = zip(*((value, not why) for value, why in told), strict=True) if told else ((), ())
    return pa.array(values, pa.string()), pa.array(right, pa.bool_())


def _patterned(texts: pa.Array, column: Column) -> tuple[pa.Array, pa.Array]:
    right = pc.match_substring_regex(texts, f"^(?:{PATTERNS[column.kind]})$")
    return pc.if_else(right, texts, pa.scalar(None, pa.string())), right


def _serials(texts: pa.Array, key: TokenKey | None) -> _Judged:
    """Tokens of the serials; the serials themselves end here."""
    serials = texts.to_pylist()
    reasons = {i: why for i, serial in enumerate(serials) if serial and (why := wrong_with_serial(serial))}
    tokens = key.tokens(serials) if key else [None] * len(serials)
    return _Judged(pa.array(tokens, pa.string()), reasons)

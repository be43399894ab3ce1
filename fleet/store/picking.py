"""Some of the current sheets, and counts of them: what a screen needs, without fetching the rest."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fleet.store.connection import sides_as_written
from fleet.store.store import BATCH, CURRENT_COLUMNS, Store, frame_of_sheets, keep_to, keep_to_all

if TYPE_CHECKING:
    import pandas as pd

    from fleet.store.connection import Connection

NOT_TOLD: Final = "(not told)"
KIND: Final = "kind"


@dataclass(frozen=True)
class Overview:
    """What a store holds, in counts.

    Attributes
    ----------
    sheets, unit_sheets : current sheets, and those of them that are no check pickup's.
    years : years in which sheets were measured, newest first.
    levels : per grouping column the codes or words that occur with their number of sheets, most first.
    """

    sheets: int
    unit_sheets: int
    years: tuple[int, ...]
    levels: Mapping[str, Mapping[str, int]]


COUNTED: Final = (
    "body_family",
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "generator",
    "bench",
)


def overview(store: Store) -> Overview:
    """Count what is there: one scan, whatever the number of sheets."""
    with store.reader() as con:
        total, units = con.execute(
            "select count(*), count(*) filter (where purpose = 'unit') from latest_sheet"
        ).fetchall()[0]
        years = con.execute(
            "select distinct year(measured_on) as y from latest_sheet order by y desc"
        ).fetchall()
        levels = {}
        for name in COUNTED:
            rows = con.execute(
                f"select {name}, count(*) as n from latest_sheet where {name} is not null "
                f"group by {name} order by n desc, {name}"
            ).fetchall()
            levels[name] = {str(level): int(n) for level, n in rows}
    return Overview(int(total), int(units), tuple(int(y) for (y,) in years), levels)


FEW_WORDS: Final = (*COUNTED, "purpose", "marks", "remedy")
"""Columns in which many sheets say the same."""


@dataclass(frozen=True)
class Holdings:
    """What a store holds of units, in counts.

    Attributes
    ----------
    sheets, unit_sheets, units, families, sources : current sheets; those of them that are no check pickup's;
        their units, families and assembly sources.
    first, last : days of the first and the last current sheet; None without one.
    marked : numbers and marks of the current sheets that bear any, by date.
    """

    sheets: int
    unit_sheets: int
    units: int
    families: int
    sources: int
    first: dt.date | None
    last: dt.date | None
    marked: tuple[tuple[str, str], ...]


def holdings(store: Store) -> Holdings:
    """Count what is there, and name the sheets with marks."""
    own = "filter (where purpose = 'unit')"
    counts = ", ".join(f"count(distinct {c}) {own}" for c in ("unit", "body_family", "assembly_source"))
    with store.reader() as con:
        row = con.execute(
            f"select count(*), count(*) {own}, {counts}, min(measured_on), max(measured_on) "
            "from current_sheet"
        ).fetchall()[0]
        marked = con.execute(
            "select sheet_no, marks from current_sheet where marks is not null "
            "order by measured_on, bench, sheet_no"
        ).fetchall()
    n, own_n, units, families, sources, first, last = row
    return Holdings(n, own_n, units, families, sources, first, last, tuple(marked))


def group_sql(by: str) -> str:
    """SQL of a sheet's group: a column's value, or the kind; what isn't told has its own name."""
    if by == KIND:
        return f"{group_sql('stylus_profile')} || '/' || {group_sql('cantilever_material')}"
    if by not in CURRENT_COLUMNS:
        raise ValueError(f"got the grouping {by!r}; expected kind or one of CURRENT_COLUMNS")
    return f"coalesce({by}, '{NOT_TOLD}')"


def pick_sheets(
    store: Store,
    columns: Sequence[str],
    *,
    where: Mapping[str, Sequence[str]] | None = None,
    since: dt.date | None = None,
    before: dt.date | None = None,
    counting: bool = False,
    newest_first: int | None = None,
    each: tuple[str, int] | None = None,
    coded: bool = False,
) -> pd.DataFrame:
    """Current sheets that pass the filters; in order of date, or the newest first where a number is named.

    Parameters
    ----------
    store : the store.
    columns : some of `CURRENT_COLUMNS`.
    where : accepted values by column (or `kind`); none accepts all.
    since, before : first day that counts, and the first that doesn't any more.
    counting : whether each unit counts once, by its newest sheet, and check pickups not at all.
    newest_first : at most so many sheets of units, check pickups left out.
    each : at most so many sheets of each group of a grouping, picked by a hash of the sheet's number (the
        same ones every time).
    coded : whether `FEW_WORDS` come as categories: a byte or two a sheet instead of ten to twenty.
    """
    if unknown := set(columns) - set(CURRENT_COLUMNS):
        raise ValueError(f"got columns {sorted(unknown)}; expected some of CURRENT_COLUMNS")
    where = where or {}
    terms, params = _terms(where, since, before)
    if newest_first is not None:
        terms.append("purpose = 'unit'")
    plain = " and ".join(terms) or "true"
    if counting:
        terms.append("newest and purpose <> 'reference'")
    few = [name for name in columns if coded and name in FEW_WORDS]
    query = (
        f"select {', '.join(f'{c}::{c}_words as {c}' if c in few else c for c in columns)} from current_sheet"
    )
    query += f" where {' and '.join(terms)}" if terms else ""
    if each is not None:
        by, most = each
        query += (
            f" qualify row_number() over (partition by {group_sql(by)} order by hash(sheet_no), bench)"
            f" <= {int(most)}"
        )
    if newest_first is not None:
        query += f" order by {NEWEST_FIRST} limit {int(newest_first)}"
    elif where or each:
        query += " order by measured_on, bench, sheet_no"
    named = _named(where)
    with store.reader() as con, sides_as_written(con):
        if named is not None:
            keep_to(con, named, {name: params[name] for name in params if f"${name})" in named})
        elif newest_first is not None and {"marks", "newest"}.isdisjoint(where):
            _keep_to_newest(con, plain, " and ".join(terms), params, newest_first)
        for name in few:
            words = f"select distinct {name} from sheet where {name} is not null order by {name}"
            con.execute(f"create temp type {name}_words as enum ({words})").fetchall()
        return frame_of_sheets(con.sql(query, params=params).to_arrow_reader(BATCH))


NEWEST_FIRST: Final = "measured_on desc, bench, sheet_no"


def _keep_to_newest(
    con: Connection, condition: str, counted: str, params: Mapping[str, object], most: int
) -> None:
    """Keep to the newest sheets, twice as many as are wanted; to all if too few of these are counted."""
    con.execute(
        "create temp table picked as select bench, sheet_no from latest_sheet "
        f"where {condition} order by {NEWEST_FIRST} limit {2 * most}",
        params,
    ).fetchall()
    keep_to(con, "from picked")
    there = con.execute("select count(*) from picked").fetchall()[0][0]
    query = f"select count(*) from current_sheet semi join picked using (bench, sheet_no) where {counted}"
    if there == 2 * most and con.execute(query, params).fetchall()[0][0] < most:
        keep_to_all(con)


def _named(where: Mapping[str, Sequence[str]]) -> str | None:
    """Query of the sheets, and perhaps others, that a filter for a few lets pass; None without one."""
    for i, (name, values) in enumerate(where.items()):
        few = name in {"sheet_no", "serial_token", "unit"} or (name == "purpose" and "unit" not in values)
        if few and values and NOT_TOLD not in values:
            given = f"(select unnest($values_{i}) as name)"
            own = f"{name} in (select name from {given})"
            if name == "unit":
                own = (
                    f"serial_token in (select regexp_replace(name, '-[0-9]+$', '') from {given}) "
                    f"or 'sheet:' || bench || ':' || sheet_no in (select name from {given})"
                )
            return f"select bench, sheet_no from sheet where {own}"
    return None


def _terms(
    where: Mapping[str, Sequence[str]], since: dt.date | None, before: dt.date | None
) -> tuple[list[str], dict[str, object]]:
    terms: list[str] = []
    params: dict[str, object] = {}
    for i, (name, values) in enumerate(where.items()):
        if values:
            params[f"values_{i}"] = list(values)
            terms.append(f"{group_sql(name)} in (select unnest($values_{i}))")
    for name, day, sign in (("since", since, ">="), ("before", before, "<")):
        if day is not None:
            params[name] = day
            terms.append(f"measured_on {sign} ${name}")
    return terms, params


def like_number(store: Store, sheet_no: str) -> str:
    """Where a sheet's number is that wasn't found at its bench, or which numbers are like it; "" if none is.

    Parameters
    ----------
    store : where to look.
    sheet_no : the number.
    """
    with store.reader() as con:
        benches = con.execute(
            "select distinct bench from sheet where sheet_no = ? order by bench", [sheet_no]
        ).fetchall()
        near = con.execute(
            "select sheet_no from (select distinct sheet_no from sheet) "
            "where levenshtein(upper(sheet_no), upper($no)) <= greatest(1, length($no) // 4) "
            "or (length($no) > 3 and ends_with(sheet_no, $no)) "
            "order by levenshtein(upper(sheet_no), upper($no)), sheet_no limit 3",
            {"no": sheet_no},
        ).fetchall()
    if benches:
        names = [str(bench) for (bench,) in benches]
        return f"that number is at bench {' and '.join(names)}: add --bench {names[0]}."
    return f"numbers like it: {', '.join(number for (number,) in near)}." if near else ""

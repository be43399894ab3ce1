"""Taking sheets in: which rows are new, which are there already, which contradict the store.

Everything happens in one transaction of the caller: the rows, the record of the intake and the revision.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fleet.columns import COLUMNS, STORED_COLUMNS
from fleet.errors import FleetError
from fleet.store.connection import Connection, utc_now

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


@dataclass(frozen=True)
class Conflict:
    """A row put aside because its sheet number is already used with other contents.

    Attributes
    ----------
    position : place of the row in the frame that was given, from 0.
    first_position : place of the earlier row of the frame that it contradicts, None if it is the store's.
    """

    position: int
    first_position: int | None


@dataclass(frozen=True)
class Appended:
    """What became of the rows of one intake.

    Attributes
    ----------
    intake_id : number of the intake, None if nothing was new (then nothing was written).
    accepted : rows that went in, corrections included.
    already_there : rows whose sheet is there with the same contents, or stood twice alike in the frame.
    superseded : how many of the accepted rows replaced an older version.
    conflicts : rows that were put aside.
    """

    intake_id: int | None
    accepted: int
    already_there: int
    superseded: int
    conflicts: tuple[Conflict, ...]


OTHER_KEY: Final = (
    "the store was made with another token key; "
    "set FLEET_SECRET or FLEET_KEY_FILE to the key it was made with."
)

_ROWS_AT_A_TIME: Final = 100_000


def staging_tables(good: pd.DataFrame, *, rows: int = _ROWS_AT_A_TIME) -> Iterator[pa.Table]:
    """`staging_table` of some rows at a time, at least one; a large frame is never held twice."""
    for first in range(0, max(len(good), 1), rows):
        yield staging_table(good.iloc[first : first + rows], first=first)


def staging_table(good: pd.DataFrame, *, first: int = 0) -> pa.Table:
    """The frame as an Arrow table with the stored columns, their types, `marks` and `position` from `first`.

    Raises
    ------
    ValueError
        If a serial, a column that the store doesn't know, or no sheet number at all is given.
    """
    unknown = set(good.columns) - set(STORED_COLUMNS) - {"line", "marks"}
    if unknown:
        raise ValueError(f"got columns {sorted(map(str, unknown))}; expected only those of STORED_COLUMNS")
    import pyarrow as pa

    typed = {"number": pa.float64(), "date": pa.date32()}
    columns: dict[str, pa.Array] = {"position": pa.array(range(first, first + len(good)), type=pa.int64())}
    for name in (*STORED_COLUMNS, "marks"):
        column = COLUMNS.get(name)
        kind = typed.get(column.kind, pa.string()) if column else pa.string()
        default = column.default if column else None
        if name in good:
            values = pa.Array.from_pandas(good[name], type=kind)
            if isinstance(values, pa.ChunkedArray):
                values = values.combine_chunks()
            columns[name] = values.fill_null(default) if default else values
        elif column is not None and column.required:
            raise ValueError(f"got no column {name}; expected it in every frame of sheets")
        else:
            columns[name] = (
                pa.array([default] * len(good), type=kind) if default else pa.nulls(len(good), kind)
            )
    return pa.table(columns)


def _same(left: str, right: str) -> str:
    terms = (f"{left}.{name} is not distinct from {right}.{name}" for name in STORED_COLUMNS)
    return " and ".join(terms)


# verdict: same = there already, new = goes in (a correction if known), store / frame = contradicts which.
# Rows that say the same number again are compared with the first of them that the store doesn't have alike.
_JUDGE: Final = f"""
create temp table judged as
with known as (
    select staged.position, {_same("staged", "latest_sheet")} as same
    from latest_sheet
    join staged on staged.bench = latest_sheet.bench and staged.sheet_no = latest_sheet.sheet_no
),
headed as (
    select staged.bench, staged.sheet_no, min(staged.position) as head
    from staged left join known on known.position = staged.position
    where known.same is distinct from true
    group by staged.bench, staged.sheet_no having count(*) > 1
),
again as (
    select later.position, headed.head, {_same("later", "first")} as alike
    from headed
    join staged later on later.bench = headed.bench and later.sheet_no = headed.sheet_no
    join staged first on first.position = headed.head
    where headed.head < later.position
)
select
    staged.position, known.position is not null as known, again.head,
    case
        when known.same then 'same'
        when not again.alike then 'frame'
        when known.position is not null and not $supersede then 'store'
        when again.alike then 'same'
        else 'new'
    end as verdict
from staged
left join known on known.position = staged.position
left join again on again.position = staged.position
"""

_INSERT: Final = f"""
with top as (
    select bench, sheet_no, max(version) as version
    from sheet semi join staged using (bench, sheet_no)
    group by bench, sheet_no
)
insert into sheet (intake_id, version, marks, {", ".join(STORED_COLUMNS)})
select
    $intake_id, coalesce(top.version, 0) + 1, staged.marks,
    {", ".join(f"staged.{name}" for name in STORED_COLUMNS)}
from staged
join judged on judged.position = staged.position and judged.verdict = 'new'
left join top on top.bench = staged.bench and top.sheet_no = staged.sheet_no
"""


def hold_to_key(con: Connection, key_check: str) -> None:
    """Refuse a token key other than the one noted before."""
    if con.execute("select key_check from store_state").fetchall()[0][0] not in {None, key_check}:
        raise FleetError(OTHER_KEY)


def note_key(con: Connection, key_check: str) -> None:
    """Note the check value of the token key that the store's tokens are made with."""
    con.execute("update store_state set key_check = ?", [key_check]).fetchall()


def bump_revision(con: Connection) -> None:
    """Count one more change of the store."""
    con.execute("update store_state set revision = revision + 1").fetchall()


def tables_of(con: Connection) -> dict[str, set[str]]:
    """Columns of every kept table, whatever a later schema has added."""
    found: dict[str, set[str]] = {}
    for table, column in con.execute(
        "select c.table_name, c.column_name from duckdb_columns() c semi join duckdb_tables() t "
        "on t.table_name = c.table_name and not t.temporary"
    ).fetchall():
        found.setdefault(table, set()).add(column)
    return found


def rename_tokens(con: Connection, new: Mapping[str, str]) -> int:
    """Let units go by other tokens wherever they are named, inside the caller's transaction.

    Returns
    -------
    How many versions of sheets bear another token now.
    """
    import pandas as pd

    changed = 0
    con.register("tokens_in", pd.DataFrame({"old": list(new), "new": list(new.values())}, dtype="str"))
    for table, columns in tables_of(con).items():
        if "serial_token" in columns:
            rows = con.execute(
                f'update "{table}" set serial_token = tokens_in.new '
                f'from tokens_in where "{table}".serial_token = tokens_in.old'
            ).fetchall()
            changed += rows[0][0] if table == "sheet" else 0
        if "unit" in columns:
            con.execute(
                f"update \"{table}\" set unit = tokens_in.new || regexp_extract(unit, '-[0-9]+$') "
                "from tokens_in where regexp_replace(unit, '-[0-9]+$', '') = tokens_in.old"
            ).fetchall()
    con.unregister("tokens_in")
    return changed


def append_sheets(
    con: Connection,
    tables: Iterable[pa.Table],
    *,
    file_name: str,
    rows_read: int,
    put_aside: int,
    supersede: bool,
) -> Appended:
    """Judge and insert the staged rows inside the caller's transaction.

    Parameters
    ----------
    con : a writer in a transaction.
    tables : what `staging_tables` makes.
    file_name : what the intake's record calls the file.
    rows_read : rows in the file, the unreadable ones included.
    put_aside : rows that the checks put aside before.
    supersede : whether other contents under a known number are a correction.

    Raises
    ------
    AssertionError
        If accepted, put aside and already there don't add up to the rows read (nothing is kept then).
    """
    for number, table in enumerate(tables):
        con.register("sheets_in", table)
        into = "insert into staged" if number else "create temp table staged as"
        con.execute(f"{into} from sheets_in").fetchall()
        con.unregister("sheets_in")
    con.execute(_JUDGE, {"supersede": supersede}).fetchall()
    count_rows = "select verdict, count(*), count(*) filter (where known) from judged group by verdict"
    count = {verdict: (n, known) for verdict, n, known in con.execute(count_rows).fetchall()}
    accepted, superseded = count.get("new", (0, 0))
    already_there = count.get("same", (0, 0))[0]
    conflict_rows = (
        "select position, verdict, head from judged where verdict in ('store', 'frame') order by position"
    )
    conflicts = tuple(
        Conflict(position, head if verdict == "frame" else None)
        for position, verdict, head in con.execute(conflict_rows).fetchall()
    )
    put_aside += len(conflicts)
    if accepted + put_aside + already_there != rows_read:
        raise AssertionError(f"{accepted} + {put_aside} + {already_there} rows don't add up to {rows_read}")
    intake_id = None
    if accepted:
        intake_id = con.execute("select coalesce(max(intake_id), 0) + 1 from intake").fetchall()[0][0]
        con.execute(_INSERT, {"intake_id": intake_id}).fetchall()
        con.execute(
            "insert into intake values (?, ?, ?, ?, ?, ?, ?, ?, null)",
            [intake_id, file_name, utc_now(), rows_read, accepted, put_aside, already_there, superseded],
        ).fetchall()
        bump_revision(con)
    con.execute("drop table judged").fetchall()
    con.execute("drop table staged").fetchall()
    return Appended(intake_id, accepted, already_there, superseded, conflicts)

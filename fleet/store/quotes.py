"""Quotes kept until the unit is on the bench, forecasts of a back-test, and corrections learnt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fleet.numerals import unknown
from fleet.rows import Columns, height
from fleet.store.connection import Connection, utc_now
from fleet.store.store import CURRENT_COLUMNS, Store, as_frame

if TYPE_CHECKING:
    import pandas as pd

FORETOLD: Final = (
    "sag_deg",
    "sra_dynamic_deg",
    "vta_dynamic_deg",
    "built_in_deg",
    "tilt_deg",
    "bench_minutes",
)
"""Quantities whose quantiles are kept."""
FIGURES: Final = (
    "p_rake_met", "p_tracking_met", "p_both_met", "p_made_wedge", "p_faulty",
    "price_low", "price_quoted", "price_high",
)  # fmt: skip
_TEXTS: Final = ("enquiry_id", "serial_token", "bench", "sheet_no", "facts", "policy", "policy_label")
KEEP_WAIT_S: Final = 2.0
"""A quote waits this long for a busy store, then is told without being kept."""

_TYPES: Final = {
    **dict.fromkeys((*_TEXTS, "standing", "stretch", "rivals"), "varchar"),
    **dict.fromkeys(("model_id", "taught_intake"), "integer"),
    "model_revision": "bigint",
    "origin": "date",
    **dict.fromkeys(FIGURES, "double"),
    **dict.fromkeys(FORETOLD, "float[]"),
}
KEPT_COLUMNS: Final = tuple(_TYPES)
"""Columns of a quote to be kept; number, time and newest intake are the store's own."""


@dataclass(frozen=True)
class Kept:
    """What became of quotes to be kept: new ones, and those that were there already."""

    new: int
    again: int


@dataclass(frozen=True)
class Matched:
    """Forecasts and the sheets that answered them, row by row.

    Attributes
    ----------
    forecasts : columns of `KEPT_COLUMNS`, `quote_id`, `issued_at`; quantiles as arrays, one a cell
    sheets : the sheet of each, columns of `Store.current()`
    issued, waiting : quotes kept in all; those with a number or serial that no sheet has answered yet
    """

    forecasts: pd.DataFrame
    sheets: pd.DataFrame
    issued: int
    waiting: int


def keep_quotes(store: Store, quotes: Columns, *, wait_s: float = KEEP_WAIT_S) -> Kept:
    """Keep quotes as they were told; one that is there already is not kept twice.

    Parameters
    ----------
    store : the store.
    quotes : columns of `KEPT_COLUMNS`, quantiles as lists (a missing column is empty throughout).
    wait_s : how long to wait for other programs [s].

    Raises
    ------
    FleetError
        If the store is busy for longer, or can't be written.
    """
    with store.writer(wait_s=wait_s) as con:
        _take_in(con, quotes)
        con.execute(f"create temp table told as {_NEW}").fetchall()
        new = int(con.execute("select count(*) from told").fetchall()[0][0])
        _insert(con)
    return Kept(new, height(quotes) - new)


def keep_backtest(store: Store, forecasts: pd.DataFrame) -> None:
    """Keep the forecasts of a back-test in place of the last one's; columns as for `keep_quotes`."""
    with store.writer() as con:
        con.execute("delete from kept_quote where origin is not null").fetchall()
        _take_in(con, forecasts)
        con.execute(
            "create temp table told as select *, row_number() over () as place from quotes_in"
        ).fetchall()
        _insert(con)


def _take_in(con: Connection, quotes: Columns) -> None:
    """Put quotes into the temporary table `quotes_in`."""
    told = {n: [None if unknown(x) else x for x in quotes[n]] for n in _TYPES if n in quotes}
    columns = (
        f"unnest(cast(${n} as {kind}[])) as {n}" if n in told else f"null::{kind} as {n}"
        for n, kind in _TYPES.items()
    )
    con.execute(f"create temp table quotes_in as select {', '.join(columns)}", told).fetchall()


_SAME: Final = " and ".join(
    f"k.{name} is not distinct from n.{name}"
    for name in ("enquiry_id", "serial_token", "facts", "model_id", "model_revision", "policy", "stretch")
)
_NEW: Final = f"""
select n.*, row_number() over () as place from quotes_in n
where not exists (select 1 from kept_quote k where k.origin is null and {_SAME})
"""


def _insert(con: Connection) -> None:
    con.execute(
        f"insert into kept_quote (quote_id, issued_at, after_intake, {', '.join(KEPT_COLUMNS)}) "
        f"select (select coalesce(max(quote_id), 0) from kept_quote) + place, $now, "
        f"(select coalesce(max(intake_id), 0) from intake), {', '.join(KEPT_COLUMNS)} from told",
        {"now": utc_now()},
    ).fetchall()
    con.execute("drop table told").fetchall()


# A quote's sheet is the first one that came in after it and has its enquiry number or its serial (and not
# another of either); a sheet that several quotes foretell answers the last of them.
_PAIRS: Final = """
with came as (
    select bench, sheet_no, min(intake_id) as came_by from sheet group by bench, sheet_no
),
sheets as (
    select c.bench, c.sheet_no, c.enquiry_id, c.serial_token, c.measured_on, came.came_by
    from current_sheet c
    join came on came.bench = c.bench and came.sheet_no = c.sheet_no
    where c.purpose = 'unit'
),
fits as (
    select q.quote_id, q.after_intake, s.*
    from kept_quote q join sheets s on s.enquiry_id = q.enquiry_id
    where q.origin is null
        and (q.serial_token is null or s.serial_token is null or q.serial_token = s.serial_token)
    union
    select q.quote_id, q.after_intake, s.*
    from kept_quote q join sheets s on s.serial_token = q.serial_token
    where q.origin is null
        and (q.enquiry_id is null or s.enquiry_id is null or q.enquiry_id = s.enquiry_id)
),
firsts as (
    select * from fits where came_by > after_intake
    qualify row_number() over (partition by quote_id order by measured_on, bench, sheet_no) = 1
)
select quote_id, bench, sheet_no from firsts
qualify row_number() over (partition by bench, sheet_no order by quote_id desc) = 1
"""
_FORETOLD_PAIRS: Final = "select quote_id, bench, sheet_no from kept_quote where origin is not null"


def matched_quotes(store: Store, *, backtest: bool = False) -> Matched:
    """Forecasts that a sheet has answered, with that sheet, by date of the measurement.

    Parameters
    ----------
    store : the store.
    backtest : the last back-test's forecasts instead of the quotes told.
    """
    sheet_columns = ", ".join(f"c.{name}" for name in CURRENT_COLUMNS)
    pairs = _FORETOLD_PAIRS if backtest else _PAIRS
    join = "join current_sheet c on c.bench = p.bench and c.sheet_no = p.sheet_no"
    order = "order by c.measured_on, c.bench, c.sheet_no"
    with store.reader() as con:
        wanted = ", ".join(f"q.{name}" for name in ("quote_id", "issued_at", *KEPT_COLUMNS))
        forecasts = con.sql(
            f"select {wanted} from ({pairs}) p join kept_quote q on q.quote_id = p.quote_id {join} {order}"
        ).df()
        sheets = as_frame(con, f"select {sheet_columns} from ({pairs}) p {join} {order}")
        own = "origin is not null" if backtest else "origin is null"
        issued = int(con.execute(f"select count(*) from kept_quote where {own}").fetchall()[0][0])
        waiting = int(con.execute(_WAITING).fetchall()[0][0])
    return Matched(forecasts, sheets, issued, 0 if backtest else waiting)


_WAITING: Final = f"""
select count(*) from (
    select distinct enquiry_id, serial_token from kept_quote q
    where origin is null and (enquiry_id is not null or serial_token is not null)
        and not exists (
            select 1 from ({_PAIRS}) p join kept_quote o on o.quote_id = p.quote_id
            where o.enquiry_id is not distinct from q.enquiry_id
                and o.serial_token is not distinct from q.serial_token)
)
"""


_CAME: Final = (
    "current_sheet c join (select bench, sheet_no, min(intake_id) as came_by from sheet "
    "group by bench, sheet_no) came on came.bench = c.bench and came.sheet_no = c.sheet_no "
    "where c.purpose = 'unit'"
)


def sheets_by_intake(store: Store, columns: tuple[str, ...]) -> pd.DataFrame:
    """Every current sheet of a unit with `came_by`, the intake that first brought it, by that intake."""
    wanted = ", ".join(f"c.{name}" for name in columns)
    order = "came.came_by, c.measured_on, c.bench, c.sheet_no"
    with store.reader() as con:
        return as_frame(con, f"select {wanted}, came.came_by from {_CAME} order by {order}")


def units_since(store: Store, intake: float) -> int:
    """How many units no sheet of an intake up to this one is of."""
    query = f"select 1 from {_CAME} group by c.unit having min(came.came_by) > ?"
    with store.reader() as con:
        return int(con.execute(f"select count(*) from ({query})", [intake]).fetchall()[0][0])


def told_facts(store: Store) -> pd.DataFrame:
    """What each enquiry that was ever quoted told, as JSON: `facts`, one row an enquiry with a number."""
    with store.reader() as con:
        return as_frame(
            con,
            "select facts from kept_quote where origin is null and enquiry_id is not null "
            "qualify row_number() over (partition by enquiry_id order by quote_id desc) = 1 "
            "order by quote_id",
        )


def save_recalibration(store: Store, text: str | None) -> None:
    """Put a recalibration into use (its text), or switch it off (None)."""
    with store.writer() as con:
        con.execute(
            "insert into recalibration select coalesce(max(recalibration_id), 0) + 1, ?, ? "
            "from recalibration",
            [utc_now(), text],
        ).fetchall()


def recalibration_text(store: Store) -> str | None:
    """Text of the recalibration in use; None if there is none."""
    with store.reader() as con:
        found = con.execute(
            "select text from recalibration order by recalibration_id desc limit 1"
        ).fetchall()
    return None if not found or found[0][0] is None else str(found[0][0])

"""Which of many bench sheets teach, as portable SQL, for sheets that lie outside a store.

The twin of the store's views (`fleet/store/migrations/001_sheets.sql`): a unit is a serial's token and the
number of its assembly; each unit teaches once, by its newest sheet, and a check pickup never.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from fleet.columns import COLUMNS
from fleet.house_model.chain import FACTOR_COLUMNS, READINGS
from fleet.tallies.queries import number

USED: Final = tuple(
    dict.fromkeys(
        (
            "sheet_no", "measured_on", "serial_token", "bench", "purpose", "peculiarities",
            *FACTOR_COLUMNS.values(), *READINGS, "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm",
            "temperature_c", "hours_used", "tilt_room_deg", "tilt_applied_deg", "bench_minutes",
        )
    )
)  # fmt: skip
"""Columns that the tallies look at."""
NEEDED: Final = ("sheet_no", "measured_on", "body_family")
_ORDER: Final = "measured_on, sheet_no, bench"


def canonical_sql(source: str, columns: Iterable[str]) -> str:
    """The used columns of a relation under their canonical names and types, a missing one empty.

    Parameters
    ----------
    source : relation with some of the store's columns
    columns : those that it has
    """
    there, parts = set(columns), []
    for name in USED:
        column = COLUMNS.get(name)
        kind = {"number": "double", "date": "date"}.get(column.kind if column else "text", "varchar(255)")
        value = f"cast({name if name in there else 'null'} as {kind})"
        default = column.default if column else None
        parts.append(f"coalesce({value}, '{default}') as {name}" if default else f"{value} as {name}")
    return f"select {', '.join(parts)} from {source}"


def sound_condition() -> str:
    """What a row must fulfil to be counted: what every sheet needs is told, every figure in its range."""
    parts = [f"{name} is not null" for name in NEEDED]
    for name in USED:
        column = COLUMNS.get(name)
        if column is None:
            continue
        if column.choices:
            parts.append(f"({name} is null or {name} in ({', '.join(map(number, column.choices))}))")
        elif column.kind == "number" and column.low is not None and column.high is not None:
            low, high = number(column.low), number(column.high)
            parts.append(f"({name} is null or {name} between {low} and {high})")
        elif column.kind == "word":
            words = ", ".join(f"'{word}'" for word in column.words)
            parts.append(f"({name} is null or {name} in ({words}))")
    return " and ".join(parts)


def twice_sql(source: str) -> str:
    """How many sheet numbers stand more than once."""
    return (
        f"select count(*) as n from (select bench, sheet_no from {source} "
        f"group by bench, sheet_no having count(*) > 1) x"
    )


def current_sql(source: str, columns: Iterable[str] = USED) -> str:
    """Every sheet with its ``unit`` and whether it is its unit's ``newest``.

    Parameters
    ----------
    source : relation with one row a sheet: `USED`
    columns : what to carry along
    """
    wanted = ", ".join(f"c.{name}" for name in columns)
    changed = " or ".join(
        f"({name} is not null and coalesce({name} <> lag({name}) over "
        f"(partition by serial_token, tip, case when {name} is null then 0 else 1 end "
        f"order by {_ORDER}), false))"
        for name in ("assembly_source", "stylus_profile", "cantilever_material")
    )
    return f"""
with several as (
  select serial_token as token from {source} where serial_token is not null
  group by serial_token having count(*) > 1
), dated as (
  select bench, sheet_no, serial_token, purpose, measured_on,
    assembly_source, stylus_profile, cantilever_material,
    case when (';' || peculiarities || ';') like '%;retipped;%' then 1 else 0 end as retipped
  from {source} s join several on s.serial_token = several.token
), tipped as (
  select *, sum(retipped) over (partition by serial_token order by {_ORDER} rows unbounded preceding) as tip,
    row_number() over (partition by serial_token order by {_ORDER}) as place
  from dated
), compared as (
  select *, case when (retipped = 1 and place > 1) or {changed} then 1 else 0 end as starts from tipped
), numbered as (
  select *, 1 + sum(starts) over (
    partition by serial_token order by {_ORDER} rows unbounded preceding) as assembly
  from compared
), placed as (
  select bench as at_bench, sheet_no as numbered_no,
    serial_token || '-' || cast(cast(assembly as integer) as varchar(24)) as own_unit,
    row_number() over (partition by serial_token, assembly, purpose
      order by measured_on desc, sheet_no desc, bench desc) as from_newest
  from numbered
)
select {wanted},
  coalesce(own_unit, c.serial_token || '-1', 'sheet:' || c.bench || ':' || c.sheet_no) as unit,
  case when coalesce(from_newest, 1) = 1 then true else false end as newest
from {source} c left join placed on c.bench = placed.at_bench and c.sheet_no = placed.numbered_no"""


def teaching_sql(current: str) -> str:
    """The sheets that teach, of a relation that `current_sql` made."""
    return f"select * from {current} where purpose = 'unit' and newest"

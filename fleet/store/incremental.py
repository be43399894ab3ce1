"""What a store keeps of its last full refit, and which teaching sheets have changed since."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from fleet import __version__
from fleet.columns import HELD_BACK
from fleet.store.connection import Connection, utc_now
from fleet.tallies.sheet_queries import USED, current_sql, teaching_sql

THEN = "teaching_then"
NOW = "teaching_now"


@dataclass(frozen=True)
class KeptBase:
    """Sums of the last full refit, and what the store was like then.

    Attributes
    ----------
    revision, newest_intake : of the store
    undone : intakes that were undone
    since : only sheets from this day on taught
    version : of fleet, by which it was kept
    file : a tallies file
    """

    revision: int
    newest_intake: int
    undone: tuple[int, ...]
    since: date | None
    file: bytes
    version: str = __version__


def undone_intakes(con: Connection) -> tuple[int, ...]:
    """Intakes that are undone, in order."""
    rows = con.execute("select intake_id from intake where undone_at is not null order by 1").fetchall()
    return tuple(int(row[0]) for row in rows)


def keep_base(base: KeptBase, con: Connection) -> None:
    """Keep the sums of a full refit in place of the last one's."""
    con.execute("delete from model_base").fetchall()
    con.execute(
        "insert into model_base values (true, ?, ?, ?, ?, ?, ?, ?)",
        [
            base.revision,
            base.newest_intake,
            list(base.undone),
            base.since,
            utc_now(),
            base.version,
            base.file,
        ],
    ).fetchall()


def kept_base(con: Connection) -> KeptBase | None:
    """The sums of the last full refit, None if there are none."""
    rows = con.execute(
        "select revision, newest_intake, undone, since, file, version from model_base"
    ).fetchall()
    if not rows:
        return None
    revision, intake, undone, since, file, version = rows[0]
    return KeptBase(int(revision), int(intake), tuple(undone), since, bytes(file), str(version))


def changed_sheets(con: Connection, base: KeptBase) -> None:
    """Make `THEN` and `NOW`: the teaching sheets of every unit that changed since, as they were and are.

    A unit changed if a sheet that bears its token, or ever bore it, came in, was corrected or was taken back,
    or if a verdict lets a sheet of it teach.
    """
    run = con.execute
    then = ", ".join(map(str, base.undone)) or "null"
    live_then = f"(intake_id <= {base.newest_intake} and not coalesce(intake_id in ({then}), false))"
    run(
        "create or replace temp table live_intake as "
        f"select intake_id, {live_then} as live_then, undone_at is null as live_now from intake"
    ).fetchall()
    run(
        "create or replace temp table touched_sheet as select distinct bench, sheet_no from sheet "
        "where intake_id in (select intake_id from live_intake where live_then <> live_now) "
        "union select bench, sheet_no from current_sheet semi join marked_unit using (unit) where unit in "
        f"(select unit from verdict where revision > {base.revision})"
    ).fetchall()
    run(
        "create or replace temp table touched_token as select distinct serial_token from sheet "
        "semi join touched_sheet using (bench, sheet_no) where serial_token is not null"
    ).fetchall()
    run(
        "create or replace temp table near_sheet as select bench, sheet_no from touched_sheet union "
        "select bench, sheet_no from sheet where serial_token in (select serial_token from touched_token)"
    ).fetchall()
    run(
        f"create or replace temp table near_version as select version, intake_id, marks, {', '.join(USED)} "
        "from sheet semi join near_sheet using (bench, sheet_no)"
    ).fetchall()
    for name, live, until in ((THEN, "live_then", str(base.revision)), (NOW, "live_now", "revision")):
        _teaching(con, name, live, base.since)
        _hold_back(con, name, live, until)


def _hold_back(con: Connection, name: str, live: str, until: str) -> None:
    """Take out what is marked and not looked at, by the verdicts known then."""
    con.execute(
        f"create or replace temp table {name}_marked as select bench, sheet_no from ("
        "select v.bench, v.sheet_no, v.marks from near_version v "
        f"join live_intake i on i.intake_id = v.intake_id and i.{live} "
        "qualify row_number() over (partition by v.bench, v.sheet_no order by v.version desc) = 1) x "
        f"where list_has_any(string_split(marks, ';'), {list(HELD_BACK)})"
    ).fetchall()
    con.execute(
        f"delete from {name} t where exists (select 1 from {name}_marked m where m.bench = t.bench "
        "and m.sheet_no = t.sheet_no) and not exists (select 1 from verdict d where d.unit = t.unit "
        f"and d.recorded_on >= t.measured_on and revision <= {until} and not withdrawn)"
    ).fetchall()


def _teaching(con: Connection, name: str, live: str, since: date | None) -> None:
    con.execute(
        f"create or replace temp table {name}_latest as select {', '.join(f'v.{c}' for c in USED)} "
        f"from near_version v join live_intake i on i.intake_id = v.intake_id and i.{live} "
        "qualify row_number() over (partition by v.bench, v.sheet_no order by v.version desc) = 1"
    ).fetchall()
    con.execute(
        f"delete from {name}_latest where serial_token is not null "
        "and serial_token not in (select serial_token from touched_token)"
    ).fetchall()
    con.execute(
        f"delete from {name}_latest l where serial_token is null and not exists "
        "(select 1 from touched_sheet t where t.bench = l.bench and t.sheet_no = l.sheet_no)"
    ).fetchall()
    limit = "" if since is None else f" where measured_on >= date '{since.isoformat()}'"
    con.execute(f"create or replace temp view {name}_current as {current_sql(f'{name}_latest')}").fetchall()
    con.execute(
        f"create or replace temp table {name} as select * from ({teaching_sql(f'{name}_current')}) x{limit}"
    ).fetchall()

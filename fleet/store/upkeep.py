"""Changes to what is in a store already: undo an intake, forget a unit, change the token key.

Whatever is changed or erased leaves a count behind, so that every row can still be accounted for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from fleet.errors import FleetError
from fleet.store.append import OTHER_KEY, bump_revision
from fleet.store.backup import rewrite
from fleet.store.connection import Connection, utc_now
from fleet.store.store import Store


@dataclass(frozen=True)
class Undone:
    """An intake taken back.

    Attributes
    ----------
    intake_id : its number.
    rows : versions of sheets that it had brought.
    sheets_gone : sheets that are no longer there, as no other intake brought them.
    """

    intake_id: int
    rows: int
    sheets_gone: int

    @property
    def sentence(self) -> str:
        """What happened, in one sentence."""
        back = self.rows - self.sheets_gone
        return (
            f"Intake {self.intake_id} is undone: {self.sheets_gone} sheets are gone, "
            f"{back} are back to the version before; the history keeps all of them."
        )


def undo_intake(store: Store, intake_id: int) -> Undone:
    """Take a whole intake back; its rows stay in the history and count no more.

    Parameters
    ----------
    store : the store.
    intake_id : number of the intake, from `Store.intakes()`.

    Raises
    ------
    FleetError
        If there is no such intake, or it was undone before.
    """
    with store.writer() as con:
        found = con.execute("select undone_at from intake where intake_id = ?", [intake_id]).fetchall()
        if not found:
            raise FleetError(f"there is no intake {intake_id}; fleet history lists them.")
        if found[0][0] is not None:
            raise FleetError(f"intake {intake_id} was undone before, on {found[0][0]:%Y-%m-%d}.")
        count_current = "select count(*) from latest_sheet"
        before = con.execute(count_current).fetchall()[0][0]
        rows = con.execute("select count(*) from sheet where intake_id = ?", [intake_id]).fetchall()[0][0]
        con.execute("update intake set undone_at = ? where intake_id = ?", [utc_now(), intake_id]).fetchall()
        after = con.execute(count_current).fetchall()[0][0]
        bump_revision(con)
    return Undone(intake_id, rows, before - after)


@dataclass(frozen=True)
class Forgotten:
    """A unit or sheet erased for good.

    Attributes
    ----------
    sheets, versions : how many sheets, and versions of them, were erased.
    quotes : how many quotes kept for the unit, or answered by its sheets, went with them.
    """

    sheets: int
    versions: int
    quotes: int = 0

    @property
    def sentence(self) -> str:
        """What happened, in one sentence."""
        if not self.versions and self.quotes:
            return (
                f"{self.quotes} kept quotes are erased and the file is rewritten; there was no sheet of it."
            )
        if not self.versions:
            return "Nothing of it was in the store; the file is rewritten all the same."
        quotes = f" and {self.quotes} kept quotes" if self.quotes else ""
        return (
            f"{self.sheets} sheets in {self.versions} versions{quotes} are erased and the file is rewritten; "
            "the house model went with them (make it again with: fleet refit); "
            "backups made before still hold them."
        )


def forget_unit(store: Store, token: str) -> Forgotten:
    """Erase every version of every sheet that ever bore a serial's token, and rewrite the file.

    Parameters
    ----------
    store : the store.
    token : token of the serial (`TokenKey.token`).
    """
    return _forget(store, "serial_token = ?", [token], token=token)


def forget_sheet(store: Store, sheet_no: str, *, bench: str = "main") -> Forgotten:
    """Erase every version of one sheet, for sheets without a serial, and rewrite the file."""
    return _forget(store, "sheet_no = ? and bench = ?", [sheet_no, bench])


def _forget(store: Store, condition: str, values: list[object], *, token: str | None = None) -> Forgotten:
    with store.writer() as con:
        con.execute(
            f"create temp table doomed as select distinct bench, sheet_no from sheet where {condition}",
            values,
        ).fetchall()
        con.execute(
            "insert into forgotten select ?, intake_id, count(*) "
            "from sheet semi join doomed using (bench, sheet_no) group by intake_id",
            [utc_now().date()],
        ).fetchall()
        sheets = con.execute("select count(*) from doomed").fetchall()[0][0]
        versions = con.execute(
            "select count(*) from sheet semi join doomed using (bench, sheet_no)"
        ).fetchall()[0][0]
        quotes = con.execute("select count(*) from kept_quote").fetchall()[0][0]
        con.execute(
            "create temp table asked as select distinct enquiry_id from sheet "
            "semi join doomed using (bench, sheet_no) where enquiry_id is not null"
        ).fetchall()
        con.execute(
            "delete from sheet using doomed where sheet.bench = doomed.bench "
            "and sheet.sheet_no = doomed.sheet_no"
        ).fetchall()
        if versions:
            _erase_models(con)
        _erase_elsewhere(con, token)
        quotes -= con.execute("select count(*) from kept_quote").fetchall()[0][0]
        con.execute("drop table asked").fetchall()
        con.execute(_ERASE_LONE_VERDICTS).fetchall()
        con.execute("drop table doomed").fetchall()
        if versions:
            bump_revision(con)
    rewrite(store)
    return Forgotten(sheets, versions, quotes)


_ERASE_LONE_VERDICTS = """
delete from verdict where case
    when starts_with(unit, 'sheet:') then unit not in (select 'sheet:' || bench || ':' || sheet_no from sheet)
    else regexp_replace(unit, '-[0-9]+$', '') not in
        (select serial_token from sheet where serial_token is not null)
end
"""


def _erase_models(con: Connection) -> None:
    """House models sum the sheets up; in a small cell such a sum can be one unit."""
    tables = con.execute("select table_name from duckdb_tables() where table_name like 'model%'").fetchall()
    for (table,) in tables:
        con.execute(f'delete from "{table}"').fetchall()


def _erase_elsewhere(con: Connection, token: str | None) -> None:
    """Rows of any other table that name the unit: by its token, its sheets, or what was asked about it."""
    for table, columns in _other_tables(con).items():
        if token is not None:
            for column in columns & {"serial_token", "unit"}:
                con.execute(f'delete from "{table}" where starts_with("{column}", ?)', [token]).fetchall()
        if "unit" in columns:  # a sheet without a serial is a unit of its own, named by its place
            places = "select 'sheet:' || bench || ':' || sheet_no from doomed"
            con.execute(f'delete from "{table}" where unit in ({places})').fetchall()
        if {"bench", "sheet_no"} <= columns:
            con.execute(
                f'delete from "{table}" using doomed d where "{table}".bench = d.bench '
                f'and "{table}".sheet_no = d.sheet_no'
            ).fetchall()
        if "enquiry_id" in columns:
            con.execute(
                f'delete from "{table}" where enquiry_id in (select enquiry_id from asked)'
            ).fetchall()


def _other_tables(con: Connection) -> dict[str, set[str]]:
    """Columns of every kept table but `sheet`, whatever a later schema has added."""
    found: dict[str, set[str]] = {}
    for table, column in con.execute(
        "select c.table_name, c.column_name from duckdb_columns() c semi join duckdb_tables() t "
        "on t.table_name = c.table_name and not t.temporary where c.table_name <> 'sheet'"
    ).fetchall():
        found.setdefault(table, set()).add(column)
    return found


def change_key(store: Store, retoken: Callable[[str], str], *, old_check: str, new_check: str) -> int:
    """Give every unit a token under a new key, in one transaction.

    Parameters
    ----------
    store : the store.
    retoken : makes the new token out of the old one.
    old_check, new_check : check values of the keys before and after.

    Returns
    -------
    How many tokens were changed; 0 if the store has the new key already.

    Raises
    ------
    FleetError
        If the store was made with neither key.
    """
    with store.writer() as con:
        noted = con.execute("select key_check from store_state").fetchall()[0][0]
        if noted == new_check:
            return 0
        if noted not in {old_check, None}:
            raise FleetError(OTHER_KEY)
        others = _other_tables(con)
        holders = ["sheet", *(name for name, columns in others.items() if "serial_token" in columns)]
        every = " union ".join(f'select serial_token from "{name}"' for name in holders)
        tokens = [
            row[0]
            for row in con.execute(
                f"select serial_token from ({every}) where serial_token is not null"
            ).fetchall()
        ]
        con.register(
            "tokens_in", pd.DataFrame({"old": tokens, "new": [retoken(t) for t in tokens]}, dtype="str")
        )
        for table, columns in {"sheet": {"serial_token"}, **others}.items():
            if "serial_token" in columns:
                con.execute(
                    f'update "{table}" set serial_token = tokens_in.new '
                    f'from tokens_in where "{table}".serial_token = tokens_in.old'
                ).fetchall()
            if "unit" in columns:
                con.execute(
                    f"update \"{table}\" set unit = tokens_in.new || regexp_extract(unit, '-[0-9]+$') "
                    "from tokens_in where regexp_replace(unit, '-[0-9]+$', '') = tokens_in.old"
                ).fetchall()
        con.unregister("tokens_in")
        con.execute("update store_state set key_check = ?", [new_check]).fetchall()
        bump_revision(con)
    rewrite(store)
    return len(tokens)

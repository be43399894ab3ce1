"""Changes to what is in a store already: undo an intake, forget a unit, change the token key.

Whatever is changed or erased leaves a count behind, so that every row can still be accounted for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from fleet.errors import FleetError
from fleet.numerals import count
from fleet.store.append import OTHER_KEY, bump_revision, rename_tokens, tables_of
from fleet.store.backup import catch_up, known_copies, remake
from fleet.store.connection import READER_WAIT_S, Connection, connection, utc_now
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
    published : how many published groups it stood in, whose sums stay.
    """

    sheets: int
    versions: int
    quotes: int = 0
    published: int = 0

    @property
    def sentence(self) -> str:
        """What happened, in one sentence."""
        if not self.versions and self.quotes:
            quotes = count(self.quotes, "kept quote")
            return f"Erased: {quotes}; the file is rewritten; there was no sheet of it."
        if not self.versions:
            return "Nothing of it was in the store; the file is rewritten all the same."
        quotes = f" and {count(self.quotes, 'kept quote')}" if self.quotes else ""
        return (
            f"Erased: {count(self.sheets, 'sheet')} in {count(self.versions, 'version')}{quotes}; "
            "the file is rewritten; "
            "the house model went with them (make it again with: fleet refit)"
            + (
                f"; blurred, it stays in the sums of {self.published} published groups"
                if self.published
                else ""
            )
            + "; copies made before still hold them."
        )


def forget_unit(store: Store, *tokens: str) -> Forgotten:
    """Erase every version of every sheet that ever bore a serial's token, and rewrite the file.

    Parameters
    ----------
    store : the store.
    tokens : token of the serial (`TokenKey.token`), and a former one if it had another.
    """
    return _forget(store, f"serial_token in ({', '.join('?' * len(tokens))})", list(tokens), tokens=tokens)


def forget_sheet(store: Store, sheet_no: str, *, bench: str = "main") -> Forgotten:
    """Erase every version of one sheet, for sheets without a serial, and rewrite the file."""
    return _forget(store, "sheet_no = ? and bench = ?", [sheet_no, bench])


def _forget(store: Store, condition: str, values: list[str], *, tokens: Sequence[str] = ()) -> Forgotten:
    catch_up(store)
    with remake(store) as con:
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
        published = con.execute("select count(*) from share_member").fetchall()[0][0]
        _erase_elsewhere(con, tokens)
        published -= con.execute("select count(*) from share_member").fetchall()[0][0]
        quotes -= con.execute("select count(*) from kept_quote").fetchall()[0][0]
        con.execute("drop table asked").fetchall()
        con.execute(_ERASE_LONE_VERDICTS).fetchall()
        con.execute("drop table doomed").fetchall()
        if versions:
            bump_revision(con)
    return Forgotten(sheets, versions, quotes, published)


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


def _erase_elsewhere(con: Connection, tokens: Sequence[str]) -> None:
    """Rows of any other table that name the unit: by its token, its sheets, or what was asked about it."""
    for table, columns in tables_of(con).items():
        if table == "sheet":
            continue
        for token in tokens:
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


@dataclass(frozen=True)
class OtherCopies:
    """Copies of a store, as far as it knows of them, and what is in them of a unit or sheet.

    Attributes
    ----------
    holding : copies that hold it
    unread : copies that can't be read
    """

    holding: tuple[Path, ...]
    unread: tuple[Path, ...]


def copies_that_hold(
    store: Store, *tokens: str, sheet_no: str | None = None, bench: str = "main"
) -> OtherCopies:
    """Backups and kept stores that still hold a unit or sheet: those made from here and those beside it.

    Parameters
    ----------
    store : the store.
    tokens : every token that the unit may go by in an older copy (`TokenKey.every_token`).
    sheet_no, bench : a sheet instead.
    """
    holding, unread = [], []
    for copy in known_copies(store):
        try:
            with connection(copy, read_only=True, wait_s=READER_WAIT_S) as con:
                found = con.execute(
                    "select count(*) from sheet where list_contains($tokens, serial_token) "
                    "or (sheet_no = $sheet_no and bench = $bench)",
                    {"tokens": list(tokens), "sheet_no": sheet_no, "bench": bench},
                ).fetchall()[0][0]
        except (FleetError, duckdb.Error):
            unread.append(copy)
            continue
        if found:
            holding.append(copy)
    return OtherCopies(tuple(holding), tuple(unread))


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
    if store.key_check() == new_check:
        return 0
    catch_up(store)
    with remake(store) as con:
        noted = con.execute("select key_check from store_state").fetchall()[0][0]
        if noted not in {old_check, None}:
            raise FleetError(OTHER_KEY)
        holders = [name for name, columns in tables_of(con).items() if "serial_token" in columns]
        every = " union ".join(f'select serial_token from "{name}"' for name in holders)
        tokens = [
            row[0]
            for row in con.execute(
                f"select serial_token from ({every}) where serial_token is not null"
            ).fetchall()
        ]
        rename_tokens(con, {token: retoken(token) for token in tokens})
        con.execute("update store_state set key_check = ?", [new_check]).fetchall()
        bump_revision(con)
    return len(tokens)

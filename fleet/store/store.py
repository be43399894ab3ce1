"""The store: one file that keeps every version of every bench sheet."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fleet.columns import STORED_COLUMNS
from fleet.errors import FleetError, StoreBusyError
from fleet.files.places import default_path
from fleet.files.replacing import exclusive, put_where_nothing_is
from fleet.files.working import passing_place, real_place, sweep, working_folder
from fleet.store import append as appending
from fleet.store.append import Appended
from fleet.store.connection import (
    QUIET,
    READER_WAIT_S,
    WRITER_WAIT_S,
    Connection,
    absent,
    connection,
    hold_whole,
    owner_only_files,
)
from fleet.store.migrate import migrate, newest_schema, schema_of

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

CURRENT_COLUMNS = (*STORED_COLUMNS, "unit", "newest", "version", "intake_id", "marks")
"""Columns of `Store.current()`, in order."""
BATCH: Final = 131_072
"""Rows fetched at a time where there may be many."""
_KEPT = "-before-restore-"
_VIEWS = ("latest_sheet", "sheet_of_several", "sheet_unit", "current_sheet")
_HELD: ContextVar[tuple[Path | None, Connection | None]] = ContextVar("_HELD", default=(None, None))
"""The store that is held open, and its connection."""


def make_empty(file: Path, told: Path) -> None:
    """Make an empty store of the newest schema; ``told`` is the name that an error gives it."""
    with connection(file, read_only=False, wait_s=0) as con:
        migrate(con, told)


class Store:
    """One store file. Holds no connection: each call opens, works and closes.

    Parameters
    ----------
    path : the file, `default_path()` if None.
    """

    def __init__(self, path: Path | str | None = None) -> None:
        self.path = Path(path).expanduser() if path is not None else default_path()

    @property
    def file(self) -> Path:
        """Where the store really is, if its name is a symbolic link."""
        return real_place(self.path)

    def __repr__(self) -> str:
        return f"Store({str(self.path)!r})"

    def create(self) -> Store:
        """Make the store if it isn't there, bring it up to date if it is; returns itself.

        Raises
        ------
        FleetError
            If the folder can't be written, or the file is no store, damaged, locked or from a newer fleet.
        """
        if self.path.exists():
            return self.open()
        folder = self.file.parent
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with exclusive(self.path, wait_s=WRITER_WAIT_S):
                if earlier := kept_stores(self.path):
                    raise absent(self.path, earlier)
                # made aside and linked into place, so that a half-made store is never found under its name
                with working_folder(self.file) as aside:
                    new = aside / "new.duckdb"
                    with owner_only_files():
                        make_empty(new, self.path)
                    hold_whole(new, self.path)
                    with contextlib.suppress(FileExistsError):
                        put_where_nothing_is(new, self.file)
        except OSError as error:
            why = (error.strerror or type(error).__name__).lower()
            raise FleetError(
                f"cannot make a store in {folder}: {why}; name another place with --store."
            ) from error
        return self.open()

    def open(self) -> Store:
        """Check that the store is there, sound and up to date (an older one is migrated); returns itself.

        What killed programs left beside it is swept.
        """
        sweep(self.file.parent)
        with contextlib.suppress(OSError):  # nowhere to pass anything
            sweep(passing_place().parent)
        with self.reader():
            return self

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the store open for reading, if it is there: each `reader` inside is of this one opening."""
        if _HELD.get()[0] == self.file or not self.path.exists():
            yield
            return
        with self.reader() as con:
            before = _HELD.set((self.file, con))
            try:
                self.open()
                yield
            finally:
                _HELD.reset(before)

    @contextmanager
    def reader(self) -> Iterator[Connection]:
        """A connection that can only read this one file; waits a little for a writer to finish."""
        file, held = _HELD.get()
        if held is not None and file == self.file:
            with contextlib.closing(held.cursor()) as con:  # its own temporary tables and views
                con.execute(QUIET).fetchall()
                yield con
            return
        self._be_there()
        with connection(self.file, read_only=True, wait_s=READER_WAIT_S, told=self.path) as con:
            if schema_of(con, self.path) == newest_schema():
                yield con
                return
        with self.writer():
            pass  # brings an older store up to date
        with connection(self.file, read_only=True, wait_s=READER_WAIT_S, told=self.path) as con:
            yield con

    @contextmanager
    def writer(self, *, wait_s: float = WRITER_WAIT_S) -> Iterator[Connection]:
        """A connection in one transaction: kept if the block ends well, undone if it raises.

        Parameters
        ----------
        wait_s : how long to wait while other programs use the store [s].
        """
        self._be_there()
        with exclusive(self.path, wait_s=wait_s) as file, owner_only_files():
            self._be_there()
            before, done = file.stat(), False
            first: int | None = None
            revision: int | None = None
            try:
                with connection(file, read_only=False, wait_s=wait_s, told=self.path) as con:
                    if not os.path.samestat(before, file.stat()):  # by something that knows no lock
                        raise StoreBusyError(f"the store {self.path} was replaced just now; try again.")
                    migrate(con, self.path)
                    first = _revision_of(con)
                    con.begin()
                    try:
                        yield con
                        revision = _revision_of(con)
                        con.commit()
                        done = True
                    except BaseException:
                        with contextlib.suppress(Exception):  # the first error is the one to tell
                            con.rollback()
                        raise
            except FleetError:
                # what is committed and can't be folded into the file stays in its log for the next to fold in
                if not done and (revision in {None, first} or self.revision() != revision):
                    raise

    def _be_there(self) -> None:
        if not self.path.exists():
            raise absent(self.path, kept_stores(self.path))
        if self.path.is_dir():
            raise FleetError(f"{self.path} is a folder, not a store; name the store's file with --store.")

    def revision(self) -> int:
        """Number of changes made to the store so far; it grows with each."""
        with self.reader() as con:
            return _revision_of(con)

    def changes_since(self, revision: int) -> int:
        """Number of changes after a revision that make a model fitted at it old.

        A verdict doesn't, unless it lets a sheet teach that was held back.
        """
        with self.reader() as con:
            since = _revision_of(con) - revision
            verdicts = "select count(*) from verdict where revision > ?"
            if since and con.execute(verdicts, [revision]).fetchall()[0][0]:
                verdicts += " and unit not in (select unit from marked_unit)"
                since -= int(con.execute(verdicts, [revision]).fetchall()[0][0])
            return since

    def key_check(self) -> str | None:
        """Check value of the token key that the store was made with, None before the first token."""
        with self.reader() as con:
            value = con.execute("select key_check from store_state").fetchall()[0][0]
            return None if value is None else str(value)

    def append(
        self,
        good: pd.DataFrame,
        *,
        file_name: str,
        rows_read: int | None = None,
        put_aside: int = 0,
        key_check: str | None = None,
        supersede: bool = False,
        renamed: Mapping[str, str] | None = None,
    ) -> Appended:
        """Take checked sheets in, all in one transaction; sheets that are there already stay as they are.

        Parameters
        ----------
        good : typed rows with columns of `STORED_COLUMNS` (a missing one is empty throughout), and perhaps
            `marks`: what looked odd in a row, as codes with `;` between.
        file_name : what the intake's record calls the file.
        rows_read, put_aside : counts of the file, if the checks put rows aside before.
        key_check : check value of the key that made the tokens; another than the store's is refused.
        supersede : whether other contents under a known number are a correction, not a contradiction.
        renamed : tokens of units that go by another from now on, each with the new one.

        Raises
        ------
        FleetError
            If the store can't be written, or its tokens were made with another key.
        """
        tables = appending.staging_tables(good)
        with self.writer() as con:
            if key_check is not None:
                appending.hold_to_key(con, key_check)
            if renamed and appending.rename_tokens(con, renamed):
                appending.bump_revision(con)
            done = appending.append_sheets(
                con,
                tables,
                file_name=file_name,
                rows_read=len(good) + put_aside if rows_read is None else rows_read,
                put_aside=put_aside,
                supersede=supersede,
            )
            if key_check is not None and done.accepted:
                appending.note_key(con, key_check)
            return done

    def current(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Newest version of each sheet with its `unit` and whether it is the unit's `newest`, by date.

        Parameters
        ----------
        columns : some of `CURRENT_COLUMNS`, all if None.
        """
        return self._frame("current_sheet", columns)

    def teaching(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """The sheets that teach, by date: each unit's newest, without check pickups and what is held back."""
        return self._frame("teaching_sheet", columns)

    def _frame(self, view: str, columns: Sequence[str] | None) -> pd.DataFrame:
        wanted = CURRENT_COLUMNS if columns is None else tuple(columns)
        if unknown := set(wanted) - set(CURRENT_COLUMNS):
            raise ValueError(f"got columns {sorted(unknown)}; expected some of CURRENT_COLUMNS")
        query = f"select {', '.join(wanted)} from {view} order by measured_on, bench, sheet_no"
        with self.reader() as con:
            return frame_of_sheets(con.sql(query).to_arrow_reader(BATCH))

    def history(self, sheet_no: str, *, bench: str | None = None) -> pd.DataFrame:
        """Every version of one sheet, oldest first, with when it came in and whether that was undone."""
        query = f"""
            select s.version, i.intake_id, i.file_name, i.taken_in_at, i.undone_at,
                   {", ".join(f"s.{name}" for name in STORED_COLUMNS)}
            from sheet s join intake i on i.intake_id = s.intake_id
            where s.sheet_no = $sheet_no and ($bench is null or s.bench = $bench)
            order by s.bench, s.version
        """
        with self.reader() as con:
            return as_frame(con, query, {"sheet_no": sheet_no, "bench": bench})

    def intakes(self) -> pd.DataFrame:
        """The record of every intake, oldest first."""
        with self.reader() as con:
            return as_frame(con, "select * from intake order by intake_id")


def keep_to(con: Connection, named: str, params: Mapping[str, object] | None = None) -> None:
    """From now on let the views tell of a few current sheets alone, as they tell of them among all.

    Which sheet is current, whose it is and which is its unit's newest hangs on the versions of a sheet and on
    the sheets of the same serial, so these are all that the views must look at.

    Parameters
    ----------
    con : a connection to read by; `keep_to_all` undoes it.
    named : query that gives `bench` and `sheet_no` of the sheets that are asked about.
    params : its parameters.
    """
    con.execute(
        f"""
        create temp table sheet as
        with named as ({named}),
        serials as (select serial_token from sheet semi join named using (bench, sheet_no)),
        beside as (select bench, sheet_no from sheet semi join serials using (serial_token))
        select * from sheet semi join (from named union from beside) as kept using (bench, sheet_no)
        """,
        params,
    ).fetchall()
    for view in _VIEWS:
        found = con.execute("select sql from duckdb_views() where view_name = ? and not temporary", [view])
        con.execute(found.fetchall()[0][0].replace("CREATE VIEW", "create temp view", 1)).fetchall()


def keep_to_all(con: Connection) -> None:
    """Undo `keep_to`."""
    for view in reversed(_VIEWS):
        con.execute(f"drop view temp.{view}").fetchall()
    con.execute("drop table temp.sheet").fetchall()


def as_frame(con: Connection, query: str, params: dict[str, object] | None = None) -> pd.DataFrame:
    """Rows of a query; text columns are `str` with NaN for "not told", even where all are."""
    frame: pd.DataFrame = con.sql(query, params=params or {}).df()
    return frame.astype({name: "str" for name in frame if frame[name].dtype == object})


def frame_of_sheets(batches: pa.RecordBatchReader) -> pd.DataFrame:
    """Rows of a query; texts stay in the engine's own layout, a tenth of what Python strings cost.

    They are copied some at a time, so that the engine can use its memory again.
    """
    import pandas as pd
    import pyarrow as pa

    parts: list[list[Any]] = [[] for _ in batches.schema]
    for batch in batches:
        for part, column in zip(parts, batch.columns, strict=True):
            part.append(_copied(column))
    columns: dict[str, Any] = {}
    for field, part in zip(batches.schema, parts, strict=True):
        if _is_text(field.type):
            columns[field.name] = pa.chunked_array(part, field.type).to_pandas().astype("str")
        else:
            column = pd.concat(part or [_copied(pa.array([], field.type))], ignore_index=True)
            days = str(field.type).startswith("date")
            columns[field.name] = (column.astype("datetime64[us]") if days else column).array
        part.clear()
    return pd.DataFrame(columns, copy=False)


def _copied(column: pa.Array) -> Any:
    """A column in memory of its own: texts as they lie, anything else as pandas has it."""
    if _is_text(column.type):
        import pyarrow as pa

        return pa.concat_arrays([column, column.slice(0, 0)])
    if str(column.type).startswith("dictionary"):  # older PyArrow gives pandas no unsigned codes
        import pandas as pd

        codes = column.indices.cast("int32").fill_null(-1).to_numpy()
        return pd.Series(pd.Categorical.from_codes(codes, column.dictionary.to_pylist()))
    return column.to_pandas(date_as_object=False).copy()


def _is_text(kind: pa.DataType) -> bool:
    return str(kind) in {"string", "large_string", "null"}


def _revision_of(con: Connection) -> int:
    return int(con.execute("select revision from store_state").fetchall()[0][0])


def kept_name(path: Path, day: str) -> Path:
    """Name under which a store stays that another takes the place of."""
    return path.with_name(f"{path.stem}{_KEPT}{day}{path.suffix}")


def kept_stores(path: Path) -> list[Path]:
    """Stores that stood in this place before and were kept, oldest first."""
    place = real_place(path)
    start = f"{place.stem}{_KEPT}"
    with contextlib.suppress(OSError):
        return sorted(
            e for e in place.parent.iterdir() if e.name.startswith(start) and e.suffix == place.suffix
        )
    return []

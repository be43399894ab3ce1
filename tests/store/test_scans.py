"""What a refit looks at, counted: a guard against scans that creep in, in counts and not in seconds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from worlds import ideal, tokened

from fleet.fitting.quick_refit import update_store_sums
from fleet.store import Store
from fleet.store.incremental import NOW, THEN, KeptBase, keep_base, kept_base, undone_intakes
from fleet.store.tallies import CURRENT, REPEATED, TEACHING, DuckEngine, newest_intake, units_told_once
from fleet.store.verdicts import record_verdict
from fleet.tallies.engine import Enough, gather
from fleet.tallies.files import tallies_bytes

FLEET_VIEWS = ("teaching_sheet", "current_sheet", "latest_sheet", "sheet_unit")


class Counted(DuckEngine):
    """An engine that remembers what it was asked."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        super().__init__(con)
        self.asked: list[str] = []

    def batches(self, query: str) -> Iterator[Mapping[str, NDArray[np.float64]]]:
        self.asked.append(query)
        return super().batches(query)

    def table(self, query: str) -> dict[str, NDArray[Any]]:
        self.asked.append(query)
        return super().table(query)

    def keep(self, name: str, query: str) -> None:
        self.asked.append(query)
        super().keep(name, query)

    def times(self, relation: str) -> int:
        return sum(f"from {relation}" in query for query in self.asked)


@pytest.fixture(scope="module")
def sheets() -> pd.DataFrame:
    return tokened(ideal(10, n_families=8, repeat_share=0.2).sheets(160)[0])


@pytest.fixture(scope="module")
def store(sheets: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store with a full refit's sums and a few sheets more."""
    store = Store(tmp_path_factory.mktemp("scans") / "fleet.duckdb").create()
    store.append(sheets.iloc[:140], file_name="first.csv")
    return store


@pytest.fixture(scope="module")
def full(store: Store) -> Counted:
    """What the full summing asked; its sums are kept, and twenty sheets come after it."""
    with store.reader() as con:
        engine = Counted(con)
        gathered = gather(engine, TEACHING, CURRENT)
        state = newest_intake(con), undone_intakes(con)
    base = KeptBase(store.revision(), *state, None, tallies_bytes(gathered, {}))
    with store.writer() as con:
        keep_base(base, con)
    return engine


def test_the_sheets_themselves_are_read_a_fixed_number_of_times(full: Counted) -> None:
    """Combinations, families, repeats, and once to code them: four times, however many links and passes."""
    assert full.times(TEACHING) + full.times(CURRENT) == 4


def test_what_teaches_told_once_is_what_the_views_say(sheets: pd.DataFrame, tmp_path: Path) -> None:
    """The same teaching sheets, marks and verdicts among them; the same repeats; nothing is left behind."""
    store = Store(tmp_path / "marked.duckdb").create()
    marks = np.where(np.arange(len(sheets)) % 7 == 0, "sag_reversed", None)
    rare = np.where(np.arange(len(sheets)) % 5 == 0, "retipped", None)
    store.append(sheets.assign(marks=marks, peculiarities=rare), file_name="marked.csv")
    with store.reader() as con:
        odd = [u for (u,) in con.execute("select unit from marked_unit order by unit").fetchall()]
    for unit in odd[::2]:
        record_verdict(store, unit, "healthy", recorded_on=date(2100, 1, 1))

    def told(con: duckdb.DuckDBPyConnection, repeated: str) -> list[set[tuple[str, ...]]]:
        of_several = f"select unit from {repeated} where purpose = 'unit' group by unit having count(*) > 1"
        return [
            set(con.execute(query).fetchall())
            for query in (
                f"select bench, sheet_no, vta_dynamic_deg from {TEACHING}",
                f"select unit, sheet_no, vta_dynamic_deg from {repeated} where unit in ({of_several})",
            )
        ]

    def left(con: duckdb.DuckDBPyConnection) -> int:
        views = "select 1 from duckdb_views() where temporary and not internal"
        tables = "select 1 from duckdb_tables() where temporary and not internal"
        return len(con.execute(f"{views} union all {tables}").fetchall())

    with store.reader() as con:
        views = told(con, CURRENT)
        with units_told_once(con):
            assert told(con, REPEATED) == views
            assert left(con) > 0
        assert left(con) == 0
        current = con.execute(f"select count(*) from {CURRENT}").fetchall()[0][0]
    assert current > len(views[0]) > 50
    assert len(views[1]) > 10


def test_a_large_fleet_is_read_once_more_and_the_rest_on_a_part_of_it(store: Store, full: Counted) -> None:
    """Every sheet is counted and coded once; families and the robust cut look at a part, picked once."""
    with store.reader() as con:
        engine = Counted(con)
        gathered = gather(engine, TEACHING, CURRENT, enough=Enough(50, 5.0))
    parts = [q for q in engine.asked if "md5(s.sheet_no) < b.below" in q]
    assert engine.times(TEACHING) + engine.times(CURRENT) == 4
    assert len(parts) == 1
    assert len(engine.asked) == len(full.asked) + 2
    assert gathered.cut.units == gathered.combos["n"].sum() > 100


def test_a_quick_refit_looks_at_changed_units_alone(
    store: Store, full: Counted, sheets: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No view of the fleet is asked; the rows coded are those of units that changed, then and now."""
    new = sheets.iloc[140:]
    store.append(new, file_name="second.csv")
    engines: list[Counted] = []

    def counted(con: duckdb.DuckDBPyConnection) -> Counted:
        engines.append(Counted(con))
        return engines[-1]

    monkeypatch.setattr("fleet.fitting.quick_refit.DuckEngine", counted)
    with store.reader() as con:
        kept = kept_base(con)
        assert kept is not None
        grown = update_store_sums(con, kept)
        rows = {name: con.execute(f"select count(*) from {name}").fetchall()[0][0] for name in (THEN, NOW)}
    asked = engines[0].asked
    assert not [q for q in asked if any(view in q for view in FLEET_VIEWS)]
    units = new["serial_token"].nunique() + new["serial_token"].isna().sum()
    before = set(sheets["serial_token"].iloc[:140])
    again = new["serial_token"].isin(before)
    assert rows[NOW] == grown.added == units
    assert rows[THEN] == grown.removed == new.loc[again, "serial_token"].nunique() < units
    assert len(asked) == 5

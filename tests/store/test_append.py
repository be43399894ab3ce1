"""What goes into the store, what comes out, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.columns import COLUMNS, STORED_COLUMNS, number_columns
from fleet.errors import FleetError
from fleet.store import CURRENT_COLUMNS, Store
from fleet.store.append import rename_tokens, staging_tables
from fleet.store.migrate import migrations

Sheets = Callable[..., pd.DataFrame]


def test_an_empty_store_has_every_column(store: Store) -> None:
    """Reading before the first intake gives empty frames, not errors."""
    assert list(store.current().columns) == list(CURRENT_COLUMNS)
    assert len(store.teaching()) == 0
    assert store.revision() == 0


def test_what_goes_in_comes_out(store: Store, sheets: Sheets) -> None:
    """Every kind of column keeps its value, and what isn't told stays empty."""
    row = {
        "serial_token": "t1",
        "stylus_profile": "elliptical",
        "vtf_mn": 19.55,
        "compliance_frequency_hz": 10.0,
        "peculiarities": "worn;dirty",
        "purpose": "reference",
        "bench": "north",
    }
    store.append(sheets(row), file_name="a.csv")
    out = store.current().iloc[0]
    for name, value in row.items():
        assert out[name] == value
    assert out["measured_on"] == pd.Timestamp("2024-01-01")
    others = [c for c in STORED_COLUMNS if c not in {*row, "sheet_no", "measured_on", "body_family"}]
    assert out[others].isna().all()


def number_rows() -> st.SearchStrategy[list[dict[str, float]]]:
    """Rows of any figures that the catalogue accepts."""
    figures = {
        name: st.sampled_from(column.choices) if column.choices else st.floats(column.low, column.high)
        for name, column in COLUMNS.items()
        if column.kind == "number"
    }
    return st.lists(st.fixed_dictionaries(figures), min_size=1, max_size=20)


@pytest.mark.long
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=number_rows())
def test_numbers_come_out_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, sheets: Sheets, rows: list[dict[str, float]]
) -> None:
    """Any number in its range is stored exactly."""
    store = Store(tmp_path_factory.mktemp("s") / "s.duckdb").create()
    store.append(sheets(*rows), file_name="a.csv")
    out = store.current(number_columns())
    assert out.to_numpy().tolist() == [[row[name] for name in number_columns()] for row in rows]


def test_counts_that_do_not_add_up_keep_nothing(store: Store, sheets: Sheets) -> None:
    """A row that would get lost undoes the whole intake."""
    with pytest.raises(AssertionError, match="don't add up to 3"):
        store.append(sheets({}, {}), file_name="a.csv", rows_read=3)
    assert len(store.current()) == 0
    assert store.revision() == 0


def test_a_raw_serial_is_refused(store: Store, sheets: Sheets) -> None:
    """The store takes tokens only."""
    with pytest.raises(ValueError, match="serial"):
        store.append(sheets({"serial": "S1"}), file_name="a.csv")


def test_the_schema_holds_every_range() -> None:
    """The first schema's limits are the catalogue's, so nothing passes by the checks at the door.

    A column that came later has none: DuckDB can't add a column with a check to a table.
    """
    con = duckdb.connect()
    for statement in con.extract_statements(migrations()[0][2]):
        con.execute(statement).fetchall()
    first = {name for name, *_ in con.execute("describe sheet").fetchall()}
    later = set(number_columns()) - first
    assert later == {"rake_aim_deg", "tracking_limit_deg"}
    insert = (
        "insert into sheet (intake_id, version, sheet_no, measured_on, bench, purpose, body_family, {}) "
        "values (1, ?, 'A', date '2024-01-01', 'main', 'unit', 'F', ?)"
    )
    for place, name in enumerate(n for n in number_columns() if n in first):
        column = COLUMNS[name]
        assert column.low is not None
        assert column.high is not None
        con.execute(insert.format(name), [2 * place + 1, column.low]).fetchall()
        con.execute(insert.format(name), [2 * place + 2, column.high]).fetchall()
        for beyond in (np.nextafter(column.low, -1e9), np.nextafter(column.high, 1e9), np.inf, np.nan):
            with pytest.raises(duckdb.ConstraintException, match=name):
                con.execute(insert.format(name), [999, float(beyond)]).fetchall()
    con.close()


@pytest.mark.long
def test_contents_are_compared_in_every_column(store: Store, sheets: Sheets) -> None:
    """A change of any single column, to or from empty included, is another version."""
    base: dict[str, object] = {"sheet_no": "A"}
    store.append(sheets(base), file_name="a.csv")
    changes: dict[str, object] = {"measured_on": "2024-02-02", "body_family": "F2", "purpose": "reference"}
    for name in STORED_COLUMNS:
        if name in {"sheet_no", "bench"}:
            continue
        column = COLUMNS.get(name)
        value = changes.get(name, column.low if column and column.kind == "number" else "other")
        assert store.append(sheets({**base, name: value}), file_name="a.csv").conflicts
    assert store.append(sheets(base), file_name="a.csv").already_there == 1


def test_returning_to_older_contents_is_a_correction_too(store: Store, sheets: Sheets) -> None:
    """Contents are compared with the newest version, not with any version."""
    first, second = sheets({"vtf_mn": 19.0}), sheets({"vtf_mn": 20.0})
    store.append(first, file_name="a.csv")
    store.append(second, file_name="b.csv", supersede=True)
    assert store.append(first, file_name="a.csv").conflicts
    assert store.append(first, file_name="a.csv", supersede=True).superseded == 1
    assert store.history("A0")["vtf_mn"].tolist() == [19.0, 20.0, 19.0]


def test_a_repeat_of_a_contradiction_is_put_aside_as_well(store: Store, sheets: Sheets) -> None:
    """Two alike rows that both contradict the store are two contradictions, not one and a repeat."""
    store.append(sheets({"vtf_mn": 19.0}), file_name="a.csv")
    twice = sheets({"vtf_mn": 20.0}, {"vtf_mn": 20.0, "sheet_no": "A0", "measured_on": "2024-01-01"})
    done = store.append(twice, file_name="b.csv")
    assert [(c.position, c.first_position) for c in done.conflicts] == [(0, None), (1, None)]
    again = store.append(twice, file_name="b.csv", supersede=True)
    assert (again.accepted, again.already_there, again.superseded) == (1, 1, 1)


def test_a_contradiction_says_what_it_contradicts(store: Store, sheets: Sheets) -> None:
    """In the file's order; an earlier row of it is named, the store's sheet is none. Each is counted once."""
    store.append(sheets({"vtf_mn": 19.0}), file_name="a.csv")
    rows = sheets(
        {"vtf_mn": 20.0},
        {"sheet_no": "B"},
        {"sheet_no": "B", "vtf_mn": 21.0},
        {"sheet_no": "C"},
        {"sheet_no": "D"},
        {"sheet_no": "A0", "measured_on": "2024-01-01", "vtf_mn": 19.0},
    )
    done = store.append(rows, file_name="b.csv")
    assert [(c.position, c.first_position) for c in done.conflicts] == [(0, None), (2, 1)]
    assert (done.accepted, done.already_there, done.superseded) == (3, 1, 0)
    with store.reader() as con:
        noted = con.execute(
            "select rows_read, accepted, put_aside, already_there, superseded from intake order by intake_id"
        ).fetchall()
    assert noted == [(1, 1, 0, 0, 0), (6, 3, 2, 1, 0)]


def test_the_key_is_noted_once_and_held_to(store: Store, sheets: Sheets) -> None:
    """The first key's check value stays; another one stops the intake."""
    store.append(sheets({}), file_name="a.csv", key_check="one")
    assert store.key_check() == "one"
    with pytest.raises(FleetError, match="another token key"):
        store.append(sheets({"sheet_no": "B"}), file_name="b.csv", key_check="two")
    assert len(store.current()) == 1


def test_rows_taken_some_at_a_time_keep_their_places() -> None:
    """The second lot's positions go on where the first's end: a row put aside is named by its own line."""
    good = pd.DataFrame(
        {"sheet_no": [f"A{i}" for i in range(5)], "measured_on": date(2024, 3, 1), "body_family": "F1"}
    )
    lots = [table["position"].to_pylist() for table in staging_tables(good, rows=2)]
    assert lots == [[0, 1], [2, 3], [4]]


def test_versions_that_go_by_another_token_are_counted(store: Store, sheets: Sheets) -> None:
    """Every version of a sheet that bears the token, and none of another's."""
    rows = sheets({"serial_token": "a"}, {"serial_token": "a"}, {"serial_token": "b"})
    store.append(rows, file_name="f.csv")
    store.append(rows.head(1).assign(vtf_mn=19.0), file_name="g.csv", supersede=True)
    with store.writer() as con:
        assert rename_tokens(con, {"a": "c", "x": "y"}) == 3
    assert sorted(store.current()["serial_token"]) == ["b", "c", "c"]

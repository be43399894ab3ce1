"""Sheets outside the store: the same sums from Parquet as from the store, faults left out and counted."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from worlds import ideal, stored, tokened

from fleet.errors import FleetError
from fleet.fitting.external_sheets import Outside, gather_source, gather_store
from fleet.store import Store
from fleet.store.tallies import parquet_engine
from fleet.tallies.sheet_queries import canonical_sql, current_sql
from fleet.tallies.sufficient_statistics import SufficientStatistics, statistics_to_parts


@pytest.fixture(scope="module")
def sheets() -> pd.DataFrame:
    """Sheets with repeats, retips, changed assemblies, gaps, check pickups, and a family called 007."""
    frame = ideal(3, n_families=10, repeat_share=0.3, retip_share=0.5).sheets(400)[0]
    rng = np.random.default_rng(1)
    odd = {"assembly_source": "SX", "stylus_profile": "other", "cantilever_material": "other"}
    for name, word in odd.items():
        frame.loc[rng.random(len(frame)) < 0.15, name] = None
        frame.loc[rng.random(len(frame)) < 0.05, name] = word
    frame.loc[rng.random(len(frame)) < 0.1, "purpose"] = "reference"
    frame.loc[rng.random(len(frame)) < 0.1, "serial"] = None
    frame.loc[frame["body_family"] == "F001", "body_family"] = "007"
    return frame


@pytest.fixture(scope="module")
def store(sheets: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Store:
    return stored(tmp_path_factory.mktemp("outside"), sheets)


@pytest.fixture(scope="module")
def own(store: Store) -> Outside:
    """The store's own full summing."""
    return gather_store(store)


def parquet(frame: pd.DataFrame, path: Path) -> str:
    tokened(frame).to_parquet(path, index=False)
    return str(path)


def summed(source: str) -> Outside:
    with parquet_engine() as engine:
        return gather_source(engine, source)


def same(a: SufficientStatistics, b: SufficientStatistics) -> None:
    """Every number and every text alike."""
    arrays, texts = statistics_to_parts(a)
    others, told = statistics_to_parts(b)
    assert arrays.keys() == others.keys()
    for name, array in arrays.items():
        assert np.array_equal(array, others[name], equal_nan=True), name
    assert texts == told


def test_units_and_newest_are_the_stores_own(store: Store) -> None:
    """The portable query numbers assemblies and picks each unit's newest sheet as the store's views do."""
    wanted = "bench, sheet_no, unit, newest"
    with store.reader() as con:
        want = con.sql(f"select {wanted} from current_sheet order by bench, sheet_no").df()
        columns = con.sql("select * from latest_sheet limit 0").columns
        con.execute(f"create temp table raw as {canonical_sql('latest_sheet', columns)}").fetchall()
        got = con.sql(f"select {wanted} from ({current_sql('raw')}) x order by bench, sheet_no").df()
    pd.testing.assert_frame_equal(got, want)
    assert want["unit"].str.endswith("-2").sum() > 12
    assert 0.5 < want["newest"].mean() < 0.97


def test_parquet_gives_the_sums_of_the_store(own: Outside, sheets: pd.DataFrame, tmp_path: Path) -> None:
    """A partitioned folder: the numbers of the store's own full summing; 007 in its name stays a code."""
    source, folder = parquet(sheets, tmp_path / "sheets.parquet"), tmp_path / "parts"
    with duckdb.connect() as con:
        con.execute(
            f"copy (select * from '{source}') to '{folder}' "
            "(format parquet, partition_by (body_family, generator))"
        ).fetchall()
    done = summed(str(folder))
    same(done.gathered, own.gathered)
    assert done.sheets == own.sheets == len(sheets)
    assert done.about["units"] == int(own.gathered.cut.units)
    assert "007" in set(done.gathered.families["family"])


def test_sheets_with_a_fault_are_left_out_and_counted(
    own: Outside, sheets: pd.DataFrame, tmp_path: Path
) -> None:
    """Out of range, not a number, an unknown word, no family: the rest, one file, gives what the store gives.

    The faulty ones are newer sheets of units that have sound ones.
    """
    bad = sheets[sheets["serial"].notna() & sheets["purpose"].eq("unit")].head(5).copy()
    bad["sheet_no"] = "X" + bad["sheet_no"]
    bad["measured_on"] = pd.Timestamp("2030-01-01")
    at = bad.index
    bad.loc[at[0], "vta_dynamic_deg"] = 61.0
    bad.loc[at[1], "vtf_mn"] = np.inf
    bad.loc[at[2], "stylus_profile"] = "square"
    bad.loc[at[3], "body_family"] = None
    bad.loc[at[4], "compliance_frequency_hz"] = 50.0
    done = summed(parquet(pd.concat([sheets, bad]), tmp_path / "faulty.parquet"))
    assert (done.sheets, done.left_out) == (len(sheets) + 5, 5)
    assert "5 with a fault left out" in done.sentence
    same(done.gathered, own.gathered)


def test_what_can_not_be_summed_up_is_said(sheets: pd.DataFrame, tmp_path: Path) -> None:
    """No file, no Parquet, no family column, plain serials, a number twice, nothing sound: one line each."""
    with pytest.raises(FleetError, match="no file or folder absent"):
        summed(str(tmp_path / "absent"))
    (tmp_path / "words.parquet").write_text("not Parquet", encoding="utf-8")
    with pytest.raises(FleetError, match="no Parquet"):
        summed(str(tmp_path / "words.parquet"))
    (tmp_path / "empty").mkdir()
    with pytest.raises(FleetError, match="no Parquet"):
        summed(str(tmp_path / "empty"))
    with pytest.raises(FleetError, match="no column body_family"):
        summed(parquet(sheets.drop(columns="body_family"), tmp_path / "a.parquet"))
    sheets.to_parquet(tmp_path / "serials.parquet", index=False)
    with pytest.raises(FleetError, match="serial_token"):
        summed(str(tmp_path / "serials.parquet"))
    twice = pd.concat([sheets, sheets.iloc[:3]])
    with pytest.raises(FleetError, match="3 sheet numbers stand more than once"):
        summed(parquet(twice, tmp_path / "twice.parquet"))
    with pytest.raises(FleetError, match="no sound bench sheet"):
        summed(parquet(sheets.assign(vtf_mn=1000.0), tmp_path / "bad.parquet"))


def test_one_impossible_angle_does_not_stop_the_sums(sheets: pd.DataFrame, tmp_path: Path) -> None:
    """A tracking angle of 90 degrees, by two slips in range, is cut, not infinite."""
    frame = sheets.copy()
    row = frame.index[frame["stylus_profile"].ne("spherical") & frame["purpose"].eq("unit")][-1]
    frame.loc[row, ["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"]] = [120.0, 90.0, 60.0]
    done = summed(parquet(frame, tmp_path / "steep.parquet")).gathered
    assert all(np.isfinite(sums.moments).all() for sums in done.cut.sums.values())
    assert done.cut.sums["tracking"].counts.sum() < done.cut.cut["tracking"].n

"""Invented fleets of any size, for the benchmarks: as partitioned Parquet, and straight in a store.

    python tests/benchmarks/big_fleet.py 1e7 FOLDER

writes FOLDER/parts/*.parquet and FOLDER/fleet.duckdb.  The sheets are those of one invented world
(`synthetic_data`), half a million at a time; serials stand for their own tokens, since a door of 1e7 rows is
measured apart (bench_intake.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

import duckdb

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import ideal, tokened

from fleet.columns import STORED_COLUMNS
from fleet.store import Store

CHUNK = 500_000


def write_parts(folder: Path, n: int, *, families: int = 36, seed: int = 1, first: int = 0) -> Path:
    """Write n sheets as Parquet files; returns their folder."""
    parts = folder / "parts"
    parts.mkdir(parents=True, exist_ok=True)
    world = ideal(seed, n_families=families)
    for i, start in enumerate(range(0, n, CHUNK), start=first):
        sheets = tokened(world.sheets(min(CHUNK, n - start), stream=i)[0])
        sheets["sheet_no"] = f"P{i}-" + sheets["sheet_no"]
        sheets["serial_token"] = f"P{i}-" + sheets["serial_token"]
        sheets["measured_on"] = sheets["measured_on"].dt.date
        sheets.to_parquet(parts / f"part-{i:04d}.parquet", index=False)
    return parts


def load_store(path: Path, parts: Path) -> Store:
    """A new store with every sheet of these parts, as one intake."""
    store = Store(path).create()
    there = set(duckdb.sql(f"describe select * from '{parts}/*.parquet'").df()["column_name"])
    names = ", ".join(STORED_COLUMNS)
    values = ", ".join(c if c in there else f"null as {c}" for c in STORED_COLUMNS)
    with duckdb.connect(str(path), config={"memory_limit": "4GB"}) as con:
        con.begin()
        con.execute(
            f"insert into sheet (intake_id, version, {names}) select 1, 1, {values} from '{parts}/*.parquet'"
        ).fetchall()
        n = con.execute("select count(*) from sheet").fetchall()[0][0]
        con.execute(
            "insert into intake values (1, 'parts', now()::timestamp, ?, ?, 0, 0, 0, null)", [n, n]
        ).fetchall()
        con.execute("update store_state set revision = revision + 1").fetchall()
        con.commit()
    return store


if __name__ == "__main__":
    place = Path(sys.argv[2])
    load_store(place / "fleet.duckdb", write_parts(place, int(float(sys.argv[1]))))

"""How long attainment and what-if take on many sheets, beside DuckDB's scan of the same columns; by hand.

python tests/benchmarks/attainment.py 1000000
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from fleet.attainment.attainment import attainment, needed_columns
from fleet.attainment.comparisons import what_if
from fleet.policy.policy import Policy

GROUPS = ["stylus_profile", "cantilever_material"]
TIMES = 5


def made_up(n_rows: int) -> pd.DataFrame:
    """Sheets with the columns that attainment reads, their figures spread about common practice."""
    rng = np.random.default_rng(3)
    tilt = np.round(rng.normal(0.5, 1.5, n_rows), 2)
    rake = np.round(rng.normal(90.5, 1.5, n_rows), 2)
    return pd.DataFrame(
        {
            "sheet_no": [f"B{i:08d}" for i in range(n_rows)],
            "measured_on": pd.Timestamp("2015-01-01") + pd.to_timedelta(rng.integers(0, 3000, n_rows), "D"),
            "stylus_profile": rng.choice(["spherical", "elliptical", "line_contact", "narrow_edge"], n_rows),
            "cantilever_material": rng.choice(["aluminium", "boron", "ruby", "diamond"], n_rows),
            "sra_dynamic_deg": rake,
            "vta_dynamic_deg": np.round(rng.normal(21.5, 2.0, n_rows), 2),
            "tilt_room_deg": np.round(rng.uniform(0.5, 5.0, n_rows), 1),
            "tilt_applied_deg": np.where(rng.random(n_rows) < 0.9, tilt, np.nan),
            "sra_after_deg": np.where(rng.random(n_rows) < 0.6, rake + tilt, np.nan),
            "vta_after_deg": np.nan,
            "remedy": rng.choice(["none", "arm_only", "made_wedge"], n_rows),
            "purpose": "unit",
            "newest": rng.random(n_rows) < 0.8,
        }
    )


def best_s(job: Callable[[], object]) -> float:
    """The shortest of a few runs [s]: what the machine's other work adds is left out."""
    took = []
    for _ in range(TIMES):
        start = time.perf_counter()
        job()
        took.append(time.perf_counter() - start)
    return min(took)


def main(n_rows: int) -> None:
    """Print the times of the scan, of attainment and of what-if, and their ratios, all of one run."""
    columns = ", ".join(needed_columns(GROUPS))
    policy, other = Policy(), Policy().but(tracking_limit_deg=24.0)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "many.duckdb")
        with duckdb.connect(path, config={"threads": 2}) as con:
            made = made_up(n_rows)
            con.register("made", made)
            con.execute("create table sheet as select * from made").fetchall()
            con.unregister("made")
        with duckdb.connect(path, read_only=True, config={"threads": 2}) as con:
            query = f"select {columns} from sheet"
            sheets = con.sql(query).df()
            scan_s = best_s(lambda: con.sql(query).df())
    plain_s = best_s(lambda: attainment(sheets, GROUPS, policy))
    what_if_s = best_s(lambda: what_if(sheets, GROUPS, policy, other))
    units = int(sheets["newest"].sum())
    lines = [
        f"{n_rows} sheets, {units} units; {os.cpu_count()} processors, {platform.machine()}; best of {TIMES}",
        f"DuckDB scan of the {columns.count(',') + 1} columns into a frame: {scan_s:.2f} s",
        f"attainment by stylus and cantilever: {plain_s:.2f} s ({plain_s / scan_s:.2f} times the scan)",
        f"what-if, the same units under two policies: {what_if_s:.2f} s ({what_if_s / scan_s:.2f} times)",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)

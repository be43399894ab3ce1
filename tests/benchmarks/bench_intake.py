"""How long an intake of many rows takes, beside DuckDB's own bare load of the same file; run by hand.

python tests/benchmarks/bench_intake.py 1000000
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from fleet.columns import COLUMNS


def made_up(n_rows: int) -> pd.DataFrame:
    """Sheets with every column filled by figures spread evenly over its range."""
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({"sheet_no": [f"B{i:08d}" for i in range(n_rows)]})
    for name, column in COLUMNS.items():
        if column.kind == "number":
            ends = (float(column.low or 0), float(column.high or 0))
            choices = column.choices or np.round(np.linspace(*ends, 400), 2)
            frame[name] = rng.choice(np.asarray(choices), n_rows)
        elif column.kind in {"word", "codes"}:
            frame[name] = rng.choice(np.asarray(column.words), n_rows)
        elif column.kind == "date":
            frame[name] = (
                pd.Timestamp("2015-01-01") + pd.to_timedelta(rng.integers(0, 3000, n_rows), "D")
            ).strftime("%Y-%m-%d")
        elif name == "serial":
            frame[name] = [f"S-{i:07d}" for i in rng.integers(0, max(int(0.8 * n_rows), 1), n_rows)]
        elif name != "sheet_no":
            frame[name] = [f"C{i}" for i in rng.integers(0, 40, n_rows)]
    return frame


def main(n_rows: int) -> None:
    """Print the two times, their ratio and the largest memory in use."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FLEET_KEY_FILE"] = str(Path(folder) / "token.key")
        path = Path(folder) / "many.csv"
        made_up(n_rows).to_csv(path, index=False)
        start = time.perf_counter()
        with duckdb.connect(str(Path(folder) / "bare.duckdb"), config={"threads": 2}) as con:
            con.execute("create table sheet as select * from read_csv(?)", [str(path)]).fetchall()
        bare_s = time.perf_counter() - start
        first_s, said = timed_intake(folder, path)
        again_s, _ = timed_intake(folder, path)
        memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    lines = [
        said,
        f"bare load {bare_s:.1f} s, intake {first_s:.1f} s ({first_s / bare_s:.1f} times)",
        f"the same file again {again_s:.1f} s",
        f"largest memory of an intake {memory_mb:.0f} MB",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


def timed_intake(folder: str, path: Path) -> tuple[float, str]:
    """Seconds that an intake takes in a process of its own, and what it says."""
    code = (
        "import sys; from fleet.intake import intake_file; from fleet.store import Store; "
        "print(intake_file(Store(sys.argv[1]), sys.argv[2]).sentence)"
    )
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, str(Path(folder) / "fleet.duckdb"), str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    return time.perf_counter() - start, done.stdout.strip()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)

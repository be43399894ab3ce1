"""A killed intake leaves a store that opens, with whole intakes in or out."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fleet.store import Store

ROWS = 3000
WRITER = f"""
import sys
import pandas as pd
from fleet.store import Store
store = Store(sys.argv[1]).create()
print("ready", flush=True)
start = int(sys.argv[2])
for number in range(start, start + 1000):
    frame = pd.DataFrame({{"sheet_no": [f"N{{number}}-{{i}}" for i in range({ROWS})]}})
    frame = frame.assign(measured_on=pd.Timestamp("2024-01-01"), body_family="F1", vtf_mn=19.0)
    store.append(frame, file_name=f"{{number}}.csv")
    print(number, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs kill -9")
def test_kills_at_random_moments_leave_whole_intakes(tmp_path: Path) -> None:
    """After each kill the store opens by itself, every told intake is whole and none is torn or doubled."""
    rng = random.Random(3)
    store = Store(tmp_path / "fleet.duckdb")
    told: set[int] = set()
    for turn in range(6):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(store.path), str(turn * 1000)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(rng.uniform(0.02, 0.6))
        process.send_signal(signal.SIGKILL)
        told |= {int(line) for line in process.communicate(timeout=30)[0].split()}
        with store.reader() as con:
            sizes = con.execute(
                "select i.file_name, count(s.sheet_no) "
                "from intake i full join sheet s using (intake_id) group by 1"
            ).fetchall()
            revision, n_sheets, n_numbers = con.execute(
                "select (select revision from store_state), count(*), count(distinct sheet_no) from sheet"
            ).fetchall()[0]
        assert {size for _, size in sizes} <= {ROWS}
        assert told <= {int(name.removesuffix(".csv")) for name, _ in sizes}
        assert revision == len(sizes)
        assert n_sheets == n_numbers == ROWS * len(sizes)
    assert told

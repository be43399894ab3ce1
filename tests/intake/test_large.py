"""The memory of a large intake grows with its rows by no more than the documentation says."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest

N_ROWS = 1_000_000 if os.environ.get("FLEET_LONG") else 60_000
HEAD = (
    "sheet_no,measured_on,serial,operator,body_family,generator,stylus_profile,cantilever_material,"
    "assembly_source,vtf_mn,compliance_um_per_mn,cantilever_length_mm,temperature_c,sra_static_deg,"
    "sra_dynamic_deg,vta_dynamic_deg,azimuth_optical_deg,azimuth_electrical_deg,crosstalk_l_to_r_db,"
    "crosstalk_r_to_l_db,channel_balance_db,zenith_deg,height_mm,tip_to_mount_mm,tilt_room_deg,"
    "tilt_applied_deg,bench_minutes"
)
CODE = """
import re, sys
from fleet.intake import intake_file
from fleet.store import Store
report = intake_file(Store(sys.argv[1]), sys.argv[2])
print(report.accepted, re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())[1])
"""
"""The kernel's own count for the process: what `getrusage` says starts with the parent's memory."""


def rows(n: int) -> str:
    kinds = ("line_contact,boron", "elliptical,aluminium", "narrow_edge,sapphire")
    return "".join(
        f"N{i},2024-01-{i % 28 + 1:02d},S-{i},A,F{i % 90},moving_coil,{kinds[i % 3]},S{i % 9},{17 + i % 7}.5,"
        f"12,5.{i % 10},2{i % 6},9{i % 3}.{i % 89},90.{i % 97},2{i % 5}.1,0.{i % 7},-0.{i % 9},-3{i % 9}.2,"
        f"-2{i % 9}.8,"
        f"0.{i % 11},1.{i % 10},17.{i % 50},9.{i % 30},3.{i % 10},1.{i % 10},{60 + i % 40}\n"
        for i in range(n)
    )


def peak_kb(folder: Path, n: int) -> int:
    """Largest memory of a process that takes in a file of so many rows [kB]."""
    path = folder / f"{n}.csv"
    path.write_text(f"{HEAD}\n{rows(n)}")
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(folder / f"{n}.duckdb"), str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    accepted, kb = map(int, done.stdout.split())
    assert accepted == n
    return kb


@pytest.mark.long
@pytest.mark.validity
@pytest.mark.skipif(sys.platform != "linux", reason="other systems count a process's memory in other units")
def test_memory_grows_with_the_rows_as_documented(tmp_path: Path, own_key: Path) -> None:
    """The two figures of `fleet explain store` hold for a small file and a large one."""
    page = (resources.files("fleet") / "docs" / "store.md").read_text(encoding="utf-8")
    told = re.search(r"no more than ([\d.]+) GB of memory and ([\d.]+) kB a row", page)
    assert told is not None
    base_gb, row_kb = map(float, told.groups())
    for n in (100, N_ROWS):
        assert peak_kb(tmp_path, n) < base_gb * 1e6 + row_kb * n

"""Command-line tests run `fleet` in this process, in an empty folder with a store and a key of their own."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from fleet.cli import run

HEAD = (
    "sheet_no,measured_on,serial,body_family,stylus_profile,cantilever_material,assembly_source,"
    "sra_static_deg,sra_dynamic_deg,vta_dynamic_deg,tilt_room_deg,tilt_applied_deg"
)


class Ran(NamedTuple):
    """What a command did."""

    status: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder; the store would be `own.duckdb` in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", "own.duckdb")
    monkeypatch.setenv("FLEET_SECRET", "quite a long secret")
    return tmp_path


@pytest.fixture
def fleet(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run `fleet` with these words."""

    def command(*words: str) -> Ran:
        capsys.readouterr()
        status = run(words)
        return Ran(status, *capsys.readouterr())

    return command


@pytest.fixture
def sheets(empty_folder: Path) -> Path:
    """A file of four good sheets."""
    path = empty_folder / "sheets.csv"
    rows = [
        "A1,2024-01-08,S-1,F1,line_contact,boron,P1,91.0,90.2,20.0,3.0,0.8",
        "A2,2024-02-08,S-2,F1,line_contact,boron,P1,90.0,89.0,25.0,3.0,2.0",
        "A3,2024-03-08,S-3,F2,elliptical,aluminium,P2,92.0,91.5,21.0,3.0,0.0",
        "A4,2024-04-08,,F2,elliptical,aluminium,P2,92.0,91.0,23.5,3.0,-0.5",
    ]
    path.write_text("\n".join([HEAD, *rows]) + "\n")
    return path


@pytest.fixture
def demo_store(demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo bench's store as the one in use: a quote is kept in it, so no test shares it."""
    path = tmp_path / "demo.duckdb"
    shutil.copy(demo_folder / "fleet.duckdb", path)
    monkeypatch.setenv("FLEET_STORE", str(path))
    return path

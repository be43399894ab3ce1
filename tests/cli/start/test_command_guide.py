"""Sheets with a bench's own headers, from the draft of a guide to the store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.store import Store

Fleet = Callable[..., "object"]

OWN = """No;Date;Model code;Tip;Force (g);Rake still;Rake turning
N1;03.04.2024;V-1;elliptical;2,0;91,5;90,75
N2;04.04.2024;V-1;elliptical;2,0;91,0;90,5
N3;05.04.2024;V-2;line;1,8;90,5;9,01
"""


@pytest.fixture
def own(empty_folder: Path) -> Path:
    """A bench's own file: semicolons, decimal commas, day first, grams."""
    path = empty_folder / "own.csv"
    path.write_text(OWN)
    return path


def answered(path: Path) -> None:
    """Remove the questions of a drafted guide: every draft is right here."""
    kept = [line for line in path.read_text().splitlines() if not line.startswith("ask")]
    path.write_text("\n".join(kept) + "\n")


def test_from_draft_to_store(fleet: Fleet, own: Path) -> None:
    """A drafted guide, its questions answered, takes the good rows in, in the contract's units."""
    ran = fleet("guide", str(own), "--out", "own.toml")
    assert ran.status == 0
    assert "7 columns recognised" in ran.out
    answered(Path("own.toml"))
    ran = fleet("intake", "--guide", "own.toml", str(own))
    assert ran.status == 1
    assert "own.csv line 4, " in ran.err
    sheets = Store("own.duckdb").current()
    assert sheets["sheet_no"].tolist() == ["N1", "N2"]
    assert sheets["vtf_mn"].tolist() == pytest.approx([19.6133, 19.6133])
    assert sheets["sra_dynamic_deg"].tolist() == [90.75, 90.5]


def test_a_dry_run_stores_nothing(fleet: Fleet, own: Path) -> None:
    """--dry-run shows counts and what each column would hold, names the faults, and makes no store."""
    fleet("guide", str(own), "--out", "own.toml")
    answered(Path("own.toml"))
    ran = fleet("intake", "--guide", "own.toml", "--dry-run", str(own))
    assert ran.status == 1
    assert (
        "3 rows read, 2 would go in, 0 are there already, 1 would be put aside. Nothing was stored."
        in ran.out
    )
    assert "19.61 to 19.61" in ran.out
    assert "elliptical (2)" in ran.out
    assert not Path("own.duckdb").exists()


def test_a_draft_may_be_printed(fleet: Fleet, own: Path) -> None:
    """Without --out the guide itself is on standard output and what was found on standard error."""
    ran = fleet("guide", str(own))
    assert ran.status == 0
    assert 'to = "vtf_mn"' in ran.out
    assert "7 columns recognised" in ran.err


def test_a_guide_is_never_overwritten(fleet: Fleet, own: Path) -> None:
    """A guide that is there, with its answers, is not replaced by a new draft."""
    Path("own.toml").write_text("mine")
    ran = fleet("guide", str(own), "--out", "own.toml")
    assert (ran.status, Path("own.toml").read_text()) == (2, "mine")
    assert "is there already" in ran.err


def test_a_folder_of_files(fleet: Fleet, sheets: Path) -> None:
    """A folder stands for the tables in it."""
    folder = sheets.parent / "many"
    folder.mkdir()
    first, *rows = sheets.read_text().splitlines()
    for i, row in enumerate(rows):
        (folder / f"{i}.csv").write_text(f"{first}\n{row}\n")
    ran = fleet("intake", str(folder))
    assert ran.status == 0
    assert ran.out.count("1 row read, 1 taken in") == 4

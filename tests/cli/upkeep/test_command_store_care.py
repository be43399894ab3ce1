"""Looking after the store from the command line."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.store import Store

Fleet = Callable[..., "object"]


@pytest.fixture(autouse=True)
def filled(fleet: Fleet, sheets: Path) -> None:
    """A store with four sheets."""
    assert fleet("intake", str(sheets)).status == 0


def test_check(fleet: Fleet) -> None:
    """A sound store is looked through and said to be well, with its counts."""
    ran = fleet("check")
    assert ran.status == 0
    assert "4 sheets of 4 units in 4 versions" in ran.out
    assert "all is well" in ran.out


def test_backup_and_restore(fleet: Fleet, sheets: Path) -> None:
    """A backup brings the sheets back after an undo, and what was there is kept beside it."""
    assert fleet("backup", "copy.duckdb").status == 0
    assert fleet("undo", "1").status == 0
    assert len(Store("own.duckdb").current()) == 0
    ran = fleet("restore", "copy.duckdb")
    assert ran.status == 0
    assert len(Store("own.duckdb").current()) == 4
    assert len(list(Path().glob("own-before-restore-*.duckdb"))) == 1


def test_undo_of_nothing(fleet: Fleet) -> None:
    """An intake that never was can't be undone: one line, status 2."""
    ran = fleet("undo", "7")
    assert (ran.status, ran.err) == (2, "fleet: there is no intake 7; fleet history lists them.\n")


def test_forget_a_unit_by_its_serial(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A unit's sheets go for good, by its serial, which may come on standard input."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("S-2\n"))
    ran = fleet("forget", "--serial", "-", "--yes")
    assert ran.status == 0
    assert ran.out.startswith("Erased: 1 sheet in 1 version;")
    assert "A2" not in Store("own.duckdb").current()["sheet_no"].tolist()


@pytest.mark.long
def test_forget_names_the_copies_that_still_hold_it(fleet: Fleet) -> None:
    """Backups made from here and stores in the same folder are looked into; those that hold it are named."""
    Path("deep").mkdir()
    assert fleet("backup", "deep/copy.duckdb").status == 0
    assert fleet("restore", "deep/copy.duckdb").status == 0
    ran = fleet("forget", "--serial", "S-2", "--yes")
    held = [line for line in ran.out.splitlines() if line.startswith("It is still in ")]
    assert len(held) == 2
    assert any("deep/copy.duckdb: delete that, or fleet forget --serial - --store" in line for line in held)
    assert any("own-before-restore-" in line for line in held)
    for store in ("deep/copy.duckdb", next(Path().glob("own-before-restore-*")).name):
        assert fleet("forget", "--serial", "S-2", "--yes", "--store", store).status == 0
    assert "It is still in" not in fleet("forget", "--serial", "S-2", "--yes").out


def test_a_file_name_commands_no_terminal(fleet: Fleet) -> None:
    """Escape sequences and turns of direction in a name are printed as question marks."""
    said = fleet("intake", "a\x1b[31m\u202eb.csv").err
    assert said == "fleet: there is no file a?[31m?b.csv.\n"


def test_forget_a_sheet(fleet: Fleet) -> None:
    """A sheet without a serial is forgotten by its number."""
    assert fleet("forget", "--sheet", "A4", "--yes").status == 0
    assert Store("own.duckdb").current()["sheet_no"].tolist() == ["A1", "A2", "A3"]


def test_forgetting_asks_first(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without --yes and without a terminal to ask at, nothing is erased."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    ran = fleet("forget", "--sheet", "A4")
    assert (ran.status, ran.err) == (2, "fleet: this can't be undone; add --yes if it is meant.\n")
    assert fleet("forget", "--yes").err.startswith("fleet: say what to forget")
    assert len(Store("own.duckdb").current()) == 4


def test_forgetting_a_unit_needs_the_key(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under another key no unit can be found by its serial, and that is said."""
    monkeypatch.setenv("FLEET_SECRET", "another long secret")
    ran = fleet("forget", "--serial", "S-2", "--yes")
    assert ran.status == 2
    assert "token key" in ran.err
    assert len(Store("own.duckdb").current()) == 4


def test_rekey(fleet: Fleet, sheets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new key gives every unit a new token, to be backed up; the same sheets again are still no news."""
    assert "FLEET_SECRET" in fleet("rekey").err
    monkeypatch.delenv("FLEET_SECRET")
    monkeypatch.setenv("FLEET_KEY_FILE", "own.key")
    monkeypatch.setenv("FLEET_STORE", "keyed.duckdb")
    fleet("intake", str(sheets))
    before = Store("keyed.duckdb").current()["serial_token"].dropna()
    ran = fleet("rekey")
    assert ran.status == 0
    assert ran.out == (
        "3 units have new tokens.\n"
        "Keep a copy of the new key apart from the store: own.key. No backup of the store holds it.\n"
    )
    after = Store("keyed.duckdb").current()["serial_token"].dropna()
    assert not set(before) & set(after)
    assert "0 taken in, 4 already there" in fleet("intake", str(sheets)).out
    if os.name == "posix":
        assert Path("own.key").stat().st_mode & 0o077 == 0

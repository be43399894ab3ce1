"""Undoing, looking through, backing up, bringing back, forgetting: nothing lost, nothing left."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.store import (
    Store,
    back_up,
    backup,
    change_key,
    check_store,
    forget_sheet,
    forget_unit,
    restore,
    undo_intake,
)

Sheets = Callable[..., pd.DataFrame]


def files_of(store: Store) -> list[str]:
    """Names of all files in the store's folder and below it."""
    return sorted(p.name for p in store.path.parent.rglob("*") if p.is_file())


def spoil(store: Store, *statements: str) -> None:
    with store.writer() as con:
        for statement in statements:
            con.execute(statement).fetchall()


def test_undoing_an_intake_brings_the_versions_before_back(store: Store, sheets: Sheets) -> None:
    """New sheets go, corrected sheets go back, the history keeps all, and the intake can come in again."""
    store.append(sheets({"vtf_mn": 19.0}, {}), file_name="a.csv")
    second = sheets({"vtf_mn": 20.0}, {}, {})
    store.append(second, file_name="b.csv", supersede=True)
    undone = undo_intake(store, 2)
    assert (undone.rows, undone.sheets_gone) == (2, 1)
    assert undone.sentence.startswith("Intake 2 is undone: 1 sheets are gone, 1 are back")
    assert store.current(["sheet_no", "vtf_mn"]).iloc[0].tolist() == ["A0", 19.0]
    assert len(store.current()) == 2
    assert store.history("A0")["undone_at"].notna().tolist() == [False, True]
    assert store.revision() == 3
    again = store.append(second, file_name="b.csv", supersede=True)
    assert (again.accepted, again.already_there) == (2, 1)
    assert store.history("A0")["version"].tolist() == [1, 2, 3]
    assert check_store(store).problems == ()


def test_only_a_standing_intake_can_be_undone(store: Store, sheets: Sheets) -> None:
    """A number that isn't there, or was undone before, is said plainly."""
    store.append(sheets({}), file_name="a.csv")
    undo_intake(store, 1)
    with pytest.raises(FleetError, match="was undone before"):
        undo_intake(store, 1)
    with pytest.raises(FleetError, match="there is no intake 7"):
        undo_intake(store, 7)


def test_a_sound_store_has_no_problems(store: Store, sheets: Sheets) -> None:
    """Looking a good store through counts what is in it."""
    store.append(sheets({"serial_token": "t"}, {"serial_token": "t"}, {}), file_name="a.csv", key_check="k")
    health = check_store(store)
    assert (health.problems, health.intakes, health.sheets, health.versions, health.units) == ((), 1, 3, 3, 2)
    assert health.sentence.endswith("revision 1: all is well.")


@pytest.mark.parametrize(
    ("damage", "problem"),
    [
        ("delete from intake", "1 versions of sheets that belong to no intake"),
        ("delete from sheet", "1 intakes whose rows are not all there"),
        ("update sheet set version = 3", "1 sheets with a gap between their versions"),
        ("update sheet set serial_token = 't'", "1 tokens without a note of their key"),
        ("update sheet set remedy = 'magic'", "1 versions with an unknown word in remedy"),
    ],
)
def test_what_should_not_be_is_found(store: Store, sheets: Sheets, damage: str, problem: str) -> None:
    """Each kind of disorder is counted and named."""
    store.append(sheets({}), file_name="a.csv")
    spoil(store, damage)
    assert check_store(store).problems == (problem,)


def test_a_backup_is_the_whole_store(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """A backup holds every version, works as a store, and is never written over."""
    store.append(sheets({"vtf_mn": 19.0}), file_name="a.csv")
    store.append(sheets({"vtf_mn": 20.0}), file_name="b.csv", supersede=True)
    made = back_up(store, tmp_path / "kept" / "copy.duckdb")
    copy = Store(made)
    pd.testing.assert_frame_equal(copy.current(), store.current())
    pd.testing.assert_frame_equal(copy.history("A0"), store.history("A0"))
    assert copy.revision() == 2
    assert made.stat().st_mode & 0o777 == 0o600
    assert [p.name for p in made.parent.iterdir()] == ["copy.duckdb"]
    with pytest.raises(FleetError, match="is there already"):
        back_up(store, made)


def test_a_backup_into_a_folder_names_itself(store: Store, tmp_path: Path) -> None:
    """A folder gets a file with the day and the revision in its name."""
    made = back_up(store, tmp_path)
    assert made.parent == tmp_path
    assert made.name.startswith("fleet-")
    assert made.name.endswith("-revision-0.duckdb")


def test_a_full_disk_of_the_backup_is_not_called_the_store_s(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line names the place that the backup was to go to, and nothing is left there."""

    def full(*_: object) -> None:
        raise duckdb.IOException('IO Error: Could not write file "new": No space left on device')

    monkeypatch.setattr("fleet.store.backup._copy_all", full)
    (tmp_path / "stick").mkdir()
    with pytest.raises(FleetError, match=r"cannot write in .*stick: no space left on device; name another"):
        back_up(store, tmp_path / "stick" / "copy.duckdb")
    assert not list((tmp_path / "stick").glob("*.duckdb"))


def test_a_backup_takes_what_a_killed_writer_had_committed(store: Store, tmp_path: Path) -> None:
    """Rows that are still in the log of a killed writer are in the backup."""
    code = (
        "import os, sys, pandas as pd\nfrom fleet.store import Store\nfrom fleet.store import append as a\n"
        "frame = pd.DataFrame({'sheet_no': ['K1'], 'measured_on': [pd.Timestamp('2024-01-01')]})\n"
        "table = a.staging_table(frame.assign(body_family='F'))\n"
        "with Store(sys.argv[1]).writer() as con:\n"
        "    a.append_sheets(con, [table], file_name='k', rows_read=1, put_aside=0, supersede=False)\n"
        "    con.commit()\n    os._exit(1)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(store.path)], check=False, timeout=60)
    assert store.path.with_name(store.path.name + ".wal").exists()
    copy = Store(back_up(store, tmp_path / "copy.duckdb"))
    assert copy.current()["sheet_no"].tolist() == ["K1"]


def test_restoring_keeps_what_was_there_and_counts_on(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """The backup's sheets are back, the former file is kept, and no old revision number comes again."""
    store.append(sheets({}), file_name="a.csv")
    made = back_up(store, tmp_path / "copy.duckdb")
    store.append(sheets({}, {}), file_name="b.csv")
    kept = restore(store, made)
    assert kept is not None
    assert len(Store(kept).current()) == 2
    assert len(store.current()) == 1
    assert store.revision() == 3


def test_restoring_over_a_damaged_store_works(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """A store that can't be read is no obstacle, and its revision is jumped over."""
    store.append(sheets({}), file_name="a.csv")
    made = back_up(store, tmp_path / "copy.duckdb")
    store.path.write_bytes(store.path.read_bytes()[:9000])
    assert restore(store, made) is not None
    assert len(store.current()) == 1
    assert store.revision() > 1_000_000


def test_restoring_where_nothing_was_makes_the_store(store: Store, tmp_path: Path) -> None:
    """A backup can go to a new place."""
    made = back_up(store, tmp_path / "copy.duckdb")
    elsewhere = Store(tmp_path / "new" / "fleet.duckdb")
    assert restore(elsewhere, made) is None
    assert elsewhere.revision() == 1


def test_an_unsound_backup_is_refused(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """A backup is looked through before anything is replaced."""
    other = Store(tmp_path / "other.duckdb").create()
    other.append(sheets({}), file_name="a.csv")
    spoil(other, "delete from intake")
    with pytest.raises(FleetError, match="is not sound: 1 versions of sheets"):
        restore(store, other.path)
    with pytest.raises(FleetError, match="there is no store at"):
        restore(store, tmp_path / "none.duckdb")
    assert store.revision() == 0


def test_a_forgotten_unit_is_in_no_byte_of_the_file(store: Store, sheets: Sheets) -> None:
    """Every version of the unit's sheets goes, also one under another token; the counts still add up."""
    gone, stays = "deadbeefdeadbeefdeadbeef", "cafecafecafecafecafecafe"
    store.append(
        sheets({"serial_token": gone, "operator": "op-gone"}, {"serial_token": stays}),
        file_name="a.csv",
        key_check="k",
    )
    store.append(sheets({"serial_token": stays}), file_name="b.csv", supersede=True)
    assert gone.encode() in store.path.read_bytes()
    forgotten = forget_unit(store, gone)
    assert (forgotten.sheets, forgotten.versions) == (1, 2)
    assert "fleet refit" in forgotten.sentence
    assert store.current()["sheet_no"].tolist() == ["A1"]
    kept = b"".join(p.read_bytes() for p in store.path.parent.rglob("*") if p.is_file())
    assert gone.encode() not in kept
    assert b"op-gone" not in kept
    assert stays.encode() in kept
    assert check_store(store).problems == ()
    assert store.revision() == 3


def test_forgetting_what_is_not_there_changes_no_count(store: Store, sheets: Sheets) -> None:
    """A unit unknown to the store is said to be so."""
    store.append(sheets({}), file_name="a.csv")
    assert forget_unit(store, "t").sentence.startswith("Nothing of it was in the store")
    assert store.revision() == 1


def test_a_sheet_without_serial_is_forgotten_by_number(store: Store, sheets: Sheets) -> None:
    """The number is that of one bench."""
    store.append(sheets({"bench": "north"}, {"sheet_no": "A0"}), file_name="a.csv")
    assert forget_sheet(store, "A0", bench="north").versions == 1
    assert store.current()["bench"].tolist() == ["main"]


def test_a_token_is_erased_from_every_other_table_too(store: Store, sheets: Sheets) -> None:
    """Whatever else in the store names the unit goes with it."""
    store.append(sheets({"serial_token": "tok"}), file_name="a.csv", key_check="k")
    spoil(store, "create table cache (unit varchar)", "insert into cache values ('tok-1'), ('other-1')")
    forget_unit(store, "tok")
    with store.reader() as con:
        assert con.execute("select unit from cache").fetchall() == [("other-1",)]


OTHER_TABLE = (
    "create table told "
    "(what varchar, enquiry_id varchar, serial_token varchar, bench varchar, sheet_no varchar, unit varchar)",
    "insert into told values ('by token', null, 'tok', null, null, null), "
    "('by sheet', null, null, 'main', 'A0', null), ('by enquiry', 'E1', null, null, null, null), "
    "('by place', null, null, null, null, 'sheet:main:A0'), "
    "('another', 'E2', 'other', 'main', 'A1', 'sheet:main:A1')",
)


def test_what_was_told_of_a_unit_goes_with_it(store: Store, sheets: Sheets) -> None:
    """Rows of other tables go by the unit's token, by its sheets and by the enquiries these answered."""
    rows = ({"serial_token": "tok", "enquiry_id": "E1"}, {"serial_token": "other", "enquiry_id": "E2"})
    store.append(sheets(*rows), file_name="a.csv", key_check="k")
    spoil(store, *OTHER_TABLE)
    forget_unit(store, "tok")
    with store.reader() as con:
        assert con.execute("select what from told").fetchall() == [("another",)]


def test_what_was_told_of_a_sheet_without_serial_goes_with_it(store: Store, sheets: Sheets) -> None:
    """Forgetting by number reaches the sheet's enquiry too, and no other sheet's."""
    store.append(sheets({"enquiry_id": "E1"}, {"enquiry_id": "E2"}), file_name="a.csv")
    spoil(store, *OTHER_TABLE)
    forget_sheet(store, "A0")
    with store.reader() as con:
        assert con.execute("select what from told").fetchall() == [("by token",), ("another",)]


def test_changing_the_key_reaches_every_table(store: Store, sheets: Sheets) -> None:
    """Tokens that only another table knows are changed with those of the sheets."""
    store.append(sheets({"serial_token": "tok"}), file_name="a.csv", key_check="old")
    spoil(store, *OTHER_TABLE)
    assert change_key(store, str.upper, old_check="old", new_check="new") == 2
    with store.reader() as con:
        tokens = con.execute("select serial_token from told where serial_token is not null").fetchall()
    assert sorted(tokens) == [("OTHER",), ("TOK",)]


def test_a_killed_rewrite_leaves_the_store_whole(
    store: Store, sheets: Sheets, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If writing the file anew fails midway, the old file stands and nothing else is left."""
    store.append(sheets({}), file_name="a.csv")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(backup, "_copy_all", fail)
    with pytest.raises(FleetError, match=r"cannot write in .*no space left"):
        backup.remake(store).__enter__()
    assert len(store.current()) == 1
    assert files_of(store) == ["fleet.duckdb", "fleet.duckdb.lock"]


def test_changing_the_key_changes_every_version(store: Store, sheets: Sheets) -> None:
    """All tokens change in one go, units stay what they were, the old tokens are in no byte of the file."""
    store.append(
        sheets({"serial_token": "tokenbefore"}, {"serial_token": "tokenbefore"}, {}),
        file_name="a.csv",
        key_check="old",
    )
    before = store.current()["unit"].nunique()
    assert change_key(store, lambda t: t.upper() + "-NEW", old_check="old", new_check="new") == 1
    assert store.current()["serial_token"].dropna().unique().tolist() == ["TOKENBEFORE-NEW"]
    assert store.current()["unit"].nunique() == before
    assert b"tokenbefore" not in store.path.read_bytes()
    assert store.key_check() == "new"
    assert change_key(store, str.lower, old_check="old", new_check="new") == 0
    with pytest.raises(FleetError, match="another token key"):
        change_key(store, str.lower, old_check="x", new_check="y")

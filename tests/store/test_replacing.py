"""The store's file is replaced while others write: what was told is there, and links stay links."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.cli import run
from fleet.errors import FleetError, NoStoreError, StoreBusyError
from fleet.files.working import FOLDER, passing_place, working_folders
from fleet.intake import intake_file
from fleet.store import Store, back_up, check_store, forget_unit, restore

Sheets = Callable[..., pd.DataFrame]
LONG = bool(os.environ.get("FLEET_LONG"))
RACES = 25 if LONG else 1
INTAKES = 20 if LONG else 4
"""Races are intakes beside a replacement: 500 in the long form."""

INTAKE = f"""
import sys, time
from pathlib import Path
from fleet.errors import FleetError
from fleet.intake import intake_file
from fleet.store import Store
store, name = Store(sys.argv[1]), f"N{{sys.argv[2]}}"
file = Path(sys.argv[3]) / f"{{name}}.csv"
print("ready", flush=True)
sys.stdin.readline()
for number in range({INTAKES}):
    rows = "".join(f"{{name}}-{{number}}-{{i}},2024-01-01,F1,{{name}}{{i}}\\n" for i in range(80))
    file.write_text("sheet_no,measured_on,body_family,serial\\n" + rows)
    for attempt in range(400):
        try:
            if intake_file(store, file).accepted == 80:
                print(f"{{name}}-{{number}}-", flush=True)
            break
        except FleetError as error:  # told to wait, or the key is being changed or was since the backup
            assert "is in use" in str(error) or "key" in str(error), error
            time.sleep(0.05)
"""
REPLACE = """
import sys
from pathlib import Path
from fleet.intake import change_token_key
from fleet.store import Store, forget_unit, restore
store, kinds = Store(sys.argv[1]), sys.argv[2].split(",")
print("ready", flush=True)
sys.stdin.readline()
for number in range(int(sys.argv[3])):
    what = kinds[number % len(kinds)]
    if what == "restore":
        restore(store, Path(sys.argv[4]))
    elif what == "rekey":
        change_token_key(store)
    else:
        forget_unit(store, f"nobody{number}")
if "rekey" in kinds:
    change_token_key(store)
"""


def run_together(*workers: tuple[object, ...]) -> list[list[str]]:
    """Start workers, let them go at once; what each said."""
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", code, *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for code, *arguments in workers
    ]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    said = [process.communicate(timeout=300) for process in processes]
    for process, (_, error) in zip(processes, said, strict=True):
        assert process.returncode == 0, error
    return [out.split() for out, _ in said]


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kinds", ["restore", "forget", "restore,rekey,forget"][-3 if LONG else -1 :])
def test_an_intake_beside_a_replacement_is_where_it_was_told_to_be(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kinds: str
) -> None:
    """Each intake that was told is whole in the store or in one that was kept, and in no second one since."""
    monkeypatch.setenv("FLEET_KEY_FILE", str(tmp_path / "keys" / "token.key"))
    first = tmp_path / "first.csv"
    first.write_text("sheet_no,measured_on,body_family,serial\nA1,2024-01-01,F1,S\n")
    intake_file(store, first)
    made = back_up(store, tmp_path / "copy.duckdb")
    told: set[str] = set()
    for race in range(RACES):
        replacing = (REPLACE, store.path, kinds, INTAKES // 2, made)
        _, said = run_together(replacing, (INTAKE, store.path, race, tmp_path))
        assert len(said) == INTAKES
        told |= set(said)
    places = [store.path, *store.path.parent.glob("*-before-restore-*")]
    restores = len(
        [n for n in range(INTAKES // 2) if kinds.split(",")[n % (1 + kinds.count(","))] == "restore"]
    )
    assert len(places) == 1 + RACES * restores
    found: dict[str, int] = {}
    for place in places:
        assert check_store(Store(place)).problems == ()
        numbers = Store(place).current(["sheet_no"])["sheet_no"].str.extract(r"^(N\d+-\d+-)")[0]
        for number, rows in numbers.value_counts().items():
            assert rows == 80
            found[str(number)] = found.get(str(number), 0) + 1
    assert told == set(found)
    assert set(found.values()) == {1}


def test_two_restores_within_a_second_keep_both(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """Each store that was there has a name of its own afterwards."""
    made = back_up(store, tmp_path / "copy.duckdb")
    for count in (1, 2, 3):
        store.append(sheets(*[{}] * count), file_name="a.csv")
        kept = restore(store, made)
        assert kept is not None
        assert len(Store(kept).current()) == count
    assert len(list(store.path.parent.glob("*-before-restore-*"))) == 3


def test_a_symbolic_link_stays_one(store: Store, sheets: Sheets, tmp_path: Path) -> None:
    """Whatever replaces a linked store replaces its target: no second file with what was erased in it."""
    store.append(sheets({"serial_token": "deadbeef"}), file_name="a.csv", key_check="k")
    link = tmp_path / "link.duckdb"
    link.symlink_to(store.path)
    named = Store(link)
    assert forget_unit(named, "deadbeef").sheets == 1
    assert link.is_symlink()
    assert b"deadbeef" not in store.path.read_bytes()
    named.append(sheets({}), file_name="b.csv")
    made = back_up(named, tmp_path / "copy.duckdb")
    kept = restore(named, made)
    assert link.is_symlink()
    assert kept is not None
    assert kept.parent == store.path.parent
    dangling = tmp_path / "new.duckdb"
    dangling.symlink_to(tmp_path / "there.duckdb")
    Store(dangling).create()
    assert (tmp_path / "there.duckdb").is_file()


def test_a_store_that_is_gone_is_looked_for_where_it_was_kept(
    store: Store, sheets: Sheets, tmp_path: Path
) -> None:
    """Where a kept store lies beside an empty place nobody makes a new one there, and its name is told."""
    store.append(sheets({}), file_name="a.csv")
    kept = restore(store, back_up(store, tmp_path / "copy.duckdb"))
    store.path.unlink()
    for attempt in (store.open, store.create, store.revision):
        with pytest.raises(NoStoreError, match=f"is kept: fleet restore .*{kept.name if kept else ''}"):
            attempt()
    assert not store.path.exists()
    assert kept is not None
    restore(store, kept)
    assert len(store.current()) == 1


def test_a_writer_waits_for_whoever_replaces(store: Store, sheets: Sheets) -> None:
    """The lock beside the store is held by writers and replacers alike; it is told after the wait."""
    code = (
        "import sys; from pathlib import Path; from fleet.files.replacing import exclusive\n"
        "with exclusive(Path(sys.argv[1]), wait_s=1): print(1, flush=True); sys.stdin.readline()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, store.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        with pytest.raises(StoreBusyError, match="is in use by another program"):
            store.writer(wait_s=0.2).__enter__()
        assert store.revision() == 0
        other.communicate("\n")
    assert store.append(sheets({}), file_name="a.csv").accepted == 1


def test_what_killed_programs_left_is_swept_by_the_next_command(store: Store) -> None:
    """A working folder without a living owner goes with the next command, one in use stays."""
    code = (
        "import os, sys; from pathlib import Path; from fleet.files.working import working_folder\n"
        "with working_folder(Path(sys.argv[1])) as folder:\n"
        "    (folder / 'copy').write_text('secret'); (folder / 'deep').mkdir()\n"
        "    print(1, flush=True); sys.stdin.readline(); os._exit(9)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, store.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        store.open()
        assert len(working_folders(store.path.parent)) == 1
        other.communicate("\n")
    assert len(working_folders(store.path.parent)) == 1
    assert run(["--store", str(store.path), "status"]) == 0
    assert working_folders(store.path.parent) == []
    assert {p.name for p in store.path.parent.glob(f"{FOLDER}/*")} <= {"fleet.duckdb.lock"}


def test_a_full_disk_while_forgetting_changes_nothing(
    store: Store, sheets: Sheets, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the file can't be written anew the unit is still there: nothing is said to be erased that isn't."""
    store.append(sheets({"serial_token": "tok"}), file_name="a.csv", key_check="k")
    before = store.path.read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fleet.store.backup.put_in_place", full)
    with pytest.raises(FleetError, match="cannot write in"):
        forget_unit(store, "tok")
    assert store.path.read_bytes() == before


def test_what_earlier_versions_left_is_swept_too(store: Store, tmp_path: Path) -> None:
    """Old working folders of theirs go with the next command; young ones, others' names and files stay."""
    beside = store.path.parent
    gone = [beside / ".fleet-new-ab12cd_9", passing_place().parent / "fleet-trial-zz09ab_1",
            passing_place().parent / "fleet-upload-zz09ab_1"]  # fmt: skip
    stays = [beside / ".fleet-new-young123", beside / ".fleet-new-photos-of-2024", beside / "fleet-trial"]
    for folder in (*gone, *stays):
        folder.mkdir(exist_ok=True)
        (folder / "copy.duckdb").write_text("secret")
        if folder != stays[0]:
            os.utime(folder, (1e9, 1e9))
    link = beside / ".fleet-new-linked12"
    link.symlink_to(stays[2])
    store.open()
    assert [f for f in gone if f.exists()] == []
    assert [f for f in (*stays, link) if not f.exists()] == []
    assert (stays[2] / "copy.duckdb").exists()

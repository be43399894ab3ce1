"""Killed or refused at any call that changes a file: the store is what it was or what it was to become."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator
from itertools import product

import faulty_disk
import pytest

LONG = bool(os.environ.get("FLEET_LONG"))
COMMANDS = ("intake", "restore", "forget", "rekey", "migrate", "backup")

SCRIPT = """
import json, os, shutil, sys
from pathlib import Path
import duckdb, pandas as pd
import faulty_disk as disk
from fleet.cli import common
from fleet.errors import FleetError
from fleet.files.working import working_folders
from fleet.intake import change_token_key, intake_file, load_key
from fleet.store import Store, back_up, check_store, forget_unit, migrate, restore

root, long, jobs = Path(sys.argv[1]), sys.argv[2] == "True", json.loads(sys.argv[3])
HEAD = "sheet_no,measured_on,body_family,serial\\n"
FIRST = HEAD + "".join(f"A{i},2024-03-01,F{i % 7},S-{i // 2}\\n" for i in range(400))
SECOND = HEAD + "".join(f"B{i},2024-03-01,F{i % 7},T-{i}\\n" for i in range(300))
extra = (*migrate.migrations(), (99, "extra", "create table extra as select range as a from range(9000);"))

def prepare():
    (base / "now").mkdir()
    (base / "first.csv").write_text(FIRST)
    (base / "second.csv").write_text(SECOND)
    intake_file(store, base / "first.csv")
    if command == "restore":
        back_up(store, base / "copy.duckdb")
        intake_file(store, base / "second.csv")

def act():
    if command == "migrate":
        migrate.migrations = lambda: extra
        store.open()
    elif command == "restore":
        restore(store, base / "copy.duckdb")
    elif command == "forget":
        forget_unit(store, load_key(make=False).token("S-7"))
    elif command == "rekey":
        change_token_key(store)
    elif command == "backup":
        back_up(store, base / "now" / "made.duckdb")
    else:
        intake_file(store, base / "second.csv")

def faulty(n):
    disk.arm(n, how)
    try:
        act()
    finally:
        calls = disk.calls()
    return calls

def state(at):
    health = check_store(at)
    assert health.problems == (), health.problems
    return health.sheets

def extra_rows():
    with duckdb.connect(str(store.path)) as con:
        tables = con.execute("select table_name from duckdb_tables() where table_name = 'extra'").fetchall()
        return con.execute("select count(*) from extra").fetchall()[0][0] if tables else 0

def look():
    more = extra_rows() if command == "migrate" else 0
    if command == "migrate":
        migrate.migrations = lambda: extra
    left = sorted(p.name for p in working_folders(store.path.parent))
    store.open()
    assert working_folders(store.path.parent) == [], "leftovers"
    found = {"sheets": state(store), "left": len(left), "extra": more}
    beside = {p.name for p in store.path.parent.iterdir()} - {"fleet.duckdb", "keys", ".fleet-work"}
    found["kept"] = sorted(state(Store(store.path.parent / n)) for n in beside if n.endswith(".duckdb"))
    assert not [n for n in beside if not n.endswith((".duckdb", "fleet.duckdb.wal"))], beside
    found["key"] = load_key(make=False).check == store.key_check()
    if long or command == "rekey":
        change_token_key(store)
        again = intake_file(store, base / "first.csv")
        found["there"], found["faults"] = again.already_there, len(again.faults)
    return found

def once(n):
    shutil.rmtree(base / "now")
    shutil.copytree(base / "before", base / "now")
    status, said = disk.forked(lambda: faulty(n))
    return status, said

def tell(n, status, said):
    ok, found = disk.forked(look)
    row = {"job": [command, how], "n": n, "status": status, "said": said, "sound": ok == 0, "found": found}
    print(json.dumps(row))

def chosen(calls):
    if long:
        return range(1, len(calls) + 1)
    swaps = [i for i, kind in enumerate(calls, 1) if kind in "rl"]
    after = [i + 1 for i in swaps] if how == disk.KILL else []
    return sorted({*swaps, *after, len(calls) // 2, *([] if swaps else [len(calls) - 1])})

undisturbed = {}
for command, how in jobs:
    base = root / ("restore" if command == "restore" else "any")
    store = Store(base / "now" / "fleet.duckdb")
    os.environ["FLEET_KEY_FILE"] = str(base / "now" / "keys" / "token.key")
    if not base.exists():
        base.mkdir()
        assert disk.forked(prepare)[0] == 0
        shutil.copytree(base / "now", base / "before")
    if command not in undisturbed:
        status, undisturbed[command] = once(0)
        assert status == 0, undisturbed[command]
        tell(0, status, undisturbed[command])
    for n in chosen(undisturbed[command]):
        tell(n, *once(n))
"""

FAULTS = list(product(COMMANDS if LONG else ("forget", "restore"), (faulty_disk.FULL, faulty_disk.BROKEN)))
KILLS = [(command, faulty_disk.KILL) for command in COMMANDS]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[dict]:
    """What every command said and left behind, call by call; the long run tries every call.

    Otherwise those that rename or link a file into place, where killed also the calls right after, and one
    half way; the last but one where nothing is put into place. A command's first row is undisturbed.
    """
    folder = tmp_path_factory.mktemp("every_call")
    library = faulty_disk.build(folder)
    return list(faulty_disk.run_under(library, SCRIPT, folder, LONG, json.dumps([*KILLS, *FAULTS])))


def results(told: list[dict], command: str, how: int) -> Iterator[tuple[int, int, str, dict]]:
    """Call by call what one command said and what was there afterwards."""
    for row in told:
        if row["job"] == [command, how]:
            assert row["sound"], row
            yield row["n"], row["status"], row["said"], row["found"]


BEFORE = {"restore": 700}
AFTER = {"intake": 700, "forget": 398}
"""Sheets before and after a command, where they aren't 400."""


def assert_before_or_after(command: str, status: int, found: dict) -> None:
    """One of the two states, whole; told is done; nothing that was there is lost."""
    before, after = BEFORE.get(command, 400), AFTER.get(command, 400)
    assert found["sheets"] in {before, after}
    assert found["extra"] in ({0, 9000} if command == "migrate" else {0})
    assert found["key"] or (command == "rekey" and status), (
        "a rekey that was cut off is ended by the next one"
    )
    if LONG or command == "rekey":
        assert found["there"] == (found["sheets"] if found["sheets"] == 398 else 400)
        assert found["faults"] == 0
    if status == 0:
        assert found["sheets"] == after
        assert found["extra"] == (9000 if command == "migrate" else 0)
        assert found["kept"] == {"restore": [700], "backup": [400]}.get(command, [])
    if found["sheets"] != before and command == "restore":
        assert found["kept"] == [700]


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_kill_at_any_call_leaves_a_whole_store(command: str, told: list[dict]) -> None:
    """No store missing, torn, lost or doubled; what is left over is gone after the next command."""
    rows = list(results(told, command, faulty_disk.KILL))
    assert rows[0][1] == 0
    assert len(rows) > 2
    for _, status, said, found in rows:
        assert status in {0, -9}, said
        assert_before_or_after(command, status, found)
    states = Counter((status, found["sheets"], found["extra"], found["left"]) for _, status, _, found in rows)
    print(f"\n{command}: {len(rows) - 1} kills, (status, sheets, extra, left): {dict(states)}")  # noqa: T201


@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("command", "how"), FAULTS)
def test_a_disk_that_fails_at_any_call_changes_nothing_or_all(
    command: str, how: int, told: list[dict]
) -> None:
    """One line says so, the store is whole, and where nothing is said to be stored nothing is."""
    rows = list(results(told, command, how))
    said = Counter()
    for _, status, line, found in rows:
        assert_before_or_after(command, status, found)
        if status:
            kind, _, text = line.partition(": ")
            said[kind, text.split(":")[0][:40], found["sheets"]] += 1
            if "nothing was stored" in text and command != "migrate":
                assert found["sheets"] == BEFORE.get(command, 400), line
    print(f"\n{command}: {len(rows) - 1} faults: {dict(said)}")  # noqa: T201
    assert {kind for kind, *_ in said} <= {"FleetError", "StoreBusyError"}

"""Killed, cut short, out of room: the store opens again, with whole intakes in or out.

Kills at random moments, many on one store, are in the long run alone; `test_every_call` kills at calls.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest
from worlds import LONG, ideal, tokened

from fleet.fitting.kept_model import load_house
from fleet.fitting.refit import refit
from fleet.store import Store, check_store, migrate

ROWS = 3000
LATEST_S = 1.5
TURNS, MIGRATION_TURNS, KEEPING_TURNS, REFIT_TURNS = 90, 45, 50, 15
"""Kills of each sort: 200."""
RANDOM = pytest.mark.skipif(not LONG or sys.platform == "win32", reason="FLEET_LONG=1, and needs kill -9")
pytestmark = pytest.mark.timeout(3600)

WORKER = f"""
import sys
import pandas as pd
from fleet.store import Store, forget_unit, migrate, undo_intake
store = Store(sys.argv[1]).create()
what, start = sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
for number in range(start, start + 1000):
    if what == "intake":
        frame = pd.DataFrame({{"sheet_no": [f"N{{number}}-{{i}}" for i in range({ROWS})]}})
        frame = frame.assign(measured_on=pd.Timestamp("2024-01-01"), body_family="F1")
        frame = frame.assign(serial_token=frame["sheet_no"])
        store.append(frame, file_name=f"{{number}}.csv", key_check="k")
    elif what == "rewrite":
        forget_unit(store, "nobody")
    print(number, flush=True)
"""

MIGRATING = f"""
import sys
from fleet.store import Store, migrate
store, start, known = Store(sys.argv[1]), int(sys.argv[2]), migrate.migrations()
extra = [
    (len(known) + k, f"extra{{k}}", f"create table extra{{k}} as select range as a from range({ROWS}); "
     f"insert into extra{{k}} select range from range({ROWS});")
    for k in range(1, start + 1000)
]
print("ready", flush=True)
for k in range(start, start + 1000):
    migrate.migrations = lambda k=k: (*known, *extra[:k])
    store.open()
    print(k, flush=True)
"""


def killed(code: str, *arguments: object, after_s: float, after_one: bool = False) -> set[int]:
    """Run a worker, kill it after a while without warning; the numbers that it had said were done.

    ``after_one`` starts the clock when the first number is done, so that a slow machine has one to lose.
    """
    process = subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    first = [process.stdout.readline()] if after_one else []
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    return {int(line) for line in (*first, *process.communicate(timeout=30)[0].split())}


@RANDOM
def test_kills_at_random_moments_leave_whole_intakes(tmp_path: Path) -> None:
    """Intakes and rewritings killed at any moment leave nothing torn, doubled or told and lost."""
    rng = random.Random(3)
    ever_told = 0
    for first in range(0, TURNS, 20):  # a fresh store now and then: a large one is only slower
        store = Store(tmp_path / f"{first}.duckdb")
        told: set[int] = set()
        for turn in range(first, min(first + 20, TURNS)):
            what = "rewrite" if turn % 3 == 2 else "intake"
            done = killed(
                WORKER, store.path, what, turn * 1000, after_s=rng.uniform(0.01, LATEST_S), after_one=not turn
            )
            told |= done if what == "intake" else set()
            health = check_store(store)
            assert health.problems == ()
            intakes = store.intakes()
            assert told <= {int(name.removesuffix(".csv")) for name in intakes["file_name"]}
            assert (intakes["accepted"] == ROWS).all()
            assert health.sheets == health.versions == ROWS * len(intakes)
            assert health.revision == len(intakes)
        ever_told += len(told)
    assert ever_told


@RANDOM
def test_kills_during_migrations_leave_whole_migrations(tmp_path: Path) -> None:
    """A schema change is there with its record and all its rows, or not at all."""
    rng = random.Random(8)
    path = Store(tmp_path / "fleet.duckdb").create().path
    told: set[int] = set()
    have = 0
    for turn in range(MIGRATION_TURNS):
        told |= killed(MIGRATING, path, have + 1, after_s=rng.uniform(0.01, LATEST_S), after_one=not turn)
        with duckdb.connect(str(path)) as con:
            recorded = con.execute("select max(version) from schema_version").fetchall()[0][0]
            have = recorded - len(migrate.migrations())
            tables = con.execute(
                "select table_name from duckdb_tables() where table_name like 'extra%'"
            ).fetchall()
            assert {name for (name,) in tables} == {f"extra{k}" for k in range(1, have + 1)}
            for (name,) in tables:
                assert con.execute(f"select count(*) from {name}").fetchall() == [(2 * ROWS,)]
    assert told <= set(range(1, have + 1))
    assert told


KEEPING = """
import sys
import numpy as np
from fleet.fitting.refit import refit
from fleet.store import Store
from fleet.store.models import save_model
store, what = Store(sys.argv[1]), sys.argv[2]
parts = {f"part{i}": np.arange(500.0 + i) for i in range(80)}
print("ready", flush=True)
for number in range(int(sys.argv[3]), int(sys.argv[3]) + 1000):
    if what == "refit":
        refit(store)
    else:
        save_model(store, revision=1, units=number, arrays=parts, texts={"a": "x" * 20_000, "b": "y"})
    print(number, flush=True)
"""


def model_parts(store: Store) -> dict[int, tuple[int, int, int]]:
    """Of each kept model: how many arrays and texts, and how many numbers they hold."""
    query = """
        select model_id, (select count(*) from model_array a where a.model_id = m.model_id),
            (select count(*) from model_text t where t.model_id = m.model_id),
            (select coalesce(sum(len(numbers)), 0) from model_array a where a.model_id = m.model_id)
        from model m"""
    with store.reader() as con:
        found = con.execute(query).fetchall()
        lone = con.execute("select count(*) from model_array anti join model using (model_id)").fetchall()
    assert lone == [(0,)]
    return {row[0]: tuple(row[1:]) for row in found}


@RANDOM
def test_kills_while_a_model_is_kept_leave_whole_models(tmp_path: Path) -> None:
    """A house model is kept with all its parts or not at all, and one that was told to be kept is there."""
    rng = random.Random(5)
    store = Store(tmp_path / "fleet.duckdb").create()
    told: set[int] = set()
    ever_told = 0
    for turn in range(KEEPING_TURNS):
        if turn % 25 == 0:  # a fresh store now and then: a large one is only slower
            store, told = Store(tmp_path / f"{turn}.duckdb").create(), set()
        told |= killed(
            KEEPING, store.path, "keep", turn * 1000, after_s=rng.uniform(0.01, LATEST_S), after_one=not turn
        )
        parts = model_parts(store)
        assert set(parts.values()) <= {(80, 2, 80 * 500 + sum(range(80)))}
        with store.reader() as con:
            kept = {n for (n,) in con.execute("select units from model").fetchall()}
        assert told <= kept
        ever_told += len(told)
    assert check_store(store).problems == ()
    assert ever_told


@RANDOM
def test_kills_during_refits_leave_sheets_and_models_whole(tmp_path: Path) -> None:
    """Killed anywhere in a refit, the sheets stay as they were and every kept model can be loaded."""
    rng = random.Random(6)
    store = Store(tmp_path / "fleet.duckdb").create()
    sheets = tokened(ideal(41, n_families=6).sheets(100)[0])
    store.append(sheets, file_name="a.csv", key_check="k")
    start = time.monotonic()
    refit(store)
    latest_s = 2.0 * (time.monotonic() - start)
    told: set[int] = set()
    for turn in range(REFIT_TURNS):
        told |= killed(KEEPING, store.path, "refit", turn * 1000, after_s=rng.uniform(0.1, latest_s))
        health = check_store(store)
        assert (health.problems, health.sheets) == ((), len(sheets))
        parts = model_parts(store)
        assert len(set(parts.values())) <= 1
        assert len(parts) > len(told)
        load_house(store)
    assert told


OUT_OF_ROOM = """
import resource, sys
import pandas as pd
from fleet.errors import FleetError
from fleet.store import Store
store = Store(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, 2_000_000))
frame = pd.DataFrame({"sheet_no": [f"N{i * 7919 % 1000003}" for i in range(200_000)]})
frame = frame.assign(measured_on=pd.Timestamp("2024-01-01"), body_family="F1", enquiry_id=frame["sheet_no"])
try:
    store.append(frame, file_name="big.csv")
except FleetError as error:
    print(error)
"""


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_no_room_for_an_intake_is_one_line_and_loses_nothing(store: Store) -> None:
    """Where a file may not grow any further, the intake is refused whole and the store stays as it was."""
    done = subprocess.run(
        [sys.executable, "-c", OUT_OF_ROOM, str(store.path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.startswith("the disk is full: nothing was stored in"), done.stderr
    assert done.stdout.count("\n") == 1
    health = check_store(store)
    assert (health.problems, health.sheets, health.revision) == ((), 0, 0)

"""Killed or refused at any call that changes a file: the store is what it was or what it was to become."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator
from typing import Any

import faulty_disk
import pytest
from every_call import STATES

LONG = bool(os.environ.get("FLEET_LONG"))
EVERY = [(state, command) for state, commands in STATES.items() for command in commands]
KILLS = [job for job in EVERY if LONG or job[0] == "plain"]
FAULTS = [
    (*job, how)
    for job in EVERY
    for how in (faulty_disk.FULL, faulty_disk.BROKEN)
    if job in {("plain", c) for c in ("forget", "restore", "migrate")} or (LONG and "log" not in job[0])
]
SHORT = (("plain", "restore"), ("plain", "intake"), ("plain", "forget", faulty_disk.FULL))
TELL = "import sys, every_call; every_call.main(*sys.argv[1:])"

Rows = list[dict[str, Any]]


def in_two_runs(jobs: list[Any]) -> list[Any]:
    """A few in the short run, the others in the long one."""
    return [job if job in SHORT else pytest.param(*job, marks=pytest.mark.long) for job in jobs]


@pytest.fixture(scope="module")
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rows:
    """What every command said and left behind, call by call; the long run tries every call.

    Otherwise those that rename or link a file into place, where killed also the calls right after, and one
    half way; the last but one where nothing is put into place. A command's first row is undisturbed.
    """
    folder = tmp_path_factory.mktemp("every_call")
    library = faulty_disk.build(folder)
    asked = [item.callspec.params for item in request.session.items if item.path == request.path]
    jobs = sorted((p["state"], p["command"], p.get("how", faulty_disk.KILL)) for p in asked)
    return list(faulty_disk.run_under(library, TELL, folder, json.dumps(jobs), LONG))


def results(told: Rows, *job: object) -> Iterator[tuple[int, str, dict[str, Any]]]:
    """Call by call what one command's exit status and words were, and what was there afterwards."""
    for row in told:
        if row["job"] in (list(job), [*job[:2], faulty_disk.COUNT]):
            assert "unsound" not in row["found"], row
            yield row["status"], row["said"], row["found"]


def assert_before_or_after(command: str, status: int, found: dict[str, Any]) -> None:
    """One of the two states, cell by cell; told is done; nothing that was there is lost.

    Publishing is two steps, each of which is one of two states.
    """
    if command == "publish" and status:
        assert all(table.startswith("share_") for table in found["changed"]), found
    else:
        assert found["is"] in {"before", "after"}, found
    assert found["is"] == "after" or status, "told, and not done"
    assert found["key"] or (command == "rekey" and status), (
        "a rekey that was cut off is ended by the next one"
    )
    assert found["found"] is not (command == "forget" and found["is"] == "after")
    keeps = command in {"restore", "backup"}
    assert found["kept"] == [True] * len(found["kept"])
    assert len(found["kept"]) == 1 if keeps and not status else len(found["kept"]) <= keeps
    if command == "restore":
        assert found["kept"] or found["is"] == "before", "the store that was there is lost"
    elif command != "rekey" or not status:  # whose ledger has the new tokens before the store has them
        assert found["only in the ledger"] == 0, "the ledger names what the store has erased"


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize(("state", "command"), in_two_runs(KILLS))
def test_a_kill_at_any_call_leaves_a_whole_store(state: str, command: str, told: Rows) -> None:
    """No store missing, torn, lost or doubled; what is left over is gone after the next command."""
    rows = list(results(told, state, command, faulty_disk.KILL))
    assert len(rows) > 2
    for status, said, found in rows:
        assert status in {0, -9}, said
        assert_before_or_after(command, status, found)
    outcomes = Counter((found["is"], found["left"] > 0) for status, _, found in rows if status)
    print(f"\n{command}, {state}: {len(rows) - 1} kills, (store, leftovers): {dict(outcomes)}")  # noqa: T201


@pytest.mark.timeout(7200)
@pytest.mark.parametrize(("state", "command", "how"), in_two_runs(FAULTS))
def test_a_disk_that_fails_at_any_call_changes_nothing_or_all(
    state: str, command: str, how: int, told: Rows
) -> None:
    """One line says so, the store is whole, and where nothing is said to be stored nothing is."""
    rows = list(results(told, state, command, how))
    outcomes: Counter[tuple[str, str]] = Counter()
    for status, said, found in rows:
        assert_before_or_after(command, status, found)
        if status:
            kind, _, text = said.partition(": ")
            assert kind in {"FleetError", "StoreBusyError"}, said
            if "nothing was stored" in text and command != "migrate":
                assert not found["changed"] or command == "publish", said
        outcomes["refused" if status else "went on", found["is"]] += 1
    print(f"\n{command}, {state}, {how}: {len(rows) - 1} faults: {dict(outcomes)}")  # noqa: T201
    assert len(rows) > 2

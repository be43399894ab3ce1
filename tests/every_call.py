"""Commands killed or refused at a chosen call, and what is there afterwards, cell by cell.

A store is made once for each state that a command may meet and copied for every try. Each try is a child of
one process that has everything imported, so that a try costs the command and the look at its outcome alone.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import duckdb
import faulty_disk as disk
import numpy as np
from worlds import ideal

from fleet.attainment.publishing import counting_rule, group_counts
from fleet.columns import COLUMNS
from fleet.files.working import working_folders
from fleet.fitting.other_benches import take_in
from fleet.intake import change_token_key, intake_file, load_key
from fleet.policy.policy import Policy
from fleet.sharing.exchange import export_tallies
from fleet.sharing.groups import bring_up_to_date, publish_attainment
from fleet.store import Store, back_up, check_store, connection, forget_unit, migrate, restore, undo_intake
from fleet.store.backup import ledger_file
from fleet.store.models import save_model
from fleet.store.sharing import drop_tallies
from fleet.store.verdicts import record_verdict

REPLACING = ("restore", "forget", "rekey", "migrate")
"""Commands that put another file in the store's place, or change its schema."""
FEW = ("intake", *REPLACING, "backup", "model")
MANY = (*FEW, "undo", "verdict", "publish", "export", "merge", "drop")
STATES = {"plain": FEW, "log": FEW, "published": MANY, "published log": MANY}
"""Commands by the store that they meet: with two intakes, published; the last intake still in its log."""
FORGOTTEN = "S-7"
_FIRST, _ALL = 90, 120


class Bench:
    """One store in a state, the files beside it, and what is done to it.

    Parameters
    ----------
    root : folder to work in
    state : a key of `STATES`
    """

    def __init__(self, root: Path, state: str) -> None:
        self.base, self.state = root / state, state
        self.now = self.base / "now"
        self.store = Store(self.now / "fleet.duckdb")
        os.environ["FLEET_KEY_FILE"] = str(self.now / "keys" / "token.key")
        self.extra = (
            *migrate.migrations(),
            (99, "extra", "create table extra as select range as a from range(9000);"),
        )
        if not self.base.exists():
            self.now.mkdir(parents=True)
            status, said = disk.forked(self._prepare)
            assert status == 0, said
            shutil.copytree(self.now, self.base / "before")

    def _prepare(self) -> None:
        draw_alike(1)
        frame = ideal(8, n_families=5).sheets(_ALL)[0].reindex(columns=list(COLUMNS))
        frame["sheet_no"] = [f"A{i}" for i in range(len(frame))]
        frame["serial"] = [f"S-{i // 2}" for i in range(len(frame))]
        frame["measured_on"] = [str(day)[:10] for day in frame["measured_on"]]
        frame.iloc[:_FIRST].to_csv(self.base / "first.csv", index=False)
        frame.iloc[_FIRST:].to_csv(self.base / "second.csv", index=False)
        frame.iloc[::3].assign(sheet_no=frame["sheet_no"] + "x").to_csv(self.base / "third.csv", index=False)
        intake_file(self.store, self.base / "first.csv")
        back_up(self.store, self.base / "copy.duckdb")
        if "published" in self.state:
            self._publish()
            for number in range(2):
                save_model(
                    self.store, revision=number, units=9, arrays={"a": np.arange(99.0)}, texts={"b": "x"}
                )
            record_verdict(self.store, self._unit(), "healthy")
            for turn, name in ((4, "theirs"), (5, "others")):
                draw_alike(turn)
                other = Store(self.base / f"{name}.duckdb").create()
                intake_file(other, self.base / "first.csv")
                export_tallies(other, self.base / f"{name}.npz", bench=name, smallest=5)
            take_in(self.store, self.base / "theirs.npz", code="south")
        if "log" in self.state:  # its last intake is committed and not yet folded into the file
            connection.QUIET += "; pragma disable_checkpoint_on_shutdown"  # type: ignore[misc]
        intake_file(self.store, self.base / "second.csv")
        assert log_of(self.store).exists() is ("log" in self.state)

    def _unit(self) -> str:
        return str(self.store.current(["unit"])["unit"].iloc[3])

    def _publish(self) -> None:
        ready = bring_up_to_date(self.store, smallest=5)
        publish_attainment(
            self.store, ready, policy=counting_rule(Policy()), count=lambda s: group_counts(s, Policy(), 5)
        )

    def act(self, command: str) -> None:
        """Give one command."""
        draw_alike(2)
        acts: dict[str, Callable[[], object]] = {
            "intake": lambda: intake_file(self.store, self.base / "third.csv"),
            "restore": lambda: restore(self.store, self.base / "copy.duckdb"),
            "forget": lambda: forget_unit(self.store, load_key(make=False).token(FORGOTTEN)),
            "rekey": lambda: change_token_key(self.store),
            "migrate": lambda: self.store.open(),
            "backup": lambda: back_up(self.store, self.now / "made.duckdb"),
            "undo": lambda: undo_intake(self.store, 1),
            "verdict": lambda: record_verdict(self.store, self._unit(), "confirmed", fault="rake_set_wrong"),
            "model": lambda: save_model(
                self.store, revision=9, units=9, arrays={"a": np.arange(999.0)}, texts={"b": "y"}
            ),
            "publish": self._publish,
            "export": lambda: export_tallies(self.store, self.now / "ours.npz", bench="north"),
            "merge": lambda: take_in(self.store, self.base / "others.npz", code="west"),
            "drop": lambda: drop_tallies(self.store, "south"),
        }
        if command == "migrate":
            self._knows_more()
        acts[command]()

    def _knows_more(self) -> None:
        migrate.migrations = lambda: self.extra

    def afresh(self) -> None:
        """Put everything back as it was before any command."""
        shutil.rmtree(self.now)
        shutil.copytree(self.base / "before", self.now)

    def attempt(self, command: str, n: int, how: int) -> tuple[int, Any]:
        """Give a command to a fresh copy, its n-th call failing (none for 0); its calls if it went well."""
        self.afresh()

        def work() -> str:
            disk.arm(n, how)
            try:
                self.act(command)
            finally:
                calls = disk.calls()
            return calls

        return disk.forked(work)

    def look(self, command: str) -> dict[str, Any]:
        """What a command left behind, before and after the next command."""
        now, ledger = held(self.store.path), ledger_file(self.store)
        named = held(ledger)["units"] if ledger.exists() else set()
        left = len(working_folders(self.store.path.parent))
        if command == "migrate":
            self._knows_more()
        self.store.open()
        assert working_folders(self.store.path.parent) == [], "leftovers"
        assert check_store(self.store).problems == ()
        beside = {p.name for p in self.store.path.parent.iterdir()}
        beside -= {"fleet.duckdb", "fleet.duckdb.wal", "keys", ".fleet-work", "ours.npz"}
        assert not [n for n in beside if not n.endswith(".duckdb")], beside
        key, check, tokens = load_key(make=False), now["check"], now["tokens"]
        fits = key is not None and key.check == check
        if command == "rekey":  # the next one ends what the first began
            draw_alike(3)
            change_token_key(self.store)
            key, tokens = load_key(make=False), held(self.store.path)["tokens"]
        return {
            "cells": now["cells"],
            "left": left,
            "only in the ledger": len(named - now["units"]),
            "kept": [held(self.store.path.parent / n)["cells"] for n in sorted(beside)],
            "key": fits,
            "found": key is not None and key.token(FORGOTTEN) in tokens,
        }


def log_of(store: Store) -> Path:
    return store.file.with_name(f"{store.file.name}.wal")


def draw_alike(turn: int) -> None:
    """Let keys and names be the same in every try: outcomes are compared cell by cell."""
    secrets.token_bytes = lambda n=32: bytes([turn]) * n if n > 8 else os.urandom(n)


def held(file: Path) -> dict[str, Any]:
    """What a store or its ledger holds, read past fleet's own code.

    Of every table its rows and a sum of hashes of its cells (of moments, whether there are any); tokens,
    units of published groups, and the check value of the key.
    """
    found: dict[str, Any] = {"cells": {}, "tokens": set(), "units": set(), "check": None}
    with duckdb.connect(str(file), read_only=True) as con:
        columns: dict[str, list[str]] = {}
        for table, column, kind in con.execute(
            "select table_name, column_name, data_type from duckdb_columns() "
            "where table_name in (select table_name from duckdb_tables())"
        ).fetchall():
            moment = kind.startswith(("TIMESTAMP", "DATE"))
            columns.setdefault(table, []).append(f'"{column}"' + " is null" * moment)
        for table, names in sorted(columns.items()):
            row = f"coalesce(bit_xor(hash({', '.join(names)})), 0)::varchar"
            found["cells"][table] = list(con.execute(f'select count(*), {row} from "{table}"').fetchall()[0])
        for name, table, column in (("tokens", "sheet", "serial_token"), ("units", "share_member", "unit")):
            if table in columns:
                found[name] = {row[0] for row in con.execute(f"select {column} from {table}").fetchall()}
        if "store_state" in columns:
            found["check"] = con.execute("select key_check from store_state").fetchall()[0][0]
    return found


def chosen(calls: str, how: int) -> Iterable[int]:
    """The calls that put a file into place, where killed also those right after, and one half way."""
    swaps = [i for i, kind in enumerate(calls, 1) if kind in "rl"]
    after = [i + 1 for i in swaps] if how == disk.KILL else []
    return sorted({*swaps, *after, len(calls) // 2, *([] if swaps else [len(calls) - 1])})


def tell(row: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(row) + "\n")
    sys.stdout.flush()


def main(root: str, jobs: str, every: str) -> None:
    """Try jobs (state, command, what fails): a command undisturbed (call 0), then with each call failing."""
    known: dict[tuple[str, str], tuple[str, Any, Any]] = {}
    for state, command, how in json.loads(jobs):
        bench = Bench(Path(root), state)

        def looked(bench: Bench = bench, command: str = command) -> dict[str, Any]:
            ok, found = disk.forked(lambda: bench.look(command))
            return found if ok == 0 else {"unsound": found}

        if (state, command) not in known:
            bench.afresh()
            before = looked()["cells"]
            status, calls = bench.attempt(command, 0, disk.COUNT)
            assert status == 0, calls
            whole = looked()
            known[state, command] = calls, before, whole["cells"]
            tell(
                {"job": [state, command, 0], "status": 0, "said": calls, "found": judged(whole, before, None)}
            )
        calls, before, after = known[state, command]
        for n in range(1, len(calls) + 1) if every == "True" else chosen(calls, how):
            status, said = bench.attempt(command, n, how)
            found = judged(looked(), before, after)
            tell({"job": [state, command, how], "n": n, "call": calls[n - 1], "status": status, "said": said,
                  "found": found})  # fmt: skip


def judged(found: dict[str, Any], before: Any, after: Any) -> dict[str, Any]:
    """An outcome with the state that the store is in, and which of its tables aren't as they were.

    What was done undisturbed has no other ``after`` than its own.
    """
    if "unsound" in found:
        return found
    cells = found["cells"]
    same = "after" if cells == (after or cells) else "before" if cells == before else "between"
    changed = [t for t in {*cells, *before} if cells.get(t) != before.get(t)]
    return {
        **found,
        "cells": None,
        "is": same,
        "changed": changed,
        "kept": [c == before for c in found["kept"]],
    }

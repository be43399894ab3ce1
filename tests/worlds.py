"""Invented worlds as a bench would know them: sheets taken into a store, a house model fitted on it.

Shared by tests and benchmarks.  `ideal` worlds are those that the bars of the validity tests speak of: no
operator has a habit, since no learner can see one.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from fleet.fitting.fit import fit_store
from fleet.house_model.family_facts import FleetFacts, learn_facts
from fleet.house_model.house import House
from fleet.store import Store
from fleet.store.tallies import DuckEngine
from fleet.tallies.engine import count_combos, held_rows
from fleet.tallies.queries import families_sql
from fleet.tallies.row_sums import RowTallies
from synthetic_data.spec import TIDY
from synthetic_data.world import Noise, World, WorldSpec

LONG = os.environ.get("FLEET_LONG") == "1"
long_only = pytest.mark.skipif(not LONG, reason="in the long run alone: FLEET_LONG=1")
FACTS = (
    "body_family", "generator", "stylus_profile", "cantilever_material", "assembly_source", "vtf_mn",
    "compliance_um_per_mn", "compliance_frequency_hz", "cantilever_length_mm",
)  # fmt: skip


@dataclass(frozen=True)
class Fleet:
    """One invented bench.

    Attributes
    ----------
    world : where its units come from
    current : its sheets as the store gives them (`unit`, `newest` and all)
    fault : what is wrong with each, in the order of ``current``
    house : the house model fitted on it
    """

    world: World
    current: pd.DataFrame
    fault: pd.Series
    house: House


def ideal(seed: int, **spec: Any) -> World:
    """A world whose operators have no habits."""
    return World(WorldSpec(seed=seed, **{**TIDY, "noise": Noise(operator=0.0), **spec}))


def awkward(seed: int, **spec: Any) -> World:
    """A world whose sheets lack and get wrong whatever a workshop's sheets can."""
    return World(WorldSpec(seed=seed, **spec))


def tokened(sheets: pd.DataFrame) -> pd.DataFrame:
    """Sheets as the door would pass them on; invented serials stand for their own tokens."""
    return sheets.rename(columns={"serial": "serial_token"})


@cache
def empty_store() -> Path:
    """An empty store, made once in a process (0.1 s) and copied for each world."""
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Store(folder / "empty.duckdb").create().path


def stored(folder: Path, sheets: pd.DataFrame, *, name: str = "fleet.duckdb") -> Store:
    """A new store with these sheets in it."""
    store = Store(shutil.copy(empty_store(), folder / name))
    store.append(tokened(sheets), file_name="sheets.csv")
    return store


@contextmanager
def passing_store(sheets: pd.DataFrame) -> Iterator[Store]:
    """A store in a folder that goes away again."""
    with tempfile.TemporaryDirectory() as folder:
        yield stored(Path(folder), sheets)


def fleet_of(world: World, n: int, *, stream: int = 0) -> Fleet:
    """n sheets of a world taken in and learnt from."""
    sheets, truth = world.sheets(n, stream=stream)
    with passing_store(sheets) as store:
        house, current = fit_store(store), store.current()
    fault = truth.set_index("sheet_no")["fault"].reindex(current["sheet_no"]).reset_index(drop=True)
    return Fleet(world, current, fault, house)


def fleet_from(world: World, sheets: pd.DataFrame) -> Fleet:
    """A bench of exactly these sheets, whose faults don't matter."""
    with passing_store(sheets) as store:
        house, current = fit_store(store), store.current()
    return Fleet(world, current, pd.Series("", index=current.index), house)


def family_lines(world: World) -> list[dict[str, Any]]:
    """Everything that an enquiry can tell of each family that the bench meets."""
    return [{k: line[k] for k in FACTS} for line in lines(world)]


def house_of(sheets: pd.DataFrame) -> House:
    """The house model of these sheets."""
    with passing_store(sheets) as store:
        return fit_store(store)


@contextmanager
def in_memory(teaching: pd.DataFrame, *, threads: int = 1) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection that holds these sheets as the table ``teaching_sheet``."""
    with duckdb.connect(config={"threads": threads}) as con:
        con.register("sheets_in", teaching)
        con.execute("create table teaching_sheet as select * from sheets_in").fetchall()
        con.unregister("sheets_in")
        yield con


def tallied(con: duckdb.DuckDBPyConnection) -> tuple[RowTallies, FleetFacts]:
    """The tallies of ``teaching_sheet`` and what is known of its families."""
    engine = DuckEngine(con)
    combos = count_combos(engine, "teaching_sheet")
    facts = learn_facts(combos, engine.table(families_sql("teaching_sheet")))
    return held_rows(engine, "teaching_sheet", combos, facts.stand_ins()), facts


def lines(world: World) -> list[dict[str, Any]]:
    """Facts and share of every family that the bench meets, one dictionary a line (family and source)."""
    frame = world.catalogue.frame.assign(share=world.catalogue.share)
    return [{str(k): v for k, v in r.items()} for r in frame[frame["share"] > 0].to_dict("records")]


@cache
def reference(seed: int) -> Fleet:
    """300 sheets over 36 families, the world that most promises speak of; fitted once for all of them."""
    return fleet_of(ideal(seed), 300)


@cache
def bench() -> Fleet:
    """A small bench with every oddity that sheets can have; fitted once, shared by many tests."""
    return fleet_of(awkward(5, n_families=12, n_new_families=2), 420)

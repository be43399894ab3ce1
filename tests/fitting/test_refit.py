"""Fitting what is in the store, keeping it, and the same published numbers whatever the rows' order."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from worlds import bench, ideal, in_memory, stored, tallied, tokened

from fleet.errors import FleetError
from fleet.estimation.fit import fit_house
from fleet.faults.suspects import suspects
from fleet.fitting.fit import fit_store
from fleet.fitting.kept_model import house_or_prior, load_house
from fleet.fitting.refit import refit
from fleet.house_model.archive import to_parts
from fleet.house_model.chain import READING_NOISE
from fleet.house_model.house import House
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.store import Store

POLICIES = {"default": Policy()}
ASKED = pd.DataFrame(
    [
        {"enquiry_id": "Q1", "body_family": "F002"},
        {"enquiry_id": "Q2", "stylus_profile": "elliptical", "cantilever_material": "boron"},
        {"enquiry_id": "Q3", "body_family": "NEW", "vtf_mn": 18.0},
    ]
)


def sheets(n: int = 260) -> pd.DataFrame:
    return ideal(41, n_families=14, spherical_share=0.1).sheets(n)[0]


def published(house: House, current: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What a user gets to see: quotes and suspects."""
    return quote(ASKED, house, POLICIES).table, suspects(house, current).table


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, House, list[str]]:
    """A store with a house model in it, that model as `refit` returned it, and what was told on the way."""
    store = stored(tmp_path_factory.mktemp("kept"), sheets())
    said: list[str] = []
    return store, refit(store, progress=said.append).house, said


def test_a_refit_is_kept_and_loaded_the_same(kept: tuple[Store, House, list[str]]) -> None:
    """What `refit` returns, what the store holds and what is loaded later give identical tables."""
    store, house, said = kept
    assert len(said) >= 4
    first = published(house, store.current())
    again = published(load_house(store), store.current())
    for a, b in zip(first, again, strict=True):
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    assert load_house(store).revision == store.revision()


@pytest.mark.long
def test_rows_shuffled_and_the_store_copied_publish_the_same_numbers(
    kept: tuple[Store, House, list[str]], tmp_path: Path
) -> None:
    """Sheets taken in backwards and in two parts, then a copy of that store's file: identical tables."""
    store, house, _ = kept
    mixed = sheets().sample(frac=1.0, random_state=3)
    other = Store(tmp_path / "other.duckdb").create()
    for part in (mixed.iloc[:100], mixed.iloc[100:]):
        other.append(tokened(part), file_name="part.csv")
    twin = Store(Path(shutil.copy(other.path, tmp_path / "copy.duckdb"))).open()
    want, got = published(house, store.current()), published(fit_store(twin), twin.current())
    for a, b in zip(want, got, strict=True):
        pd.testing.assert_frame_equal(a, b, check_exact=True)


@pytest.mark.long
def test_the_number_of_threads_changes_nothing() -> None:
    """One thread or two over many rows: every array that a kept model would hold is the same.

    DuckDB gives a second thread work only from its second 122 880 rows on, and then seldom where the machine
    is busy; told to, it hands out 2048 rows at a time, so that most queries here are summed up by both.
    """
    teaching = bench().current
    teaching = teaching[teaching["newest"]].reset_index(drop=True)
    rng = np.random.default_rng(1)
    many = teaching.iloc[rng.integers(0, len(teaching), 10_240)].reset_index(drop=True)
    many["zenith_deg"] += rng.normal(0.0, 0.4, len(many))
    many["vta_dynamic_deg"] += rng.normal(0.0, 0.2, len(many))
    found = []
    for threads, order in ((1, many), (2, many.iloc[::-1])):
        with in_memory(order, threads=threads) as con:
            con.execute("pragma verify_parallelism").fetchall()
            tallier, facts = tallied(con)
            found.append(to_parts(fit_house(tallier, facts, READING_NOISE)))
    for name, array in found[0][0].items():
        assert np.array_equal(array, found[1][0][name]), name
    assert found[0][1] == found[1][1]


def test_an_empty_store_says_what_to_do(tmp_path: Path) -> None:
    """No sheet, no model: one line each."""
    store = Store(tmp_path / "fleet.duckdb").create()
    with pytest.raises(FleetError, match="fleet intake FILE"):
        refit(store)
    with pytest.raises(FleetError, match="run `fleet refit`"):
        load_house(store)


def test_without_a_model_the_cold_house_answers(kept: tuple[Store, House, list[str]], tmp_path: Path) -> None:
    """No store, or one without a model: the house of common practice; with a model, that one."""
    assert house_or_prior(Store(tmp_path / "absent.duckdb")).units == 0.0
    assert house_or_prior(stored(tmp_path, sheets(90))).units == 0.0
    store, house, _ = kept
    assert house_or_prior(store).units == house.units == len(store.teaching()) > 200


@pytest.mark.long
def test_an_older_model_can_be_had_by_its_number(
    kept: tuple[Store, House, list[str]], tmp_path: Path
) -> None:
    """More sheets, another model; the first stays under its number, an unknown number is refused."""
    store = Store(Path(shutil.copy(kept[0].path, tmp_path / "own.duckdb"))).open()
    store.append(tokened(sheets(300).iloc[260:]), file_name="more.csv")
    refit(store)
    assert load_house(store, 1).units < load_house(store).units
    with pytest.raises(FleetError, match="house model 7"):
        load_house(store, 7)


@pytest.mark.long
def test_days_limit_which_sheets_teach(tmp_path: Path) -> None:
    """`since` and `before` part the teaching sheets in two."""
    store = stored(tmp_path, sheets(80))
    day = date(2023, 6, 1)
    late, early = fit_store(store, since=day).units, fit_store(store, before=day).units
    teaching = store.teaching()
    assert late + early == len(teaching)
    assert late == (teaching["measured_on"] >= pd.Timestamp(day)).sum() > 0


def test_repeats_count_once_and_check_pickups_never(tmp_path: Path) -> None:
    """Units teach by their newest sheet; reference sheets are not among them."""
    frame = sheets(60)
    frame.loc[:4, "purpose"] = "reference"
    store = stored(tmp_path, frame)
    house = fit_store(store)
    unit_sheets = frame[frame["purpose"] == "unit"]
    assert house.units == unit_sheets["serial"].nunique()

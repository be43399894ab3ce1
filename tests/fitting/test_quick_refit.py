"""A quick refit: exactly what a full summing under the same cut gives, or a full refit that says why."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from worlds import ideal, tokened

from fleet.estimation.extended_fits import extended_fits
from fleet.fitting.kept_model import load_house
from fleet.fitting.quick_refit import FullRefitNeededError, quick_refit, update_store_sums
from fleet.fitting.refit import refit
from fleet.house_model.chain import LINK, LINKS, SPHERICAL
from fleet.house_model.house import CUT_SIGMAS
from fleet.rows import frame_of
from fleet.store import Store
from fleet.store.incremental import KeptBase, keep_base, kept_base, undone_intakes
from fleet.store.tallies import DuckEngine, gather, newest_intake, teaching_relation
from fleet.store.upkeep import forget_unit, undo_intake
from fleet.tallies.engine import count_combos, held_rows
from fleet.tallies.files import tallies_bytes, tallies_from_bytes
from fleet.tallies.incremental import UpdatedSums
from fleet.tallies.sufficient_statistics import SufficientStatistics, statistics_to_parts

WORLD = ideal(31, n_families=16, repeat_share=0.15, retip_share=0.3, spherical_share=0.1)
SHEETS = WORLD.sheets(300)[0]
FIRST = 230


def summed(store: Store, *, since: date | None = None) -> Store:
    """The store with the sums of a full refit kept in it, the fit itself left out."""
    with store.reader() as con:
        gathered = gather(con, teaching_relation(since, None))
        state = newest_intake(con), undone_intakes(con)
    base = KeptBase(store.revision(), *state, since, tallies_bytes(gathered, {}))
    with store.writer() as con:
        keep_base(base, con)
    return store


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A store with the first sheets, and their sums."""
    store = Store(tmp_path_factory.mktemp("quick") / "fleet.duckdb").create()
    store.append(tokened(SHEETS.iloc[:FIRST]), file_name="first.csv")
    return summed(store)


@pytest.fixture
def store(original: Store, tmp_path: Path) -> Store:
    """A copy of it to change."""
    copy = Store(tmp_path / "fleet.duckdb")
    shutil.copy(original.path, copy.path)
    return copy


def base_of(store: Store) -> tuple[KeptBase, SufficientStatistics]:
    with store.reader() as con:
        kept = kept_base(con)
    assert kept is not None
    return kept, tallies_from_bytes(kept.file, "base")[0]


def grown(store: Store) -> UpdatedSums:
    with store.reader() as con:
        return update_store_sums(con, base_of(store)[0])


def held_to_a_full_summing(store: Store, since: date | None = None) -> SufficientStatistics:
    """The quick sums, after comparing each number with a scan of every sheet under the same cut."""
    gathered = grown(store).gathered
    cut, own, new = gathered.cut, base_of(store)[1].facts().fill(), gathered.facts().fill()
    fill = pd.concat([own, new[~new.index.isin(own.index)]]).reset_index()
    with store.reader() as con:
        engine, teaching = DuckEngine(con), teaching_relation(since, None)
        full = held_rows(engine, teaching, count_combos(engine, teaching), fill)
        scan = full.scan(cut.fits)
    pd.testing.assert_frame_equal(frame_of(full.cells), frame_of(cut.cells), check_dtype=False)
    for name, want in scan.sums.items():
        assert np.array_equal(want.moments, cut.sums[name].moments), name
    products = frame_of(scan.products), frame_of(cut.products)
    pd.testing.assert_frame_equal(*products, check_exact=True, check_dtype=False)
    assert {n: c[:2] for n, c in scan.cut.items()} == {n: c[:2] for n, c in cut.cut.items()}
    assert scan.faulty == cut.faulty
    there = store.teaching() if since is None else late(store, since)
    assert gathered.combos["n"].sum() == cut.units == len(there)
    return gathered


def late(store: Store, since: date) -> pd.DataFrame:
    teaching = store.teaching()
    return teaching[teaching["measured_on"] >= pd.Timestamp(since)]


def more_sheets(store: Store) -> None:
    """New units, and repeats of units that were there."""
    store.append(tokened(SHEETS.iloc[FIRST:]), file_name="second.csv")


def corrected(store: Store) -> None:
    """Other readings under known numbers, one with another serial, one with a family that was never seen."""
    frame = SHEETS.iloc[:40].copy()
    frame["zenith_deg"] = frame["zenith_deg"] + 0.7
    frame.loc[frame.index[3], "serial"] = SHEETS["serial"].iloc[200]
    frame.loc[frame.index[5], "body_family"] = "NEW"
    frame.loc[frame.index[6], ["assembly_source", "stylus_profile"]] = ["S99", None]
    store.append(tokened(frame), file_name="corrected.csv", supersede=True)


def undone(store: Store) -> None:
    """An intake comes, and the first one is taken back."""
    more_sheets(store)
    undo_intake(store, 1)


def come_and_gone(store: Store) -> None:
    """An intake that is taken back leaves no trace, nor does the correction of a correction."""
    more_sheets(store)
    undo_intake(store, 2)
    corrected(store)
    undo_intake(store, 3)


def measured_again(store: Store) -> None:
    """The same unit once more, later, with and without a serial, once as the bench's check pickup."""
    frame = SHEETS.iloc[[10, 11, 12]].copy()
    frame["sheet_no"] = ["R1", "R2", "R3"]
    frame["measured_on"] = pd.Timestamp("2030-01-01")
    frame["sra_dynamic_deg"] = frame["sra_dynamic_deg"] + 9.0
    frame.loc[frame.index[1], "serial"] = None
    frame.loc[frame.index[2], "purpose"] = "reference"
    store.append(tokened(frame), file_name="again.csv")


@pytest.mark.parametrize(
    "change",
    [
        more_sheets,
        corrected,
        *(pytest.param(f, marks=pytest.mark.long) for f in (undone, come_and_gone, measured_again)),
    ],
)
def test_quick_sums_are_those_of_a_full_scan(store: Store, change: Callable[[Store], None]) -> None:
    """To the last bit, whatever happened to the store since the full refit."""
    change(store)
    held_to_a_full_summing(store)


def test_what_was_taken_back_leaves_no_trace(store: Store) -> None:
    """Nothing came, or nothing stayed: the sums are those of the full refit, number by number."""
    come_and_gone(store)
    same = grown(store)
    assert (same.added, same.due) == (same.removed, ())
    want, _ = statistics_to_parts(base_of(store)[1])
    got, _ = statistics_to_parts(same.gathered)
    for name, array in want.items():
        assert np.array_equal(array, got[name], equal_nan=True), name


@pytest.mark.long
def test_a_quick_model_is_kept_and_built_on_by_none(tmp_path: Path) -> None:
    """Quick refits leave the full one's sums alone, so how often one refits in between changes nothing."""
    store = Store(tmp_path / "fleet.duckdb").create()
    store.append(tokened(SHEETS.iloc[:60]), file_name="first.csv")
    refit(store)
    kept, _ = base_of(store)
    store.append(tokened(SHEETS.iloc[60:64]), file_name="second.csv")
    done = quick_refit(store)
    assert base_of(store)[0] == kept
    assert done.number == 2
    house = load_house(store)
    assert (house.revision, house.last_intake, house.units) == (2, 2, len(store.teaching()))
    assert "whose cut, spreads and reading noise still stand" in done.sentence


@pytest.mark.long
def test_the_days_of_the_full_refit_stay(store: Store) -> None:
    """A fleet taught from a day on is brought up to date within these days; other days need a full refit."""
    day = date(2022, 6, 1)
    summed(store, since=day)
    more_sheets(store)
    gathered = held_to_a_full_summing(store, since=day)
    assert 0 < gathered.cut.units < len(store.teaching())
    with pytest.raises(FullRefitNeededError, match="other days"):
        quick_refit(store, since=date(2023, 1, 1))


def test_forgetting_a_unit_takes_the_sums_along(store: Store) -> None:
    """Sums that hold a forgotten unit aren't kept, so a full refit is needed."""
    forget_unit(store, SHEETS["serial"].iloc[0])
    with pytest.raises(FullRefitNeededError, match="forgetting"):
        quick_refit(store)


def test_sums_of_another_version_or_another_store_are_refused(store: Store) -> None:
    """What was kept must be of this version, and must hold what is to be taken off."""
    kept, base = base_of(store)
    old = replace(kept, version="0.0.0")
    with store.writer() as con:
        keep_base(old, con)
    with pytest.raises(FullRefitNeededError, match="another version"):
        quick_refit(store)
    few = replace(base, combos={**base.combos, "n": np.ones_like(base.combos["n"])})
    other = replace(kept, file=tallies_bytes(few, {}))
    with store.writer() as con:
        keep_base(other, con)
    more_sheets(store)
    undo_intake(store, 1)
    with pytest.raises(FullRefitNeededError, match="doesn't match"):
        quick_refit(store)


def test_drift_says_that_a_full_refit_is_due(store: Store) -> None:
    """Many changed units, unseen sources, and a cut that bites the new units harder are all told."""
    few = SHEETS.iloc[FIRST : FIRST + 12]
    store.append(tokened(few), file_name="few.csv")
    assert grown(store).due == ()
    frame = SHEETS.iloc[FIRST + 12 :].copy()
    frame.loc[frame.index[:30], "assembly_source"] = "S77"
    frame["zenith_deg"] = frame["zenith_deg"] + 8.0
    store.append(tokened(frame), file_name="drifted.csv")
    said = "; ".join(grown(store).due)
    assert "% of the fleet then" in said
    assert "had not seen" in said
    assert f"{LINK['zenith'].words}: " in said


def test_an_unseen_level_is_cut_wider(original: Store) -> None:
    """Where the family is new, units may stand off by what families differ, and still teach.

    They are supposed to scatter as a plain family's.
    """
    _, base = base_of(original)
    every = frame_of(base.cut.cells)
    cells = every[every["profile"] != SPHERICAL].iloc[:1]
    strange = pd.concat([cells, cells.assign(family="F999")], ignore_index=True)
    fits = extended_fits(base.cut, base.noise_sd, strange)
    for link in LINKS:
        known, new = fits[link.name].bound
        assert known == base.cut.fits[link.name].bound[cells.index[0]]
        s2, source = base.cut.scale_s2[cells["scale_class"]], cells["source"].to_numpy(dtype=object)
        plain = CUT_SIGMAS * np.sqrt(base.cut.spreads[link.name].total(s2, source))[0]
        assert new >= plain * (1.0 - 1e-12)
    assert fits["tracking"].bound[1] > 1.1 * fits["tracking"].bound[0]

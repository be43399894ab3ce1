"""Some of the sheets, and counts of them: the same rows and values as the whole frame has."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from fleet.store import CURRENT_COLUMNS, Store, overview, pick_sheets, undo_intake, unit_of, unit_record
from fleet.store.picking import FEW_WORDS

Build = Callable[..., pd.DataFrame]
ROWS = (
    {
        "stylus_profile": "elliptical",
        "cantilever_material": "boron",
        "assembly_source": "S1",
        "serial_token": "a",
    },
    {
        "stylus_profile": "elliptical",
        "cantilever_material": None,
        "assembly_source": "S2",
        "serial_token": "a",
    },
    {"stylus_profile": None, "cantilever_material": "ruby", "sra_dynamic_deg": 91.5, "bench": "two"},
    {"purpose": "reference", "stylus_profile": "elliptical", "cantilever_material": "boron"},
    {"stylus_profile": "elliptical", "cantilever_material": "boron", "measured_on": "2025-02-01"},
)


@pytest.fixture
def filled(store: Store, sheets: Build) -> Store:
    store.append(sheets(*ROWS), file_name="f.csv")
    return store


def numbers(frame: pd.DataFrame) -> list[str]:
    return sorted(frame["sheet_no"])


def test_everything_is_what_current_gives(filled: Store) -> None:
    """Without filters the rows, values and types are those of `current`."""
    mine = pick_sheets(filled, CURRENT_COLUMNS).sort_values("sheet_no", ignore_index=True)
    theirs = filled.current().sort_values("sheet_no", ignore_index=True)
    pd.testing.assert_frame_equal(mine, theirs, check_dtype=False)
    for name in ("sheet_no", "stylus_profile", "operator", "measured_on", "sra_dynamic_deg", "newest"):
        assert mine[name].dtype == theirs[name].dtype


def test_words_may_come_as_categories(filled: Store) -> None:
    """The same values; only what few sheets differ in is coded, an untold one stays missing."""
    plain, coded = (
        pick_sheets(filled, CURRENT_COLUMNS, coded=c).sort_values("sheet_no", ignore_index=True)
        for c in (False, True)
    )
    few = [name for name in coded if isinstance(coded[name].dtype, pd.CategoricalDtype)]
    assert set(few) == set(FEW_WORDS)
    pd.testing.assert_frame_equal(coded.astype(dict.fromkeys(few, "str")), plain)


def test_filters_leave_what_passes(filled: Store) -> None:
    """By column, by kind with what isn't told, by day; no value accepts all."""
    assert numbers(pick_sheets(filled, ["sheet_no"], where={"kind": ["elliptical/boron"]})) == [
        "A0",
        "A3",
        "A4",
    ]
    assert numbers(pick_sheets(filled, ["sheet_no"], where={"kind": ["(not told)/ruby"]})) == ["A2"]
    assert numbers(pick_sheets(filled, ["sheet_no"], where={"assembly_source": ["S1", "S2"]})) == ["A0", "A1"]
    assert numbers(pick_sheets(filled, ["sheet_no"], where={"bench": []})) == ["A0", "A1", "A2", "A3", "A4"]
    since = pick_sheets(filled, ["sheet_no"], since=dt.date(2025, 1, 1))
    assert numbers(since) == ["A4"]
    before = pick_sheets(filled, ["sheet_no"], before=dt.date(2024, 1, 3))
    assert numbers(before) == ["A0", "A1"]


def test_counting_takes_each_unit_once(filled: Store) -> None:
    """Check pickups are left out; of two sheets of one assembly the newest counts."""
    frame = filled.current()
    own = frame[frame["newest"] & (frame["purpose"] != "reference")]
    assert numbers(pick_sheets(filled, ["sheet_no"], counting=True)) == numbers(own)


def test_the_newest_come_first_and_no_check_pickup(filled: Store) -> None:
    """At most so many, the newest day first."""
    assert pick_sheets(filled, ["sheet_no"], newest_first=2)["sheet_no"].tolist() == ["A4", "A2"]


def test_at_most_so_many_of_each(filled: Store) -> None:
    """The same ones every time, none of a group left out."""
    some = pick_sheets(filled, ["sheet_no", "stylus_profile"], each=("stylus_profile", 1))
    assert len(some) == 2
    assert numbers(some) == numbers(pick_sheets(filled, ["sheet_no"], each=("stylus_profile", 1)))


def test_a_value_is_never_taken_for_sql(filled: Store) -> None:
    """A quote in a filter's value matches nothing and does nothing."""
    assert pick_sheets(filled, ["sheet_no"], where={"bench": ["x') or (1=1"]}).empty
    with pytest.raises(ValueError, match="expected kind or one of CURRENT_COLUMNS"):
        pick_sheets(filled, ["sheet_no"], where={"bench) or (1=1": ["x"]})
    with pytest.raises(ValueError, match="expected some of CURRENT_COLUMNS"):
        pick_sheets(filled, ["sheet_no; drop table sheet"])


def test_the_overview_counts(filled: Store) -> None:
    """Sheets, units' sheets, years and levels, the most frequent first."""
    found = overview(filled)
    assert (found.sheets, found.unit_sheets) == (5, 4)
    assert found.years == (2025, 2024)
    assert list(found.levels["stylus_profile"].items()) == [("elliptical", 4)]
    assert found.levels["cantilever_material"] == {"boron": 3, "ruby": 1}


@pytest.fixture
def tangled(store: Store, sheets: Build) -> pd.DataFrame:
    """Current sheets of few serials at two benches: retips, corrections of serials, an undone intake."""
    rng = np.random.default_rng(3)

    def some(n: int, start: int) -> pd.DataFrame:
        return sheets(
            *(
                {
                    "sheet_no": f"N{start + i}",
                    "measured_on": f"2024-{rng.integers(1, 13):02d}-{rng.integers(1, 29):02d}",
                    "serial_token": rng.choice(["a", "b", "c-2", "d", None]),
                    "bench": rng.choice(["one", "two"]),
                    "assembly_source": rng.choice(["S1", "S2", None]),
                    "peculiarities": rng.choice(["retipped", None], p=[0.2, 0.8]),
                    "purpose": rng.choice(["unit", "reference"], p=[0.9, 0.1]),
                    "stylus_profile": rng.choice(["elliptical", None]),
                }
                for i in range(n)
            )
        )

    first = some(60, 0)
    store.append(first, file_name="a.csv")
    moved = first.iloc[::6].assign(serial_token=[*"ab", *[None] * 4, *"dbca"])
    store.append(moved, file_name="b.csv", supersede=True)
    gone = store.append(some(10, 100), file_name="c.csv").intake_id
    undo_intake(store, gone)
    return store.current()


def test_a_few_sheets_are_told_as_among_all(store: Store, tangled: pd.DataFrame) -> None:
    """Asked for by number, serial or unit, or the newest alone: what a look at every sheet gives."""
    with store.reader():
        every = tangled.sort_values(["measured_on", "bench", "sheet_no"], ignore_index=True)
        assert 8 < every["unit"].nunique() < len(every)
        for name in ("sheet_no", "serial_token", "unit"):
            for value in every[name].dropna().unique()[:: {"sheet_no": 18, "unit": 6}.get(name, 1)]:
                mine = pick_sheets(store, CURRENT_COLUMNS, where={name: [value]})
                pd.testing.assert_frame_equal(mine, every[every[name] == value].reset_index(drop=True))
        mine = pick_sheets(store, CURRENT_COLUMNS, where={"purpose": ["reference"]})
        pd.testing.assert_frame_equal(mine, every[every["purpose"] == "reference"].reset_index(drop=True))
        assert pick_sheets(store, ["unit"], where={"unit": ["nobody-1"]}).empty
        own = every[every["purpose"] == "unit"].sort_values(
            ["measured_on", "bench", "sheet_no"], ascending=[False, True, True], ignore_index=True
        )
        counted = own[own["newest"]]
        for most in (8, len(counted) - 1, 100):
            for rows, counting in ((own, False), (counted, True)):
                mine = pick_sheets(store, CURRENT_COLUMNS, newest_first=most, counting=counting)
                pd.testing.assert_frame_equal(mine, rows.head(most).reset_index(drop=True))
        early = counted[(counted["measured_on"] < "2024-10-01") & counted["stylus_profile"].isna()]
        mine = pick_sheets(
            store, CURRENT_COLUMNS, where={"stylus_profile": ["(not told)"]}, before=dt.date(2024, 10, 1),
            newest_first=3, counting=True,
        )  # fmt: skip
        pd.testing.assert_frame_equal(mine, early.head(3).reset_index(drop=True))


def test_a_unit_is_found_and_told_as_among_all(store: Store, tangled: pd.DataFrame) -> None:
    """By its name or its sheet's number: the unit, and every sheet of its serial."""
    with store.reader():
        own = tangled[tangled["purpose"] == "unit"].sort_values(["measured_on", "sheet_no", "bench"])
        for _, sheet in own.drop_duplicates("unit").iloc[::6].iterrows():
            assert unit_of(store, sheet["unit"]) == unit_of(store, sheet["sheet_no"]) == sheet["unit"]
            alone = pd.isna(sheet["serial_token"])
            same = own["unit"] == sheet["unit"] if alone else own["serial_token"] == sheet["serial_token"]
            visits = unit_record(store, unit=sheet["unit"]).visits
            assert visits["sheet_no"].tolist() == own.loc[same, "sheet_no"].tolist()
            assert visits["unit"].tolist() == own.loc[same, "unit"].tolist()

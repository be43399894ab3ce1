"""How units are put into groups, and what a group gives away."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worlds import ideal, stored

from fleet.errors import FleetError
from fleet.house_model.chain import FACTORS, LINK, READINGS, SHARED
from fleet.sharing import blur
from fleet.sharing.content import WITHHELD, labels_of, published_count, sums_of_faulty, sums_of_units, told_as
from fleet.sharing.generalisation import LADDER, form_groups, in_common
from fleet.sharing.groups import bring_up_to_date, publish_attainment
from fleet.sharing.rows import export_rows
from fleet.sharing.units import Units, repeats, teaching_units
from fleet.store import Store
from fleet.store.sharing import UNITS
from fleet.store.tallies import TEACHING, gather


def factor_frame(rows: list[tuple[str, str, str, str]]) -> pd.DataFrame:
    """Factors of units from (profile, source, family, frequency)."""
    frame = pd.DataFrame(rows, columns=["profile", "source", "family", "frequency"])
    return frame.assign(cantilever="boron", generator="moving_coil", bench="main")[list(FACTORS)]


rows_of_units = st.lists(
    st.tuples(
        st.sampled_from(["elliptical", "line_contact"]),
        st.sampled_from("PQ"),
        st.sampled_from("abcd"),
        st.sampled_from(["", "10", "100"]),
        st.integers(2020, 2024),
        st.booleans(),
    ),
    max_size=120,
)


@settings(deadline=None, max_examples=60)
@given(rows_of_units, st.integers(3, 7))
def test_groups_are_disjoint_large_enough_and_of_a_kind(rows: list[tuple], smallest: int) -> None:
    """Whatever the units: no group has fewer whole ones, none stands twice, all share a kind."""
    factors = factor_frame([r[:4] for r in rows])
    year = np.array([r[4] for r in rows], dtype=np.int64)
    whole = np.array([r[5] for r in rows], dtype=bool)
    groups = form_groups(factors, year, whole, smallest)
    used = np.concatenate([*groups, np.empty(0, dtype=int)])
    assert len(used) == len(set(used.tolist()))
    for group in groups:
        assert whole[group].sum() >= smallest
        assert in_common(factors.iloc[group])["profile"] != ""
    rest = np.setdiff1d(np.arange(len(rows)), used)
    for names, times in LADDER[-1:]:
        left = factors.iloc[rest].assign(whole=whole[rest]).groupby(list(names))["whole"].sum()
        assert (left < times * smallest).all()


def test_families_stand_apart_and_few_wait() -> None:
    """Seven units of one family are a group, four of another wait; a frequency not told is the one told."""
    factors = factor_frame(
        [("elliptical", "P", "a", "10")] * 4
        + [("elliptical", "P", "a", "")] * 3
        + [("elliptical", "P", "b", "10")] * 4
    )
    groups = form_groups(factors, np.full(11, 2024), np.ones(11, dtype=bool), 5)
    assert [g.tolist() for g in groups] == [[0, 1, 2, 3, 4, 5, 6]]
    assert in_common(factors.iloc[groups[0]])["frequency"] == "10"


def test_a_large_group_is_cut_by_years() -> None:
    """Ten units in each of two years are two groups; nine in one of them are one."""
    factors = factor_frame([("elliptical", "P", "a", "10")] * 20)
    whole = np.ones(20, dtype=bool)
    year = np.repeat([2023, 2024], 10)
    assert [len(g) for g in form_groups(factors, year, whole, 5)] == [10, 10]
    year = np.repeat([2023, 2024], [11, 9])
    assert [len(g) for g in form_groups(factors, year, whole, 5)] == [20]


@pytest.mark.parametrize(
    ("units", "in_set", "told"),
    [
        (20, 20, 20),
        (20, 19, 20),
        (20, 18, 20),
        (20, 17, 15),
        (20, 13, 15),
        (20, 12, 10),
        (7, 5, 7),
        (8, 5, 3),
    ],
)
def test_how_many_are_missing_is_told_in_fives(units: int, in_set: int, told: int) -> None:
    """By hand, with a smallest group of five."""
    assert published_count(units, in_set, 5) == told


@pytest.mark.parametrize(
    ("values", "own"),
    [
        ([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], True),
        ([1.0, 2.0, 3.0, 4.0, 5.0], False),
        ([1.0] * 9 + [2.0], False),
        ([1.0] * 5 + [2.0] * 5, True),
        ([1.0] * 6 + [2.0] * 4, False),
    ],
)
def test_a_covariate_is_told_where_no_sum_can_be_made_to_rest_on_few(values: list[float], own: bool) -> None:
    """By hand: leaving out the units of any one value must leave five; else all are told the mean."""
    told = told_as("s", np.array(values), 5)
    assert told is None if own else told == pytest.approx(np.mean(values))
    assert {told_as(name, np.array(values), 5) for name in WITHHELD} == {0.0}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Store, Units]:
    world = ideal(6, n_families=5)
    store = stored(tmp_path_factory.mktemp("groups"), world.sheets(220)[0])
    with store.reader() as con:
        gathered = gather(con, TEACHING)
    units = teaching_units(store.teaching(), gathered)
    for name in SHARED:
        assert units.inside[name].sum() == gathered.cut.sums[name].counts.sum(), name
    return store, units


def test_a_group_of_several_families_hides_their_difference_from_the_spread(
    bench: tuple[Store, Units],
) -> None:
    """Its mean is the units' own, less what warmth and age do; its scatter is that within families."""
    _, units = bench
    inside = np.flatnonzero(np.all([units.inside[n] for n in ("tracking", "built_in", "sag")], axis=0))
    family = units.factors["family"].to_numpy()
    told = sums_of_units(units, inside, 5)["links"]["built_in"]
    n, total, square = told[0], told[3], told[-1]
    y = units.observed["y_built_in"].to_numpy()[inside] - LINK["built_in"].centre
    for covariate in ("warm", "aged"):
        slope = units.slopes["built_in"][covariate][inside]
        y = y - slope * units.observed[covariate].to_numpy()[inside]
    assert told[1:3] == [0.0, 0.0]
    assert n == len(inside)
    assert total / n == pytest.approx(y.mean(), abs=1e-9)
    within = np.mean([np.var(y[family[inside] == f]) for f in np.unique(family)])
    scatter = square / n - (total / n) ** 2
    assert scatter < 1.25 * within
    assert np.var(y) > 1.5 * within, "families hardly differ: the test says nothing"


def test_sets_under_the_smallest_group_are_left_out(bench: tuple[Store, Units]) -> None:
    """Four units tell nothing but which factors they share; a group says what all have in common."""
    _, units = bench
    first = np.flatnonzero(units.inside["zenith"])[:4]
    assert sums_of_units(units, first, 5)["links"] == {}
    labels = labels_of(units, np.arange(len(units.unit)))
    assert labels["by bench"] == labels["bench"] == units.factors["bench"].iloc[0]
    assert "by year" not in labels
    assert labels["family"] == ""


def test_faulty_units_are_told_by_source_only_where_enough_are(bench: tuple[Store, Units]) -> None:
    """All of them are told, under a source of at least five or under none."""
    _, units = bench
    source = units.factors["source"].to_numpy()
    names, counts = np.unique(source, return_counts=True)
    most = names[counts.argmax()]
    chosen = np.concatenate([np.flatnonzero(source == most)[:6], np.flatnonzero(source != most)[:5]])
    told = sums_of_faulty(units, chosen, 5)
    assert sum(told.values()) == 11
    assert told[str(most)] == 6
    assert all(n >= 5 for n in told.values())
    assert sums_of_faulty(units, chosen[:7], 5) == {"": 7.0}


@pytest.mark.long
def test_groups_of_the_older_format_are_told_anew(tmp_path: Path) -> None:
    """The same units, attainment as published, other sums; a group with too few units as they were goes."""
    store = stored(tmp_path, ideal(6, n_families=8).sheets(80)[0])
    before = bring_up_to_date(store, smallest=5)
    smallest = min((g for g in before.of(UNITS)), key=lambda g: g.units)
    assert smallest.units < 9
    with store.writer() as con:
        con.execute("update share_group set format = 1, counts = '{\"a\": 1}', content = '{}'").fetchall()
        con.execute("update share_state set revision = null").fetchall()
        changed = list(smallest.members)[:-4]
        con.execute(
            "update share_member set record = 'old' where group_id = $id and unit in (select unnest($units))",
            {"units": changed, "id": smallest.group_id},
        ).fetchall()
    after = {g.group_id: g for g in bring_up_to_date(store).of(UNITS)}
    assert smallest.group_id not in after
    for group in before.of(UNITS):
        if group.group_id != smallest.group_id:
            now = after[group.group_id]
            assert (dict(now.members), now.counts, now.format) == (dict(group.members), {"a": 1}, 2)
            assert now.content["links"]["zenith"] == group.content["links"]["zenith"]
    held = {r for g in after.values() for r in g.members.values()}
    assert not held & {smallest.members[u] for u in list(smallest.members)[-4:]}


def test_counts_published_as_they_were_are_blurred_from_now_on(tmp_path: Path) -> None:
    """Exact counts that a store published get an error at the next publication, and keep it."""
    store = stored(tmp_path, ideal(6, n_families=8).sheets(80)[0])
    ready = bring_up_to_date(store, smallest=5)
    with store.writer() as con:
        exact = json.dumps({f"target {i}": [5, 3] for i in range(20)})
        con.execute("update share_group set counts = ?", [exact]).fetchall()
    told = []
    for _ in range(2):
        ready = publish_attainment(store, ready, policy="{}", count=lambda _: {})
        told.append([dict(g.counts or {}) for g in ready.of(UNITS)])
    assert told[0] == told[1]
    assert all(len(count) == 3 for counts in told[0] for count in counts.values())
    off = [count[1] - 3 for counts in told[0] for count in counts.values()]
    assert len(set(off)) > 1, "by chance all alike less than once in 10^9 times"


def test_blurred_counts_are_right_on_average() -> None:
    """Over many groups errors cancel and scatter as said; one answer changes a chance 4.5 times at most."""
    told = [blur.blur_counts({"a": [7, 3], "b": [9, 0]}, "key", [str(i)]) for i in range(20_000)]
    for name, met in (("a", 3), ("b", 0)):
        off = np.array([t[name][1] - met for t in told])
        variance = told[0][name][2]
        assert off.mean() == pytest.approx(0.0, abs=4.0 * (variance / 20_000) ** 0.5)
        assert off.var() == pytest.approx(variance, rel=0.08)
        share = [np.count_nonzero(off == k) for k in (-2, -1, 0, 1, 2)]
        assert share[3] / share[2] == pytest.approx(np.exp(-blur.COUNT_EPSILON), rel=0.1)
        assert share[4] / share[3] == pytest.approx(np.exp(-blur.COUNT_EPSILON), rel=0.15)
    assert np.corrcoef([t["a"][1] for t in told], [t["b"][1] for t in told])[0, 1] < 0.03


def test_blurred_squares_are_right_on_average() -> None:
    """The factor on a squared difference is one on average, and the same for the same text."""
    texts = [str(i) for i in range(20_000)]
    told = blur.blur_squares(np.ones(20_000), "key", texts)
    assert told.mean() == pytest.approx(1.0, abs=0.02)
    assert told.var() == pytest.approx(1.0 / blur.REPEAT_SHAPE, rel=0.06)
    np.testing.assert_array_equal(blur.blur_squares(np.ones(3), "key", texts[:3]), told[:3])


def test_repeats_are_pairs_of_one_unit(bench: tuple[Store, Units]) -> None:
    """Differences are of consecutive sheets of a unit, at most 92 days apart, slips left out."""
    store, _ = bench
    current = store.current()
    found = repeats(current, dict.fromkeys(READINGS, 0.3))
    counts = current.groupby("unit").size()
    assert 0 < len(found.unit) <= (counts - 1).sum()
    assert set(found.record) == set(found.unit)
    assert found.difference["zenith_deg"].abs().max() <= 4 * 0.3 * np.sqrt(2)


def test_the_smallest_group_is_settled_by_the_first_publication(tmp_path: Path) -> None:
    """Another size later is refused, and so is one that lets two owners work each other out."""
    store = stored(tmp_path, ideal(6, n_families=5).sheets(60)[0])
    with pytest.raises(FleetError, match="at least 3 units, got 2"):
        bring_up_to_date(store, smallest=2)
    assert all(g.units >= 6 for g in bring_up_to_date(store, smallest=6).groups)
    with pytest.raises(FleetError, match="groups of at least 6 units"):
        bring_up_to_date(store, smallest=5)
    assert bring_up_to_date(store).smallest == 6


def test_rows_name_no_sheet_and_no_unit_twice_alike(bench: tuple[Store, Units], tmp_path: Path) -> None:
    """Months for days, no number, operator or token; another export names the same units otherwise."""
    store, _ = bench
    current = store.current()
    tables = []
    for name in ("a.parquet", "b.parquet"):
        assert export_rows(store, tmp_path / name) == len(current)
        tables.append(pd.read_parquet(tmp_path / name))
    first, second = tables
    assert not {"sheet_no", "operator", "measured_on", "serial_token", "enquiry_id"} & set(first)
    assert first["month"].str.fullmatch(r"\d{4}-\d{2}").all()
    assert first["unit"].nunique() == current["unit"].nunique()
    assert not set(first["unit"]) & (set(second["unit"]) | set(current["unit"]))
    assert first["zenith_deg"].sum() == pytest.approx(current["zenith_deg"].sum())
    with pytest.raises(FleetError, match=r"end its name in \.parquet"):
        export_rows(store, tmp_path / "rows.csv")

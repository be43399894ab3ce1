"""Sums by SQL and sums of fetched rows: the same numbers to the last bit, whatever their size."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import duckdb
import numpy as np
import pandas as pd
import pytest
from worlds import ideal, in_memory, tallied, tokened

from fleet.estimation.trimmed_statistics import trimmed_to_parts
from fleet.estimation.trimming import trim_tallies
from fleet.house_model.chain import JUDGED, READING_NOISE, responses
from fleet.house_model.family_facts import learn_facts
from fleet.rows import frame_of
from fleet.store.tallies import DuckEngine
from fleet.tallies import queries as sql
from fleet.tallies.engine import Enough, coded_rows, count_combos, digest_bounds, gather, held_rows
from fleet.tallies.row_sums import Totals, beginnings
from fleet.tallies.sufficient_statistics import SufficientStatistics


class SumsThere(DuckEngine):
    """DuckDB that sums by SQL, as Spark does."""

    sums_there = True


@pytest.fixture(scope="module")
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """600 sheets with gaps, repeats and faults; their units as the store tells them."""
    frame = ideal(3, n_families=9, spherical_share=0.1).sheets(600)[0]
    rng = np.random.default_rng(1)
    for name in ("assembly_source", "stylus_profile", "vtf_mn", "sra_static_deg", "vta_dynamic_deg"):
        frame.loc[rng.random(len(frame)) < 0.1, name] = None
    frame = tokened(frame).drop_duplicates("serial_token")
    with in_memory(frame.assign(unit=frame["serial_token"], purpose="unit")) as con:
        yield con


def parts_of(found: SufficientStatistics) -> tuple[dict[str, np.ndarray], dict[str, str]]:
    return trimmed_to_parts(found.cut)


def test_sql_and_fetched_rows_give_the_same_bits(con: duckdb.DuckDBPyConnection) -> None:
    """A cut found on a third, sums of all: every number and text alike, new cells included."""
    found = [
        gather(engine, "teaching_sheet", "teaching_sheet", enough=Enough(200, 10.0))
        for engine in (DuckEngine(con), SumsThere(con))
    ]
    (arrays, texts), (others, told) = map(parts_of, found)
    assert texts == told
    for name, array in arrays.items():
        assert np.array_equal(array, others[name], equal_nan=True), name
    assert found[0].cut.units == len(con.sql("select * from teaching_sheet").df())


def test_the_part_depends_on_the_sheets_alone(con: duckdb.DuckDBPyConnection) -> None:
    """In another order the same sheets are looked at; every small family is there whole, large ones alike."""
    engine = DuckEngine(con)
    combos = count_combos(engine, "teaching_sheet")
    bounds = digest_bounds(combos, Enough(10_000, 10.0))
    assert bounds is None
    counts = frame_of(combos).groupby("family")["n"].sum()
    few = digest_bounds({**combos, "n": combos["n"] * 100}, Enough(10_000, 10.0))
    assert few is not None
    share = [1.0 if b == "~" else int(b, 16) / 2**32 for b in few["below"]]
    expected = np.array(share) * 100 * counts.to_numpy()
    assert expected.sum() == pytest.approx(10_000, abs=1)
    whole = np.array(share) == 1.0
    np.testing.assert_allclose(expected[~whole], expected[~whole].max(), atol=1.0)
    assert (expected[whole] <= expected.max()).all()
    engine.put(sql.SUBSET, {**few, "below": np.full(len(counts), "80000000", dtype=object)})
    first, turned = (
        set(con.sql(f"select sheet_no from ({sql.part_sql(source)}) x").df()["sheet_no"])
        for source in ("teaching_sheet", "(select * from teaching_sheet order by sheet_no desc)")
    )
    assert first == turned
    assert 0.4 < len(first) / counts.sum() < 0.6


def test_noise_of_late_does_not_depend_on_the_order_of_the_sheets(con: duckdb.DuckDBPyConnection) -> None:
    """To the last bit, with all rows and with about a third of them."""
    for most in (10_000, 150):
        found = []
        for source in ("teaching_sheet", "(select * from teaching_sheet order by md5(sheet_no))"):
            engine = DuckEngine(con)
            combos = count_combos(engine, "teaching_sheet")
            facts = learn_facts(combos, engine.table(sql.families_sql("teaching_sheet")))
            held = held_rows(engine, source, combos, facts.stand_ins())
            found.append(held.residuals(trim_tallies(held, READING_NOISE).fits, JUDGED, most))
        for one, other in zip(*found, strict=True):
            assert np.array_equal(one, other, equal_nan=True)
            assert len(one) > 50


def test_a_cut_found_on_a_part_is_nearly_that_of_all(con: duckdb.DuckDBPyConnection) -> None:
    """On half of the sheets: the units cut are nearly those that all sheets would have cut."""
    part, whole = (
        gather(DuckEngine(con), "teaching_sheet", "teaching_sheet", enough=Enough(n, 10.0)).cut
        for n in (300, 10_000)
    )
    assert part.units == whole.units
    (n, cut, _), (n_whole, cut_whole, _) = (np.array(list(x.cut.values())).T for x in (part, whole))
    assert np.array_equal(n, n_whole)
    assert abs(cut - cut_whole).max() <= 0.02 * part.units
    assert cut.sum() == pytest.approx(cut_whole.sum(), rel=0.3)


def test_sums_of_any_size_are_the_double_next_to_the_true_sum() -> None:
    """Codes whose products are beyond 2^53 and whose sums beyond 2^63, against Python's own whole numbers."""
    rng = np.random.default_rng(5)
    n = 4000
    group = np.sort(rng.integers(0, 3, n))
    columns = [
        np.ones(n),
        rng.integers(-(10**4), 10**4, n).astype(float),
        rng.integers(-(10**10), 10**10, n).astype(float),
    ]
    pairs = [(i, j) for i in range(3) for j in range(i, 3)]
    found = []
    for order in (np.arange(n), rng.permutation(n)):
        totals = Totals(3, pairs)
        for rows in np.array_split(order, 7):
            rows = rows[np.argsort(group[rows], kind="stable")]
            totals.add(group[rows], beginnings(group[rows]), [c[rows] for c in columns])
        found.append(totals.values())
    assert np.array_equal(found[0], found[1])
    for g in range(3):
        for p, (i, j) in enumerate(pairs):
            mine = group == g
            true = sum(int(a) * int(b) for a, b in zip(columns[i][mine], columns[j][mine], strict=True))
            assert found[0][g, p] == float(Fraction(true)), (g, i, j)
    assert np.abs(found[0]).max() > 2.0**63


def test_cells_are_numbered_in_order_of_their_factors(con: duckdb.DuckDBPyConnection) -> None:
    """The number in a coded row finds the cell with the row's own factors."""
    _, facts = tallied(con)
    engine = DuckEngine(con)
    numbered, query = coded_rows(
        engine, "teaching_sheet", count_combos(engine, "teaching_sheet"), facts.stand_ins()
    )
    keys = list(sql.CELL_KEYS)
    cells = frame_of(numbered)
    assert cells.equals(cells.sort_values(keys, ignore_index=True))
    got = cells.loc[con.sql(query).df()["cell"], keys].astype(str).value_counts(sort=False).sort_index()
    rows = responses(con.sql("select * from teaching_sheet").df(), facts.fill())
    want = rows[keys].astype(str).value_counts(sort=False).sort_index()
    pd.testing.assert_series_equal(got, want)

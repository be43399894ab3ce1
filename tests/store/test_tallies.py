"""Tallies: SQL sees what the arrays see, sums are exact, additive, and the same in any order."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from worlds import bench, in_memory, tallied

from fleet.estimation.extended_fits import CELL_KEYS
from fleet.house_model.cell_sums import Fitted
from fleet.house_model.chain import (
    COVARIATES,
    FACTORS,
    JUDGED,
    LINK,
    LINKS,
    PAIR_COVARIATES,
    PAIRED,
    PRODUCTS,
    READINGS,
    RESPONSES,
    covariate_unit,
    responses,
)
from fleet.rows import Columns, frame_of, height
from fleet.store.tallies import DuckEngine
from fleet.tallies.engine import count_combos, held_rows
from fleet.tallies.queries import RESIDUAL_UNIT, cell_list, families_sql, observation_sql, pairs_sql
from fleet.tallies.row_sums import RowTallies

JOINT = "+".join(PAIRED)


@pytest.fixture(scope="module")
def teaching() -> pd.DataFrame:
    """The teaching sheets of a small bench, with further holes in them and forces unlike the family's."""
    current = bench().current
    sheets = current[current["newest"]].reset_index(drop=True)
    rng = np.random.default_rng(2)
    for name in ("vtf_mn", "sra_static_deg", "sra_dynamic_deg", "zenith_deg", "tilt_applied_deg",
                 "bench_minutes", "channel_balance_db", "stylus_profile", "assembly_source"):  # fmt: skip
        sheets.loc[rng.random(len(sheets)) < 0.06, name] = None
    pressed = rng.random(len(sheets)) < 0.2
    sheets["vtf_mn"] = sheets["vtf_mn"].where(~pressed, sheets["vtf_mn"] * rng.uniform(0.4, 2.2, len(sheets)))
    return sheets


def fits_of(tallier: RowTallies, *, bound: float = 1.0) -> dict[str, Fitted]:
    """Fitted values that differ from cell to cell, with a cut that some rows lie beyond."""
    m, rng = height(tallier.cells), np.random.default_rng(3)
    out = {}
    for link in LINKS:
        centre = {"sag": 0.0, "minutes": 4.0}.get(link.name, link.centre)
        at_zero = centre + rng.normal(0.0, 0.2, m)
        slopes = {c: rng.normal(0.3 if c == "s" else 0.0, 0.01, m) for c in link.columns}
        out[link.name] = Fitted(at_zero, slopes, np.full(m, bound))
    return out


def places_of(rows: pd.DataFrame, cells: Columns) -> np.ndarray:
    """Number of each row's cell."""
    keys = list(CELL_KEYS)
    return rows[keys].merge(frame_of(cells), on=keys, how="left")["cell"].to_numpy()


def residual_frame(
    sheets: pd.DataFrame, tallier: RowTallies, fill: pd.DataFrame, fits: dict[str, Fitted]
) -> pd.DataFrame:
    """Coded residuals row by row, written out with arrays."""
    seen = responses(sheets, fill)
    cell = (
        seen[list(CELL_KEYS)]
        .merge(frame_of(tallier.cells), on=list(CELL_KEYS), how="left")["cell"]
        .to_numpy()
    )
    out = seen.assign(cell=cell)
    for name, fit in fits.items():
        value = seen[f"y_{name}"] - fit.at_zero[cell]
        for c, slope in fit.slopes.items():
            value = value - slope[cell] * seen[c]
        out[f"r_{name}"] = np.floor(value * 1000.0 + 0.5) / 1000.0
        out[f"keep_{name}"] = out[f"r_{name}"].abs() <= fit.bound[cell]
    return out


def test_sql_and_arrays_see_the_same_in_every_sheet(teaching: pd.DataFrame) -> None:
    """Levels, class, covariates and responses of the query equal those of `responses`, gaps included."""
    with in_memory(teaching) as con:
        _, facts = tallied(con)
        got = con.sql(observation_sql("teaching_sheet")).df().set_index("sheet_no")
        cells = frame_of(cell_list(count_combos(DuckEngine(con), "teaching_sheet")))
        want = responses(teaching.set_index("sheet_no"), facts.fill())
    got = got.loc[want.index].join(cells, on="cell")
    for factor in FACTORS:
        assert (got[factor] == want[factor]).all(), factor
    assert (got["scale_class"] == want["scale_class"]).all()
    units = {c: covariate_unit(c) for c in (*COVARIATES, *PRODUCTS)}
    units |= {f"y_{n}": unit for n, (_, unit) in RESPONSES.items()}
    for name, unit in units.items():
        value = got[name].astype(float).to_numpy() / unit
        np.testing.assert_allclose(value, want[name].to_numpy(dtype=float), rtol=0.0, atol=1e-9, err_msg=name)
    assert {"y_tracking", "y_sag", "y_zenith", "tilted", "y_minutes"} <= set(want.columns[want.isna().any()])


def test_sums_are_the_exact_sums_of_products(teaching: pd.DataFrame) -> None:
    """Each cell's count, sums and products equal those of integer codes added up in whole numbers."""
    with in_memory(teaching) as con:
        tallier, facts = tallied(con)
        sums = tallier.sums()
    seen = responses(teaching, facts.fill())
    cell = (
        seen[list(CELL_KEYS)]
        .merge(frame_of(tallier.cells), on=list(CELL_KEYS), how="left")["cell"]
        .to_numpy()
    )
    for link in LINKS:
        unit = RESPONSES[link.name][1]
        columns = [np.ones(len(seen)), *(seen[c] * covariate_unit(c) for c in link.columns)]
        columns.append((seen[f"y_{link.name}"] - link.centre) * unit)
        codes = np.stack(columns, axis=1)
        units = np.array([1.0, *(covariate_unit(c) for c in link.columns), unit])
        there = ~np.isnan(codes).any(axis=1)
        codes = np.rint(codes[there]).astype(np.int64)
        for k in range(height(tallier.cells)):
            mine = codes[cell[there] == k]
            exact = (mine.T @ mine) / (units * units[:, None])
            assert np.array_equal(sums[link.name].moments[k], exact), (link.name, k)
        assert sums[link.name].counts.sum() == there.sum() > 0


def test_cells_hold_every_sheet_once(teaching: pd.DataFrame) -> None:
    """Counts per cell add up to the sheets, and no two cells are alike."""
    with in_memory(teaching) as con:
        cells = frame_of(tallied(con)[0].cells)
    assert cells["n"].sum() == len(teaching)
    assert not cells.duplicated(list(CELL_KEYS)).any()


def test_the_joint_block_holds_both_angles_of_the_same_rows(teaching: pd.DataFrame) -> None:
    """The pair's sums contain the tracking link's own where both angles were read, which is everywhere."""
    with in_memory(teaching) as con:
        sums = tallied(con)[0].sums()
    assert sums[JOINT].columns == ("1", *PAIR_COVARIATES, *PAIRED)
    both = sums[JOINT].moments.sum(axis=0)
    assert both[0, 0] == sums["built_in"].counts.sum() < sums["tracking"].counts.sum()
    built_in = sums["built_in"].moments.sum(axis=0)
    assert np.array_equal(both[np.ix_([0, 1, 2, 3, 5], [0, 1, 2, 3, 5])], built_in)


def test_tallies_of_two_halves_add_up(teaching: pd.DataFrame) -> None:
    """Summing two halves and adding per cell gives the tallies of the whole, in whole numbers."""
    with in_memory(teaching) as con:
        whole, facts = tallied(con)
        all_sums = whole.sums()
    halves = []
    for part in (teaching.iloc[::2], teaching.iloc[1::2]):
        with in_memory(part) as con:
            engine = DuckEngine(con)
            combos = count_combos(engine, "teaching_sheet")
            tallier = held_rows(engine, "teaching_sheet", combos, facts.stand_ins())
            halves.append((frame_of(tallier.cells), tallier.sums()))
    for name, total in all_sums.items():
        added = np.zeros_like(total.moments)
        for cells, sums in halves:
            place = cells[list(CELL_KEYS)].merge(frame_of(whole.cells), on=list(CELL_KEYS), how="left")[
                "cell"
            ]
            np.add.at(added, place.to_numpy(), sums[name].moments)
        units = codes_of(name)
        whole_codes, added_codes = (np.rint(x * units * units[:, None]) for x in (total.moments, added))
        assert np.array_equal(added_codes, whole_codes), name


@pytest.mark.long
def test_many_rows_in_any_order_and_any_threads_give_the_same_sums(teaching: pd.DataFrame) -> None:
    """Many rows, shuffled, by one thread and by two: bit for bit the same tallies."""
    rng = np.random.default_rng(4)
    many = teaching.iloc[rng.integers(0, len(teaching), 150_000)].reset_index(drop=True)
    for name in ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg"):
        many[name] += rng.normal(0.0, 0.3, len(many))
    facts = tallied_facts(teaching)
    found = []
    for threads, order in ((1, many), (2, many.sample(frac=1.0, random_state=5))):
        with in_memory(order, threads=threads) as con:
            engine = DuckEngine(con)
            combos = count_combos(engine, "teaching_sheet")
            tallier = held_rows(engine, "teaching_sheet", combos, facts)
            fits = fits_of(tallier)
            found.append((tallier.sums(), tallier.middle(fits), tallier.scan(fits).products))
    for name, first in found[0][0].items():
        assert np.array_equal(first.moments, found[1][0][name].moments), name
    for name, middle in found[0][1].items():
        pd.testing.assert_frame_equal(frame_of(middle), frame_of(found[1][1][name]), check_exact=True)
    pd.testing.assert_frame_equal(frame_of(found[0][2]), frame_of(found[1][2]), check_exact=True)
    plain = many["sra_static_deg"].dropna().to_numpy()
    assert sum(plain) != sum(plain[rng.permutation(len(plain))]), "doubles as such do depend on the order"


def codes_of(block: str) -> np.ndarray:
    """What turns a block's columns into whole numbers."""
    covariates = PAIR_COVARIATES if block == JOINT else LINK[block].columns
    responses = [RESPONSES[n][1] for n in block.split("+")]
    return np.array([1.0, *(covariate_unit(c) for c in covariates), *responses])


def tallied_facts(sheets: pd.DataFrame) -> Columns:
    """What stands in for missing figures of these families."""
    with in_memory(sheets) as con:
        return tallied(con)[1].stand_ins()


def test_the_cut_leaves_out_rows_beyond_it(teaching: pd.DataFrame) -> None:
    """With fitted values and bounds given, sums, medians, products and counts are those of the rows kept."""
    with in_memory(teaching) as con:
        tallier, facts = tallied(con)
        fits = fits_of(tallier)
        scan, middle = tallier.scan(fits), tallier.middle(fits)
    sums, products, summary, faulty = scan.sums, frame_of(scan.products), scan.cut, scan.faulty
    rows = residual_frame(teaching, tallier, facts.fill(), fits)
    for name in fits:
        read, keep = rows[f"r_{name}"].notna(), rows[f"keep_{name}"]
        assert sums[name].counts.sum() == keep.sum()
        assert summary[name].n == read.sum()
        assert summary[name].cut == (read & ~keep).sum()
        beyond = rows.loc[read & ~keep, f"r_{name}"].abs()
        want = beyond.median() if len(beyond) else 0.0
        assert summary[name].cut_size == pytest.approx(want, abs=1e-9)
        keys = ["source", "family", "scale_class"]
        medians = rows[read].groupby(keys)[f"r_{name}"].agg(lambda x: x.abs().median())
        mine = frame_of(middle[name]).set_index(keys)["mad"]
        np.testing.assert_allclose(mine.loc[medians.index], medians, atol=1e-9)
    assert sum(found.cut for found in summary.values()) > 20
    pair = products[(products["a"] == "tracking") & (products["b"] == "sag")].set_index(
        ["source", "scale_class"]
    )
    both = rows[rows["keep_tracking"] & rows["keep_sag"]]
    want_total = (both["r_tracking"] * both["r_sag"]).groupby([both["source"], both["scale_class"]]).sum()
    np.testing.assert_allclose(pair.loc[want_total.index, "total"], want_total, atol=1e-9)
    off = sum((rows[f"r_{n}"].notna() & ~rows[f"keep_{n}"]).astype(int) for n in JUDGED) > 0
    for source, (units, bad) in faulty.items():
        mine_rows = rows["source"] == source
        assert (units, bad) == (mine_rows.sum(), (off & mine_rows).sum())


def test_the_joint_sums_keep_rows_inside_both_cuts(teaching: pd.DataFrame) -> None:
    """A row beyond the cut of either angle is out of the pair."""
    with in_memory(teaching) as con:
        tallier, facts = tallied(con)
        fits = fits_of(tallier)
        joint = tallier.sums(fits)[JOINT]
    rows = residual_frame(teaching, tallier, facts.fill(), fits)
    assert joint.counts.sum() == (rows["keep_tracking"] & rows["keep_built_in"]).sum()


def test_named_links_alone_can_be_summed(teaching: pd.DataFrame) -> None:
    """Asking for one link gives its sums only, the same as among all."""
    with in_memory(teaching) as con:
        tallier, _ = tallied(con)
        one, every = tallier.sums(names=["sag"]), tallier.sums()
    assert list(one) == ["sag"]
    assert np.array_equal(one["sag"].moments, every["sag"].moments)
    assert one["sag"].columns == ("1", *LINK["sag"].columns, "sag")


def sheet(**values: object) -> dict[str, object]:
    """One sheet of the store's columns, mostly empty."""
    empty = dict.fromkeys((*READINGS, "vtf_mn", "compliance_um_per_mn", "compliance_frequency_hz",
                           "cantilever_length_mm", "tilt_room_deg"), np.nan)  # fmt: skip
    words = dict.fromkeys(("stylus_profile", "cantilever_material", "assembly_source", "generator"))
    return {
        **empty,
        **words,
        "bench": "main",
        "body_family": "F1",
        "purpose": "unit",
        "measured_on": "2024-02-29",
        **values,
    }


def test_family_tables_count_and_take_medians() -> None:
    """Combinations are counted, a family's figures are the medians of what its sheets tell."""
    frame = pd.DataFrame(
        [
            sheet(assembly_source="S1", vtf_mn=18.0, vta_dynamic_deg=22.0),
            sheet(
                assembly_source="S1",
                vtf_mn=20.0,
                vta_dynamic_deg=24.0,
                sra_static_deg=92.0,
                sra_dynamic_deg=91.0,
            ),
            sheet(assembly_source="S2", vtf_mn=19.0, measured_on="2025-01-31"),
            sheet(body_family="F2", assembly_source="S2"),
        ]
    ).astype({"stylus_profile": "str", "cantilever_material": "str", "generator": "str"})
    frame["measured_on"] = pd.to_datetime(frame["measured_on"]).dt.date
    with in_memory(frame) as con:
        engine = DuckEngine(con)
        combos, families = (
            frame_of(x)
            for x in (count_combos(engine, "teaching_sheet"), engine.table(families_sql("teaching_sheet")))
        )
    assert combos[["family", "source", "n"]].to_numpy().tolist() == [
        ["F1", "S1", 2],
        ["F1", "S2", 1],
        ["F2", "S2", 1],
    ]
    first = families.set_index("family").loc["F1"]
    assert (first["vtf_mn"], first["vta_static_deg"], first["n"]) == (19.0, 23.5, 3)
    assert first["newest"] == 12 * 2025 + 1
    assert np.isnan(families.set_index("family").loc["F2", "vtf_mn"])


def test_repeats_are_pairs_of_neighbours_within_a_quarter() -> None:
    """Differences between consecutive sheets of a unit, not across a long gap, never of a check pickup."""
    rows = [
        ("A1", "u1", "2024-01-01", 91.0, "unit"),
        ("A2", "u1", "2024-01-31", 91.3, "unit"),
        ("A3", "u1", "2024-12-01", 90.0, "unit"),
        ("A4", "u2", "2024-01-05", 88.0, "unit"),
        ("A5", "u3", "2024-01-05", 88.0, "reference"),
        ("A6", "u3", "2024-01-06", 89.0, "reference"),
    ]
    frame = pd.DataFrame(
        [
            sheet(sheet_no=no, unit=unit, measured_on=day, sra_dynamic_deg=rake, purpose=purpose)
            for no, unit, day, rake, purpose in rows
        ]
    )
    frame["measured_on"] = pd.to_datetime(frame["measured_on"]).dt.date
    with in_memory(frame) as con:
        found = DuckEngine(con).table(pairs_sql("teaching_sheet"))
    assert found["sra_dynamic_deg"].tolist() == pytest.approx([0.3 * RESIDUAL_UNIT])

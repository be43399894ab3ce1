"""Groups: a drift is found and dated, one faulty unit makes no alarm, steady fleets hardly ever alarm."""

from __future__ import annotations

import os
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from worlds import Fleet, bench, fleet_of, house_of, ideal, passing_store

from fleet.faults.group_drift import (
    CHECKS,
    COLUMNS,
    LEAST_UNITS,
    MOST_POINTS,
    Groups,
    _company,
    _holm,
    _weights,
    change_point,
    excursion,
    excursion_p,
    groups,
    thin_series,
)

LONG = os.environ.get("FLEET_LONG") == "1"
RAKE = ["sra_static_deg", "sra_dynamic_deg"]
CHANGED = pd.Timestamp("2023-03-01")


@cache
def steady() -> tuple[Fleet, pd.DataFrame]:
    """An invented bench without any drift, and its sheets."""
    world = ideal(3, n_families=8)
    return fleet_of(world, 400), world.sheets(400)[0]


def looked_through(sheets: pd.DataFrame) -> Groups:
    """The groups of these sheets, after a fit on them."""
    with passing_store(sheets) as store:
        current = store.current()
    return groups(house_of(sheets), current)


def of_source(sheets: pd.DataFrame) -> tuple[str, pd.Series]:
    """The commonest source, and its sheets from the day of the change on."""
    source = sheets["assembly_source"].value_counts().index[0]
    later = pd.to_datetime(sheets["measured_on"]) >= CHANGED
    return str(source), (sheets["assembly_source"] == source) & later


@cache
def drifted() -> tuple[str, Groups]:
    """The same bench, one source's styli set 1.2° lower from a day on."""
    sheets = steady()[1].copy()
    source, later = of_source(sheets)
    sheets.loc[later, RAKE] -= 1.2
    return source, looked_through(sheets)


@pytest.mark.long
def test_a_source_that_drifts_is_found_and_dated() -> None:
    """The first alarm is the source's, in the right reading, within three months and 0.4° of the truth."""
    source, found = drifted()
    first = found.table.iloc[0]
    assert (first["kind"], first["group"], first["link"], first["check"]) == (
        "source", source, "built_in", "drift",
    )  # fmt: skip
    assert first["alarm"]
    assert abs((pd.Timestamp(first["since"]) - CHANGED).days) < 92
    assert first["change"] == pytest.approx(-1.2, abs=0.4)
    assert f"source {source} since about " in first["why"]
    assert "° lower than before" in first["why"]
    assert "one such alarm in 20 fleets is expected by chance" in first["why"]


@pytest.mark.long
def test_what_the_same_units_make_elsewhere_goes_with_it() -> None:
    """Alarms of groups whose units are mostly the source's name it as the cause, and no others do."""
    source, found = drifted()
    alarms = found.table[found.table["alarm"]]
    assert set(alarms["link"]) == {"built_in"}
    others = alarms[(alarms["kind"] != "source") & (alarms["check"] == "drift")]
    units = steady()[0].current
    units = units[units["newest"] & units["sra_dynamic_deg"].notna() & units["vta_dynamic_deg"].notna()]
    for kind, group, goes_with in others[["kind", "group", "goes_with"]].itertuples(index=False):
        own = units[units["bench" if kind == "bench" else "body_family"] == group]
        mostly = (own["assembly_source"] == source).mean() > 0.5
        assert (goes_with == f"source {source}") == mostly, (kind, group)


def test_an_alarm_goes_with_the_strongest_that_most_of_its_units_make() -> None:
    """By hand: seven of twelve units are the source's; six are too few, and so is another check's alarm."""
    alarms = pd.DataFrame(
        [
            ("source", "S", "drift", True, 9.0),
            ("family", "A", "drift", True, 7.0),
            ("family", "B", "drift", True, 6.0),
            ("family", "A", "spread", True, 5.0),
            ("family", "C", "drift", False, 4.0),
        ],
        columns=["kind", "group", "check", "alarm", "height"],
    ).assign(link=1)
    source = np.arange(40)
    rows = {
        ("source", "S", 1): source,
        ("family", "A", 1): np.arange(33, 45),
        ("family", "B", 1): np.arange(34, 46),
        ("family", "C", 1): source[:12],
    }
    assert _company(alarms, rows) == ["", "source S", "family A", "", ""]
    apart = {**rows, ("family", "B", 1): np.append(np.arange(34, 40), np.arange(60, 66))}
    assert _company(alarms, apart) == ["", "source S", "", "", ""]


@pytest.mark.long
def test_a_source_that_comes_to_scatter_is_found() -> None:
    """Zenith errors that grow threefold from a day on are a change of spread, and no drift."""
    sheets = steady()[1].copy()
    source, later = of_source(sheets)
    sheets.loc[later, "zenith_deg"] *= 2.5
    table = looked_through(sheets).table
    alarms = table[table["alarm"] & (table["kind"] == "source")]
    assert alarms[["group", "link", "check"]].to_numpy().tolist() == [[source, "zenith", "change_of_spread"]]
    assert alarms["change"].iloc[0] > 1.5
    assert "times as much as before" in alarms["why"].iloc[0]


@pytest.mark.long
def test_a_few_faulty_units_make_no_alarm() -> None:
    """Every twentieth unit of a source 15° off leaves the group steady: they are units, not a batch."""
    sheets = steady()[1].copy()
    _, later = of_source(sheets)
    sheets.loc[sheets.index[later][::20], RAKE] -= 15.0
    assert not looked_through(sheets).table["alarm"].any()


@pytest.mark.long
def test_the_table_and_the_sentence() -> None:
    """Columns in order, chances adjusted by Holm's method with each check's weight, counts as said."""
    fleet, _ = steady()
    found = groups(fleet.house, fleet.current)
    table = found.table
    assert tuple(table.columns) == COLUMNS
    assert table["p_adjusted"].to_numpy() == pytest.approx(
        _holm(table["p_value"].to_numpy(dtype=float), _weights(table))
    )
    assert (table["units"] >= LEAST_UNITS).all()
    number = table.groupby(["kind", "group"]).ngroups
    assert found.sentence.startswith(f"{number} groups charted in {len(table)} checks, 0 alarms; ")
    pd.testing.assert_frame_equal(table, groups(fleet.house, fleet.current).table)


def test_too_few_units_are_said_to_be_too_few() -> None:
    """A handful of sheets has no chart."""
    found = groups(bench().house, bench().current.head(5))
    assert found.table.empty
    assert "No group has the 12 units" in found.sentence


def test_each_kind_of_group_has_a_third_of_the_false_alarms() -> None:
    """Weights by hand: one bench beside two families; drifts have six times as much as either spread."""
    rows = [(kind, check) for kind in ("bench", "family", "family") for check in CHECKS]
    weight = _weights(pd.DataFrame(rows, columns=["kind", "check"]))
    bench, family = np.array([6.0, 1.0, 1.0]) / 16.0, np.array([6.0, 1.0, 1.0]) / 32.0
    assert weight == pytest.approx(np.concatenate([bench, family, family]))


def test_holm_with_weights() -> None:
    """By hand; with weights alike it is the plain method of another's hand."""
    p = np.array([0.04, 0.01, 0.03])
    assert _holm(p, np.array([0.5, 0.25, 0.25])) == pytest.approx([0.06, 0.04, 0.06])
    p = np.random.default_rng(2).random(40) ** 3
    assert _holm(p, np.full(40, 1.0 / 40)) == pytest.approx(multipletests(p, method="holm")[1])


def test_excursion_chances_are_uniform_without_change() -> None:
    """Over 300 runs of independent values, skewed ones, p-values pass a Kolmogorov-Smirnov test."""
    rng = np.random.default_rng(4)
    others = rng.exponential(size=4000)
    others -= others.mean()
    p = []
    for _ in range(300):
        values = rng.exponential(size=30)
        p.append(excursion_p(values - values.mean(), others, rng, many=2000)[1])
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_a_group_is_held_against_the_scatter_of_all_units() -> None:
    """By hand: two levels without scatter of their own, and a group that scatters more than others."""
    step = np.repeat([-1.0, 1.0], 50)
    known = 35.0 * 4.0 / (35.0 + 100.0 - 2.0)
    assert excursion(step, 4.0, 35.0) == pytest.approx(10.0 / np.sqrt(known))
    wide = step + np.tile([-0.01, 0.01], 50)
    assert excursion(wide, 0.0, 35.0) == pytest.approx(10.0 / np.sqrt(100.0 * 0.0001 / 98.0))


def test_excursion_is_the_larger_of_batch_and_step() -> None:
    """A passing batch stands out in the moving average, a lasting step in the cumulated sum (by hand)."""
    step = np.repeat([-1.0, 1.0], 50)
    assert excursion(step) == pytest.approx(10.0)
    assert change_point(step) == 50
    batch = np.zeros(200)
    batch[90:110] = 1.0
    batch -= batch.mean()
    batch /= batch.std()
    k = np.arange(1, 200)
    largest_step = (np.abs(np.cumsum(batch)[:-1]) / np.sqrt(k * (200 - k) / 200)).max()
    assert excursion(batch) > 1.5 * largest_step


def test_long_runs_are_charted_by_means() -> None:
    """No more points than the chart holds; a step stays where it was."""
    values = np.repeat([-1.0, 1.0], 2600)
    points, each = thin_series(values)
    assert len(points) <= MOST_POINTS
    assert abs(change_point(points) * each - 2600) <= each
    same, one = thin_series(values[:MOST_POINTS])
    assert one == 1
    assert np.array_equal(same, values[:MOST_POINTS])


@pytest.mark.validity
def test_steady_fleets_hardly_ever_alarm() -> None:
    """Of steady fleets, faulty units and all, no more hold an alarm than the stated 5 % allow.

    The bound is the 99 % point of the binomial count at 5 %; 40 worlds if FLEET_LONG=1, else 1.
    """
    worlds = 40 if LONG else 1
    alarmed = 0
    for seed in range(700, 700 + worlds):
        fleet = fleet_of(ideal(seed, n_families=8), 300)
        alarmed += bool(groups(fleet.house, fleet.current).table["alarm"].any())
    assert alarmed <= stats.binom.ppf(0.99, worlds, 0.05)

"""Readings by group: what is counted, what is said of few, and where the model's estimate stands."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet.attainment.distributions import (
    FEWEST_FOR_MEDIAN,
    QUANTITIES,
    distribution,
    group_means,
    median_interval,
)
from fleet.errors import FleetError
from fleet.fitting.refit import refit
from fleet.house_model.chain import responses
from fleet.house_model.expectation import Predictor
from fleet.house_model.house import House
from fleet.store import Store

READ = ("sra_static_deg", "sra_dynamic_deg", "sag_deg")


def sheets(**columns: object) -> pd.DataFrame:
    n = len(next(iter(columns.values())))  # type: ignore[call-overload]
    base = {
        "sheet_no": [f"B{i}" for i in range(n)],
        "unit": [f"u{i}" for i in range(n)],
        "newest": True,
        "purpose": "unit",
        "body_family": "F001",
        "stylus_profile": "line_contact",
        "cantilever_material": "boron",
    }
    return pd.DataFrame(base | columns, index=range(n))


def test_counts_medians_and_quartiles_are_those_of_the_readings() -> None:
    """Each group's figures are the plain sample figures of its own readings, largest group first."""
    frame = sheets(
        sra_dynamic_deg=[90.0, 91.0, 92.0, 93.0, 94.0, 88.0, 89.0],
        cantilever_material=["boron"] * 5 + ["ruby"] * 2,
    )
    table = distribution(frame, "sra_dynamic_deg", "cantilever_material").table
    assert table["group"].tolist() == ["boron", "ruby"]
    assert table["n"].tolist() == [5, 2]
    assert table["median"].tolist() == [92.0, 88.5]
    assert table["q25"].iloc[0] == pytest.approx(91.0)
    assert np.isnan(table["q25"].iloc[1])


def test_small_groups_get_no_interval() -> None:
    """Five readings support no 95 % interval of the median, six do: from the smallest to the largest."""
    five, six = np.arange(5.0), np.arange(6.0)
    assert FEWEST_FOR_MEDIAN == 6
    assert np.isnan(median_interval(five)).all()
    assert median_interval(six) == (0.0, 5.0)


@pytest.mark.parametrize("n", [6, 7, 20, 101])
def test_median_intervals_hold_what_they_promise(n: int) -> None:
    """The chance that the k-th smallest and k-th largest reading enclose the median is at least 95 %, and one
    step further in it would not be (derived: count below the median is binomial)."""
    low, high = median_interval(np.arange(float(n)))
    k = int(low) + 1
    assert high == n - k
    assert 1 - 2 * stats.binom.cdf(k - 1, n, 0.5) >= 0.95
    assert 1 - 2 * stats.binom.cdf(k, n, 0.5) < 0.95


def test_derived_quantities_and_spherical_styli() -> None:
    """Sag and built-in angle are differences of readings; a spherical stylus has neither, but is tracked."""
    frame = sheets(
        sra_static_deg=[92.0, 92.0],
        sra_dynamic_deg=[91.25, 91.0],
        vta_dynamic_deg=[22.0, 21.0],
        stylus_profile=["line_contact", "spherical"],
    )
    assert QUANTITIES["sag_deg"].read(frame)[0] == pytest.approx(0.75)
    assert QUANTITIES["built_in_deg"].read(frame)[0] == pytest.approx(69.25)
    assert np.isnan(QUANTITIES["sag_deg"].read(frame)[1])
    assert distribution(frame, "vta_dynamic_deg", "stylus_profile").table["n"].sum() == 2


def test_a_unit_counts_once_and_check_pickups_never() -> None:
    """Older sheets of a unit and reference sheets are left out."""
    frame = sheets(
        zenith_deg=[1.0, 2.0, 3.0], newest=[True, False, True], purpose=["unit", "unit", "reference"]
    )
    found = distribution(frame, "zenith_deg", "kind")
    assert found.table["n"].tolist() == [1]
    assert found.readings["value"].tolist() == [1.0]
    assert found.table["group"].tolist() == ["line_contact/boron"]


def test_untold_groups_are_named_as_such() -> None:
    """Units whose source wasn't told form a group of their own, not silently dropped."""
    frame = sheets(zenith_deg=[1.0, 2.0], assembly_source=["S01", None])
    assert set(distribution(frame, "zenith_deg", "assembly_source").table["group"]) == {"S01", "(not told)"}


def test_the_sentence_says_whether_intervals_overlap() -> None:
    """Two groups far apart: the sentence names both medians and that their intervals don't overlap."""
    frame = sheets(
        zenith_deg=[*np.linspace(-1, 0, 10), *np.linspace(2, 3, 10)],
        cantilever_material=["boron"] * 10 + ["ruby"] * 10,
    )
    sentence = distribution(frame, "zenith_deg", "cantilever_material").sentence
    assert "-0.50° (boron, n 10) to 2.50° (ruby, n 10)" in sentence
    assert "don't overlap" in sentence


def test_unknown_words_and_nothing_read_are_told_in_one_line() -> None:
    """Wrong quantity, wrong grouping and a column nobody read each get a sentence that says what to do."""
    frame = sheets(zenith_deg=[1.0])
    with pytest.raises(FleetError, match="no quantity 'rake'; choose one of sra_dynamic_deg"):
        distribution(frame, "rake", "kind")
    with pytest.raises(FleetError, match="no grouping 'colour'"):
        distribution(frame, "zenith_deg", "colour")
    with pytest.raises(FleetError, match="no sheet tells the tilt room"):
        distribution(frame, "tilt_room_deg", "kind")


def test_the_models_word_is_its_own_expectation_averaged_over_the_group(fitted: House) -> None:
    """The link's own predictor, averaged over the group's rows, is the group's mean, and surer than one row's
    (derived: the average of linear predictors is the predictor of the average)."""
    frame = fleet_frame()
    seen = responses(frame, fitted.facts.fill())
    codes = (frame["assembly_source"] == "S01").to_numpy().astype(np.intp)
    for link in ("tracking", "zenith", "sag"):
        mean, sd = group_means(fitted, link, seen, codes, 2)
        covariates = {c: seen[c].to_numpy() for c in fitted.links[link].link.columns}
        rows, variances = Predictor(fitted.links[link]).mean_and_variance(seen, covariates)
        for group in (0, 1):
            assert mean[group] == pytest.approx(rows.mean(axis=0)[codes == group].mean(), abs=1e-9)
            alone = np.sqrt(variances.mean(axis=0)[codes == group])
            assert 0.0 < sd[group] < alone.mean()


def test_small_groups_lean_on_the_fleet(fitted: House) -> None:
    """For a source with few units the model stands between the raw mean and the fleet's, and its interval is
    wider than a large group's."""
    found = distribution(fleet_frame(), "zenith_deg", "assembly_source", fitted).table.set_index("group")
    small, large = found.loc["S04"], found.loc["S01"]
    assert (small["n"], large["n"]) == (4, 80)
    assert 0.0 < small["model"] < small["median"]
    assert small["model_high"] - small["model_low"] > large["model_high"] - large["model_low"]


def test_rake_is_put_together_from_its_links(fitted: House) -> None:
    """The model's rake is its tracking angle plus its built-in angle less its sag, near the raw mean."""
    frame = fleet_frame()
    by = {q: distribution(frame, q, "stylus_profile", fitted).table.iloc[0] for q in QUANTITIES if q in READ}
    still = by["sra_static_deg"]["model"]
    assert by["sra_dynamic_deg"]["model"] == pytest.approx(still - by["sag_deg"]["model"], abs=1e-9)
    assert still == pytest.approx(frame["sra_static_deg"].mean(), abs=0.1)


def fleet_frame() -> pd.DataFrame:
    """260 units of four sources, one of them small and off in zenith."""
    rng = np.random.default_rng(8)
    sources = np.repeat(["S01", "S02", "S03", "S04"], [80, 90, 86, 4])
    n = len(sources)
    frame = sheets(zenith_deg=np.where(sources == "S04", 2.0, 0.0) + rng.normal(0.0, 0.5, n))
    vta, sag = rng.normal(22.0, 0.8, n), rng.normal(0.8, 0.1, n)
    still = vta + sag + rng.normal(69.0, 0.5, n)
    return frame.assign(
        assembly_source=sources,
        body_family=[f"F{i % 9:03d}" for i in range(n)],
        measured_on=pd.Timestamp("2024-05-01"),
        vtf_mn=18.0,
        compliance_um_per_mn=12.0,
        cantilever_length_mm=5.5,
        vta_dynamic_deg=vta.round(2),
        sra_static_deg=still.round(2),
        sra_dynamic_deg=(still - sag).round(2),
    )


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The house model of `fleet_frame`."""
    store = Store(tmp_path_factory.mktemp("groups") / "fleet.duckdb").create()
    store.append(fleet_frame().drop(columns=["unit", "newest"]), file_name="fleet.csv")
    return refit(store).house


def test_the_median_lies_between_the_order_statistics_that_the_binomial_names() -> None:
    """The k-th of n readings, k SciPy's binomial quantile at one half (by its own search)."""
    for n in range(1, 200):
        for level in (0.5, 0.9, 0.95, 0.99):  # half: two readings, and exactly a quarter on each side
            k = int(stats.binom.ppf((1.0 - level) / 2.0, n, 0.5))
            found = median_interval(np.arange(1.0, n + 1.0), level)
            assert found == (k, n + 1 - k) if k else np.isnan(found).all()

"""Pictures of the bench watch: the figures in them are the result's, and words stand in for them."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd
import pytest

from fleet.bench_trust.noise import Noise, repeat_noise
from fleet.bench_trust.pickup_budget import all_budgets
from fleet.bench_trust.watch import BOTH_RAKES, Watch, watch
from fleet.charts import watch as charts
from fleet.charts.style import DARK, MOST_MARKS
from synthetic_data.spec import WorldSpec
from synthetic_data.watch import check_pickup
from synthetic_data.world import World


@cache
def sheets() -> pd.DataFrame:
    moved = check_pickup(World(WorldSpec(seed=5)), 180, drift_deg_per_week=0.02, drift_from_week=140)
    return moved.rename(columns={"serial": "unit"})


@cache
def found() -> Watch:
    return watch(sheets())


@cache
def scatter() -> Noise:
    return repeat_noise(sheets())


def rows_of(chart: Any) -> list[dict[str, Any]]:
    spec = chart.to_dict()
    return max(spec["datasets"].values(), key=len)


def test_the_check_chart_holds_every_check_and_says_where_it_stands() -> None:
    """A point a check with its distance; baseline and change are tinted; words end in the judgement's."""
    own = found().of("main", BOTH_RAKES)
    chart = charts.check_chart(own, DARK)
    rows = rows_of(chart)
    assert [row["off"] for row in rows] == pytest.approx(own.series["off"].tolist())
    assert sum(row["what"] == "signal" for row in rows) == (own.series["signal"] != "").sum() > 0
    spec = chart.to_dict()
    tints = [d[0]["said"] for d in spec["datasets"].values() if "said" in d[0]]
    assert tints == ["baseline", "change began (95 %)"]
    assert spec["description"].endswith(own.sentence)
    assert "Checks of the rake reading, 180 from" in spec["description"]
    assert len(rows) + 6 < MOST_MARKS


def test_a_steady_reading_has_no_tinted_change() -> None:
    """Without an alarm only the baseline is tinted, and the words say that there is no signal."""
    own = found().of("main", "zenith_deg")
    spec = charts.check_chart(own).to_dict()
    assert [d[0]["said"] for d in spec["datasets"].values() if "said" in d[0]] == ["baseline"]
    assert "no signal" in spec["description"]


@pytest.mark.long
def test_only_the_newest_checks_are_drawn() -> None:
    """A bench of many years draws its newest checks, so that the page stays quick."""
    long = check_pickup(World(WorldSpec(seed=5)), 700).rename(columns={"serial": "unit"})
    own = watch(long).of("main", "zenith_deg")
    rows = rows_of(charts.check_chart(own))
    assert len(rows) == charts.MOST_CHECKS
    assert rows[-1]["off"] == pytest.approx(own.series["off"].iloc[-1])


def test_the_cusum_is_drawn_both_ways() -> None:
    """Sums of high readings upwards, of low ones downwards, as the judgement has them."""
    own = found().of("main", BOTH_RAKES)
    chart = charts.cusum_picture(own)
    rows = rows_of(chart)
    up = [row["sum"] for row in rows if row["what"] == "above the level"]
    assert up == pytest.approx(own.series["cusum_high"].tolist())
    assert max(row["sum"] for row in rows if row["what"] == "below it") <= 0.0
    assert f"{own.series['cusum_high'].iloc[-1]:.2f}" in chart.to_dict()["description"]


def test_noise_and_operators_in_pictures_and_words() -> None:
    """Intervals of the judgement; a quantity that nobody shared gives no picture."""
    noise = scatter()
    chart = charts.noise_chart(noise)
    whole = noise.table[(noise.table["operator"] == "") & (noise.table["unit"] == "°")]
    assert [row["sd"] for row in rows_of(chart)] == pytest.approx(whole["sd"].tolist())
    assert "dynamic rake 0." in chart.to_dict()["description"]
    picture = charts.operator_chart(noise, "main", "zenith_deg")
    assert picture is not None
    assert "A +0." in picture.to_dict()["description"] or "A -0." in picture.to_dict()["description"]
    assert charts.operator_chart(noise, "elsewhere", "zenith_deg") is None


def test_tables_under_the_pictures() -> None:
    """A row a reading with how it stands; noise by operator; every quantity's uncertainty."""
    states = charts.states(found().readings).set_index("reading")
    assert states.loc["rake", "stands"] == "off"
    assert states.loc["zenith", "stands"] == "no change seen"
    figures = charts.noise_figures(scatter())
    assert len(figures) == len(scatter().table)
    assert figures["standard deviation"].iloc[0].endswith("°")
    budgets = charts.budget_figures(all_budgets(None))
    assert len(budgets) == 13
    assert budgets["± (95 %)"].iloc[0] == "0.32°"

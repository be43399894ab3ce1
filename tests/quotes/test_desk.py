"""The desk: what each enquiry needs, and sums that hold as often as they say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from worlds import bench

from fleet.errors import FleetError
from fleet.house_model.predict import Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.desk import (
    ASK_FIRST,
    DECISIONS,
    MADE_WEDGE,
    PROMISE_NOTHING,
    QUOTE_IT,
    SHARED,
    SUSPECT_KIND,
    desk,
    pace_of,
)
from fleet.quotes.quote import Quotes, quote

N = 4000


def quotes(**told: list[float]) -> Quotes:
    """Quotes with these chances, an hour each give or take, under a policy with a rate."""
    m = len(next(iter(told.values())))
    table = pd.DataFrame(
        {
            "enquiry_id": [f"Q{k}" for k in range(m)],
            "p_both_met": 0.9,
            "p_made_wedge": 0.1,
            "p_faulty": 0.05,
        }
    ).assign(**told)
    z = np.random.default_rng(1).standard_normal(N)
    minutes = np.tile(60.0 * np.exp(0.2 * z), (m, 1))
    arrays = {"bench_minutes": minutes, "tilt_deg": np.full((m, N), 0.0)}
    policy = Policy(hourly_rate=60.0, base_fee=10.0, currency="EUR")
    columns = {name: table[name].to_numpy() for name in table}
    return Quotes(columns, ("",) * m, arrays, ("known",) * m, (policy,) * m)


def test_each_decision() -> None:
    """Ask first goes before promise nothing, suspect kind, made wedge, but asks nothing that is settled."""
    found = desk(
        quotes(
            p_both_met=[0.9, 0.9, 0.2, 0.9, 0.9, 0.1, 0.04],
            p_made_wedge=[0.1, 0.8, 0.9, 0.1, 0.1, 0.1, 0.1],
            p_faulty=[0.05, 0.05, 0.05, 0.2, 0.05, 0.05, 0.05],
        ),
        units=500.0,
        asked={"Q4": ("the family", 0.4), "Q0": ("the family", 0.1), "Q6": ("the family", 0.4)},
    )
    told = dict(zip(found.table["enquiry_id"], found.table["decision"], strict=True))
    assert told == {
        "Q0": QUOTE_IT, "Q1": MADE_WEDGE, "Q2": PROMISE_NOTHING, "Q3": SUSPECT_KIND, "Q4": ASK_FIRST,
        "Q5": PROMISE_NOTHING, "Q6": PROMISE_NOTHING,
    }  # fmt: skip
    places = [DECISIONS.index(d) for d in found.table["decision"]]
    assert places == sorted(places)
    assert found.table["enquiry_id"].tolist()[1:4] == ["Q6", "Q5", "Q2"]
    why = found.table.set_index("enquiry_id")["why"]
    assert "20 %" in why["Q2"]
    assert "90 %" in why["Q2"]


def test_sums_of_independent_units() -> None:
    """The variance of 25 units' sum is 25 of one's, and of the common share 625; without a model all 625."""
    many = quotes(p_both_met=[0.9] * 25)
    taught, cold = desk(many, units=500.0), desk(many, units=0.0)
    one = np.quantile(many.arrays["bench_minutes"][0] / 60.0, [0.05, 0.95])
    assert cold.hours[2] - cold.hours[0] == pytest.approx(25.0 * float(one[1] - one[0]), rel=1e-6)
    narrow = np.sqrt((1.0 - SHARED) * 25.0 + SHARED * 625.0) / 25.0
    assert (taught.hours[2] - taught.hours[0]) / (cold.hours[2] - cold.hours[0]) == pytest.approx(
        narrow, abs=0.02
    )
    assert taught.price[1] == pytest.approx(25.0 * 10.0 + 60.0 * taught.hours[1], rel=0.01)
    assert taught.currency == "EUR"


def test_the_sums_of_invented_desks() -> None:
    """Of 16 desks of 30 units the range of nine in ten holds the hours that the bench then took in 13."""
    fleet = bench()
    forecaster = Forecaster(fleet.house, n_draws=128)
    held = 0
    for stream in range(100, 116):
        enquiries, outcomes, _ = fleet.world.enquiries(30, stream=stream)
        found = desk(quote(enquiries, forecaster, {"default": Policy()}), units=fleet.house.units)
        held += found.hours[0] <= outcomes["bench_minutes"].sum() / 60.0 <= found.hours[2]
    assert held >= 13, held


def test_over_the_weeks() -> None:
    """At ten hours a week 25 hours of work take three weeks; without a pace nothing is spread."""
    many = quotes(p_both_met=[0.9] * 25)
    found = desk(many, units=500.0, hours_per_week=10.0)
    assert found.table["week"].tolist() == sorted(found.table["week"])
    assert found.table["week"].iloc[-1] == 3
    assert found.weeks["hours_q50"].tolist()[0] == pytest.approx(found.hours[1] - 10.0, abs=1e-9)
    assert found.weeks["hours_q95"].iloc[-1] == 0.0
    short = desk(quotes(p_both_met=[0.9]), units=500.0, hours_per_week=10.0)
    assert short.sentence.endswith("done in 1 week.")
    still = desk(many, units=500.0)
    assert still.table["week"].isna().all()
    assert "tell the bench's pace" in still.sentence


def test_prices_only_where_all_have_one() -> None:
    """Two currencies, or a policy without a rate, make no sum of money."""
    many = quotes(p_both_met=[0.9, 0.9])
    for other in (Policy(), Policy(hourly_rate=50.0, currency="CHF")):
        mixed = replace(many, policies=(many.policies[0], other))
        found = desk(mixed, units=500.0)
        assert math.isnan(found.price[1])
        assert found.currency == ""


@pytest.mark.parametrize("pace", [0.0, -1.0])
def test_no_pace_and_no_enquiry(pace: float) -> None:
    """A pace of nought, or an empty desk, is one clear line."""
    with pytest.raises(FleetError, match="above 0"):
        desk(quotes(p_both_met=[0.9]), units=1.0, hours_per_week=pace)
    with pytest.raises(FleetError, match="no enquiry"):
        desk(replace(quotes(p_both_met=[0.9]), columns={}), units=1.0)


def test_pace() -> None:
    """The pace is the last 13 weeks' hours; sheets without a time count as the middle one."""
    days = pd.date_range("2024-01-01", "2024-12-30", freq="7D")
    sheets = pd.DataFrame({"measured_on": days, "bench_minutes": 60.0})
    sheets.loc[::2, "bench_minutes"] = np.nan
    assert pace_of(sheets) == pytest.approx(1.0)
    assert math.isnan(pace_of(sheets.assign(bench_minutes=np.nan)))
    assert pace_of(sheets.iloc[:1].assign(bench_minutes=120.0)) == pytest.approx(2.0)

"""The track record: figures by hand on forecasts made up, sentence, tables, money, groups."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy import special

from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.policy.remedies import price
from fleet.quotes.baselines import FAMILY, POOLED
from fleet.quotes.outcomes import FORECAST, ForecastPairs, pair_forecasts, policy_of, policy_text
from fleet.quotes.track_record import OURS, TOGETHER, record, scored_quotes
from fleet.statistics.forecast_scores import AS_TOLD, TOO_FEW, TOO_NARROW
from fleet.statistics.quantile_forecasts import GRID

PRICED = Policy(hourly_rate=60.0)
SPREAD = {"sra_dynamic_deg": 1.0, "vta_dynamic_deg": 1.0, "sag_deg": 0.2, "bench_minutes": 10.0}
MIDDLE = {"sra_dynamic_deg": 90.0, "vta_dynamic_deg": 22.0, "sag_deg": 1.0, "bench_minutes": 60.0}


def forecasts(n: int, **columns: object) -> pd.DataFrame:
    """n equal normal forecasts; a quantity without a spread is not foretold."""
    lists = {
        q: [list(MIDDLE[q] + SPREAD[q] * special.ndtri(GRID)) if q in SPREAD else None] * n for q in FORECAST
    }
    plain = {
        "enquiry_id": [f"E{i}" for i in range(n)],
        "policy": policy_text(PRICED),
        "policy_label": PRICED.label,
        "facts": "{}",
        "standing": "known",
        "stretch": "{}",
        "model_id": 1,
        "p_both_met": 0.5,
        "p_made_wedge": 0.5,
        "price_low": 50.0,
        "price_quoted": 60.0,
        "price_high": 70.0,
    }
    frame = pd.DataFrame({**plain, **columns}, index=range(n))
    return frame.assign(**{q: pd.Series(x, dtype=object) for q, x in lists.items()})


def bench(rng: np.random.Generator, n: int, *, scale: float = 1.0, **columns: object) -> pd.DataFrame:
    """n sheets whose readings scatter about the forecasts, `scale` times as wide as foretold."""
    z = {q: scale * rng.standard_normal(n) for q in SPREAD}
    rake = MIDDLE["sra_dynamic_deg"] + z["sra_dynamic_deg"]
    plain = {
        "sheet_no": [f"A{i}" for i in range(n)],
        "bench": "main",
        "unit": [f"U{i}" for i in range(n)],
        "measured_on": pd.date_range("2024-01-01", periods=n, freq="D"),
        "body_family": [f"F{i % 40}" for i in range(n)],
        "stylus_profile": "elliptical",
        "cantilever_material": "boron",
        "assembly_source": "S1",
        "generator": "moving_coil",
        "sra_dynamic_deg": rake,
        "sra_static_deg": rake + MIDDLE["sag_deg"] + SPREAD["sag_deg"] * z["sag_deg"],
        "vta_dynamic_deg": MIDDLE["vta_dynamic_deg"] + z["vta_dynamic_deg"],
        "bench_minutes": np.maximum(MIDDLE["bench_minutes"] + 10.0 * z["bench_minutes"], 1.0),
        "tilt_room_deg": 5.0,
    }
    return pd.DataFrame({**plain, **columns}, index=range(n))


def made(n: int, *, seed: int = 0, scale: float = 1.0, **columns: object) -> ForecastPairs:
    return pair_forecasts(
        forecasts(n, **{k: v for k, v in columns.items() if k in {"standing", "stretch"}}),
        bench(np.random.default_rng(seed), n, scale=scale),
    )


def test_honest_forecasts_are_as_told() -> None:
    """Of 400 honest quotes the intervals held their share, and the sentence says so."""
    found = record(made(400))
    together = found.coverage[found.coverage["quantity"] == TOGETHER]
    assert together["promised"].tolist() == [0.5, 0.8, 0.9]
    assert set(together["verdict"]) == {AS_TOLD}
    row = together.iloc[2]
    assert found.fell.startswith("Where readings fell in their forecasts (PIT): sag even (p = ")
    assert row["n"] == 400
    assert row["low"] < 0.9 < row["high"]
    held = f"{100 * row['held']:.0f} % ({100 * row['low']:.0f} to {100 * row['high']:.0f} %)"
    assert found.sentence == (
        f"Of 400 quotes, the 90 % intervals of sag, rake and tracking angle held {held}: as told."
    )


def test_counts_by_hand() -> None:
    """Three readings of four inside: the share is theirs, not an estimate of one."""
    sheets = bench(np.random.default_rng(0), 4).assign(
        sra_dynamic_deg=[90.0, 91.0, 89.0, 99.0], sra_static_deg=[91.0, 92.0, 90.0, 100.0]
    )
    found = record(pair_forecasts(forecasts(4), sheets)).coverage
    row = found.query("quantity == 'dynamic rake' and promised == 0.9").iloc[0]
    assert (row["n"], row["held"], row["verdict"]) == (4, 0.75, TOO_FEW)
    assert found.query("quantity == 'sag' and promised == 0.9")["held"].iloc[0] == 1.0


def test_a_group_that_is_off_is_named() -> None:
    """Families never seen that scatter twice as far as foretold: too narrow, by name, and only they."""
    rng = np.random.default_rng(1)
    standing = np.repeat(["known", "new"], 200)
    sheets = pd.concat([bench(rng, 200), bench(rng, 200, scale=2.0)], ignore_index=True)
    found = record(pair_forecasts(forecasts(400, standing=standing), sheets))
    groups = found.groups.set_index("group")
    assert groups.loc["family known", "verdict"] == AS_TOLD
    assert groups.loc["family never seen before", "verdict"] == TOO_NARROW
    assert (
        f"family never seen before: {100 * groups.loc['family never seen before', 'held']:.0f} % of 200"
        in (found.sentence)
    )


def test_groups_and_periods_are_the_sheets_own() -> None:
    """Every grouping counts every quote once; a column that isn't there is refused in one line."""
    answers = made(120)
    for by, per in (
        (["kind"], None),
        (["body_family"], None),
        (["assembly_source"], "quarter"),
        ([], "month"),
    ):
        assert record(answers, by=by, per=per).groups["n"].sum() == 120
    assert record(answers, by=["assembly_source"], per="year").groups["group"].tolist() == ["S1 · 2024"]
    with pytest.raises(FleetError, match="can't group by 'colour'"):
        record(answers, by=["colour"])


def test_few_or_no_quotes_are_said_to_be_few() -> None:
    """No verdict from nothing."""
    assert record(made(5)).sentence == "Only 5 quotes have been answered by a sheet yet: too few to tell."
    none = record(made(5).where(np.zeros(5, dtype=bool)), called="quotes of the back-test")
    assert none.sentence == "None of the quotes of the back-test has been answered by a sheet yet."
    assert none.coverage.empty


def test_rivals_are_compared_on_the_same_quotes() -> None:
    """A rival that is worse on every quote is said to be; one that answers half is compared on that half."""
    answers = made(200)
    ours = scored_quotes(answers)["sra_dynamic_deg_crps"].to_numpy()
    half = np.where(np.arange(200) < 100, ours - 0.1, np.nan)
    empty = dict.fromkeys(
        ("sag_deg", "vta_dynamic_deg", "bench_minutes", "both_met", "wedge_made"), np.full(200, np.nan)
    )
    rivals = {FAMILY: {**empty, "sra_dynamic_deg": half}, POOLED: {**empty, "sra_dynamic_deg": ours + 0.2}}
    found = record(
        ForecastPairs(answers.about, answers.quantiles, answers.read, answers.chances, rivals)
    ).scores
    rake = found[found["quantity"] == "dynamic rake"].set_index("forecaster")
    assert rake["n"].tolist() == [100, 100, 100]
    assert rake.loc[FAMILY, "difference"] == pytest.approx(0.1)
    assert rake.loc[POOLED, "score"] - rake.loc[OURS, "score"] == pytest.approx(0.2)
    assert (rake.loc[FAMILY, "better"], rake.loc[POOLED, "better"]) == (FAMILY, OURS)


def test_outcomes_are_the_policys_on_the_readings() -> None:
    """Both met, wedge, tilt and price as the quote's own policy judges them; unread room tells nothing."""
    sheets = bench(np.random.default_rng(0), 3).assign(
        sra_dynamic_deg=[91.0, 88.0, 91.0],
        vta_dynamic_deg=[20.0, 24.0, 20.0],
        tilt_room_deg=[3.0, 3.0, np.nan],
        bench_minutes=60.0,
    )
    found = pair_forecasts(forecasts(3), sheets)
    np.testing.assert_array_equal(found.chances["both_met"], [1.0, 0.0, np.nan])
    np.testing.assert_array_equal(found.chances["wedge_made"], [0.0, 1.0, np.nan])
    np.testing.assert_allclose(found.read["tilt_deg"], [0.0, 3.0, np.nan])
    assert found.chances["price_taken"].tolist()[:2] == price([60.0, 60.0], [False, True], PRICED).tolist()


def test_a_spherical_stylus_is_scored_on_tracking_alone() -> None:
    """It has neither rake nor sag of the rake, whatever stands on the sheet."""
    found = pair_forecasts(
        forecasts(1), bench(np.random.default_rng(0), 1).assign(stylus_profile="spherical")
    )
    assert np.isnan(found.read["sra_dynamic_deg"][0])
    assert not np.isnan(found.read["vta_dynamic_deg"][0])
    assert not np.isnan(found.chances["both_met"].iloc[0])


def test_time_and_price_are_told() -> None:
    """Twenty minutes more than promised on every quote are said, with how sure that is."""
    sheets = bench(np.random.default_rng(2), 60).assign(bench_minutes=80.0)
    lines = record(pair_forecasts(forecasts(60), sheets)).money
    assert lines[0].startswith(
        "Bench time: 60 min promised in the middle, 80 taken; taken less promised +20.0 ± 0.0"
    )
    assert "against the price quoted; 0 % lay between the low and the high price" in lines[1]


def test_every_figure_is_in_the_table() -> None:
    """The table for files holds intervals, groups, chances and PIT, each with n and value."""
    found = record(made(100))
    table = found.table()
    assert set(table["part"]) == {"interval", "interval by group", "score", "chance", "PIT"}
    assert table["value"].notna().all()
    assert (table.loc[table["part"] == "PIT", "n"] == 100).all()
    assert table.loc[table["part"] == "interval", "value"].tolist() == found.coverage["held"].tolist()


def test_scored_quotes_are_one_a_row() -> None:
    """Each with what was told, read, PIT and CRPS."""
    rows = scored_quotes(made(7))
    assert len(rows) == 7
    inside = (rows["sra_dynamic_deg_read"] >= rows["sra_dynamic_deg_q05"]) & (
        rows["sra_dynamic_deg_read"] <= rows["sra_dynamic_deg_q95"]
    )
    assert (rows["sra_dynamic_deg_pit"].between(0.05, 0.95) == inside).all()


def test_a_policy_survives_being_kept() -> None:
    """As JSON and back it is the same policy but for its name, which may be a customer's and isn't kept."""
    policy = Policy(name="mine", stock_wedges_deg=(1.5, 3.0), hourly_rate=55.0)
    assert policy_of(policy_text(policy)).fingerprint == policy.fingerprint
    assert "mine" not in policy_text(policy)
    assert json.loads(policy_text(policy))["hourly_rate"] == 55.0

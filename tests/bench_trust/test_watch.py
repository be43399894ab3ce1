"""Bench watch: what it finds, what it leaves alone, and what it says."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from fleet.bench_trust.past_sheets import touched_sheets
from fleet.bench_trust.watch import BOTH_RAKES, check_pickups, watch
from fleet.bench_trust.watch_limits import CHARTS, limits_for, run_length
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.statistics.change_point import find_change
from fleet.statistics.control_charts import cusum_chart, ewma_chart
from synthetic_data.spec import TIDY, Noise, WorldSpec
from synthetic_data.watch import check_pickup
from synthetic_data.world import World

START = pd.Timestamp("2021-01-04")
QUIET = World(WorldSpec(seed=5, **TIDY, noise=Noise(operator=0.0)))


def weekly(values: np.ndarray, **columns: object) -> pd.DataFrame:
    """Weekly checks of one pickup's dynamic rake."""
    days = START + pd.to_timedelta(7 * np.arange(len(values)), "D")
    return pd.DataFrame(
        {"measured_on": days, "bench": "main", "unit": "C1", "sra_dynamic_deg": values, **columns}
    )


def noise(n: int, seed: int = 1) -> np.ndarray:
    return 90.5 + 0.16 * np.random.default_rng(seed).standard_normal(n)


def world_checks(**moves: float | int) -> pd.DataFrame:
    return check_pickup(QUIET, 200, **moves).rename(columns={"serial": "unit"})  # type: ignore[arg-type]


def test_a_creep_of_both_rakes_is_found_dated_and_sized() -> None:
    """0.02° a week from week 160 on: alarm, its day and rate inside the intervals told, nothing else off."""
    found = watch(world_checks(drift_deg_per_week=0.02, drift_from_week=160))
    both = found.of("main", BOTH_RAKES)
    assert both.alarm
    assert {r.reading for r in found.alarms} <= {"sra_static_deg", "sra_dynamic_deg", BOTH_RAKES}
    change = both.change
    assert change is not None
    began = pd.Timestamp(QUIET.spec.start) + pd.Timedelta(days=7 * 160)
    assert change.since_low <= began <= change.since_high
    assert change.rate_low <= 0.02 <= change.rate_high
    assert change.now_low <= 0.02 * 39 <= change.now_high
    assert change.kind == "creep"
    assert "rake reading has crept +0.0" in found.sentence
    assert "/week" in found.sentence
    assert "± " in found.sentence
    assert any("both alike" in line for line in found.lines)
    assert any("not what" in caution for caution in found.cautions)


def test_a_jump_is_called_a_jump() -> None:
    """0.4° at week 150: a step, dated within some weeks, its size inside the interval."""
    found = watch(world_checks(step_deg=0.4, step_week=150))
    change = found.of("main", BOTH_RAKES).change
    assert change is not None
    assert change.kind == "step"
    day = pd.Timestamp(QUIET.spec.start) + pd.Timedelta(days=7 * 150)
    assert abs(change.since - day) <= pd.Timedelta(days=28)
    assert change.size_low <= 0.4 <= change.size_high
    assert "jumped by +0." in found.sentence


def test_a_steady_bench_stays_quiet_and_says_how_often_it_would_not() -> None:
    """No alarm on the world's steady checks; the promise stands in the text: one in 260 checks, 15 charts."""
    found = watch(world_checks())
    assert not found.alarms
    assert found.sentence == f"Bench {QUIET.spec.bench}: no reading has moved from its baseline."
    charts = 3 * len(found.readings)
    assert any(f"each of {charts} charts" in line and "one in 260" in line for line in found.lines)
    assert found.every_checks[QUIET.spec.bench] == 260.0 * charts
    assert touched_sheets(found, pd.DataFrame({"purpose": [], "bench": [], "measured_on": []})).table.empty


def test_charts_are_the_plain_ones_about_the_baseline() -> None:
    """Without temperature: mean and sd of the first half, the rest by the chart functions."""
    values = noise(120)
    own = watch(weekly(values)).of("main", "sra_dynamic_deg")
    base, rest = values[:60], values[60:] - values[:60].mean()
    assert own.baseline_checks == 60
    assert own.fit.levels["C1"] == pytest.approx(base.mean())
    assert own.fit.sd == pytest.approx(base.std(ddof=1))
    assert own.limits is not None
    after = own.watched
    chart = ewma_chart(rest, target=0.0, sd=base.std(ddof=1), weight=0.1, width=own.limits.ewma)
    np.testing.assert_allclose(after["ewma"], chart.series)
    np.testing.assert_allclose(after["ewma_limit"], chart.upper)
    sums = cusum_chart(rest, target=0.0, allowance=0.5 * own.fit.sd, limit=own.limits.cusum * own.fit.sd)
    np.testing.assert_allclose(after["cusum_high"], sums.high)
    np.testing.assert_allclose(after["single_limit"], own.limits.single * own.fit.sd)


def test_temperature_is_taken_out() -> None:
    """A warm end is no drift where the baseline shows what warmth does; without it, it is one."""
    n = 160
    rng = np.random.default_rng(3)
    late = np.where(np.arange(n) > 130, 5.0, 0.0)
    warmth = 22 + 2 * np.sin(np.arange(n) / 8.0) + rng.standard_normal(n) + late
    values = noise(n) - 0.06 * (warmth - 22)
    known = watch(weekly(values, temperature_c=warmth)).of("main", "sra_dynamic_deg")
    assert known.fit.per_kelvin == pytest.approx(-0.06, abs=0.02)
    assert not known.alarm
    assert watch(weekly(values)).of("main", "sra_dynamic_deg").alarm
    line = next(x for x in watch(weekly(values, temperature_c=warmth)).lines if "°C" in x)
    assert "warmth clearly moves dynamic rake -0.0" in line


@pytest.mark.long
def test_another_check_pickup_is_charted_about_its_own_level() -> None:
    """A second pickup 1.5° higher: 20 checks teach its level, no alarm; the series numbers both."""
    values = np.concatenate([noise(100), noise(60, 2) + 1.5])
    frame = weekly(values)
    frame["unit"] = ["C1"] * 100 + ["C2"] * 60
    found = watch(frame).of("main", "sra_dynamic_deg")
    assert not found.alarm
    assert found.series["check_pickup"].tolist() == [1] * 100 + [2] * 60
    parts = found.series["part"]
    assert (parts.iloc[100:120] == "learning").all()
    assert (parts.iloc[120:] == "watched").all()
    assert found.fit.levels["C2"] - found.fit.levels["C1"] == pytest.approx(1.5, abs=0.15)
    assert found.change is not None
    assert found.change.p_value > 0.05


def test_a_creep_is_found_over_a_change_of_pickups() -> None:
    """Both pickups creep while they are in use; levels are free, so one creep of the bench is seen."""
    n = 160
    creep = 0.02 * np.maximum(np.arange(n) - 90, 0)
    values = np.concatenate([noise(100), noise(60, 2) + 1.5]) + creep
    frame = weekly(values)
    frame["unit"] = ["C1"] * 100 + ["C2"] * 60
    found = watch(frame).of("main", "sra_dynamic_deg")
    assert found.alarm
    assert found.change is not None
    assert found.change.rate_low <= 0.02 <= found.change.rate_high


@pytest.mark.long
def test_the_baseline_may_be_named() -> None:
    """FROM..TO: checks before it are left out, limits come from it alone."""
    values = np.concatenate([noise(50) + 1.0, noise(100, 2)])
    days = (START + pd.Timedelta(days=350)).date(), (START + pd.Timedelta(days=350 + 7 * 40)).date()
    own = watch(weekly(values), baseline=days).of("main", "sra_dynamic_deg")
    assert (own.baseline_from.date(), own.baseline_checks) == (days[0], 41)
    assert not own.alarm
    assert watch(weekly(values), baseline=(None, days[1])).of("main", "sra_dynamic_deg").alarm is not None


def test_a_single_slip_asks_for_another_reading() -> None:
    """Only the newest check far off: no alarm, but read again."""
    values = noise(120)
    values[-1] = 92.0
    found = watch(weekly(values))
    own = found.of("main", "sra_dynamic_deg")
    assert own.slip
    assert not own.alarm
    assert "read the check pickup again" in own.sentence
    assert "read the check pickup again" in found.sentence


def test_cautions_about_the_baseline() -> None:
    """A baseline that moves itself, and checks that hang together, are said."""
    moving = noise(120) + np.where(np.arange(120) > 30, 0.4, 0.0)
    assert any("isn't steady itself" in c for c in watch(weekly(moving)).cautions)
    rng = np.random.default_rng(8)
    chained = np.zeros(160)
    for i in range(1, 160):
        chained[i] = 0.7 * chained[i - 1] + 0.1 * rng.standard_normal()
    assert any("go together" in c for c in watch(weekly(90.5 + chained)).cautions)


def test_too_few_checks_are_refused_in_one_line() -> None:
    """Under 20 checks there is no baseline; without any check pickup the line says how to mark one."""
    with pytest.raises(FleetError, match="at least 20 checks"):
        watch(weekly(noise(15)))
    with pytest.raises(FleetError, match="purpose=reference"):
        watch(weekly(noise(0)))


def test_checks_that_never_differ_are_no_checks() -> None:
    """A baseline of one figure: no false sureness, but a caution; the first other figure still counts."""
    found = watch(weekly(np.full(120, 90.5)))
    assert not found.alarms
    assert [c for c in found.cautions if "copied" in c]
    assert not [c for c in found.cautions if "go together" in c]


def test_nothing_after_the_baseline_is_no_clean_bill() -> None:
    """With 20 checks there is a baseline and nothing to judge; the answer doesn't say that all is well."""
    found = watch(weekly(noise(20)))
    assert found.sentence == (
        "Bench main: there is no check after the baseline yet, so nobody can tell whether it moved."
    )
    with pytest.raises(FleetError, match="there are 1 at most"):
        watch(weekly(noise(60)).assign(unit=[str(i) for i in range(60)]))


def test_check_pickups_in_turn() -> None:
    """Two pickups read in turn, 3° apart: each about its own level, no alarm, no change."""
    frame = weekly(noise(160) + np.tile([0.0, 3.0], 80)).assign(unit=["a", "b"] * 80)
    own = watch(frame).of("main", "sra_dynamic_deg")
    assert not own.alarm
    assert own.series["off"].abs().max() < 0.8
    assert own.change is not None
    assert own.change.p_value > 0.01


def test_benches_are_watched_apart() -> None:
    """One bench creeps, the other doesn't; a third with too few checks is left out."""
    steady, moving = weekly(noise(120)), weekly(noise(120, 2) + 0.03 * np.maximum(np.arange(120) - 80, 0))
    few = weekly(noise(10, 3)).assign(bench="new")
    found = watch(pd.concat([steady, moving.assign(bench="old"), few], ignore_index=True))
    assert [(r.bench, r.alarm) for r in found.readings] == [("main", False), ("old", True)]
    assert "Bench main: no reading has moved" in found.sentence
    assert "Bench old: the dynamic rake reading has crept" in found.sentence


def test_sheets_since_the_change_are_counted_with_offsets() -> None:
    """Sheets on the creeping bench get offsets that hold the truth; other benches' and earlier ones none."""
    checks = world_checks(drift_deg_per_week=0.02, drift_from_week=160)
    found = watch(checks)
    began = pd.Timestamp(QUIET.spec.start) + pd.Timedelta(days=7 * 160)
    days = pd.date_range(began - pd.Timedelta(days=600), periods=60, freq="14D")
    sheets = pd.DataFrame(
        {
            "purpose": "unit", "bench": "main", "sheet_no": [f"S{i}" for i in range(60)], "measured_on": days,
            "sra_static_deg": 91.5, "sra_dynamic_deg": 92.6, "vta_dynamic_deg": 21.0,
        }
    )  # fmt: skip
    other = sheets.assign(bench="other")
    touched = touched_sheets(found, pd.concat([sheets, other]), Policy())
    assert set(touched.table["bench"]) == {"main"}
    assert set(touched.table["reading"]) == {"sra_static_deg", "sra_dynamic_deg"}
    late = touched.table[touched.table["measured_on"] > began + pd.Timedelta(days=100)]
    true = 0.02 * (late["measured_on"] - began).dt.days / 7
    assert ((late["offset_low"] <= true) & (true <= late["offset_high"])).mean() > 0.9
    np.testing.assert_allclose(late["less_offset"], late["as_read"] - late["offset"])
    turned = late[(late["reading"] == "sra_dynamic_deg") & (late["less_offset"] <= 92.5)]
    assert len(turned) > 0
    assert "would stand on the other side of a limit" in touched.sentence
    assert "reads +0." in touched.sentence


def test_check_pickups_without_a_serial_go_by_family_and_source() -> None:
    """Each such sheet is its own unit in the store; the watch takes those of one family as one pickup."""
    sheets = pd.DataFrame(
        {"purpose": ["reference", "reference", "unit"], "unit": ["a", "b", "c"], "serial_token": [None, "t",
        None],
         "body_family": ["F1", "F1", "F1"], "assembly_source": ["P1", "P1", "P1"]}
    )  # fmt: skip
    assert check_pickups(sheets)["unit"].tolist() == ["F1/P1", "b"]


@pytest.mark.parametrize("checks", [26, 104])
def test_limits_hold_the_promised_rate_over_baselines(checks: int) -> None:
    """Single-check limit against the exact one: t quantile of a prediction (closed form)."""
    from scipy import stats

    dof = checks - 1
    limits = limits_for(500.0, checks=checks, dof=dof)
    exact = stats.t.isf(0.5 / 500.0, dof) * np.sqrt(1 + 1 / checks)
    assert limits.single == pytest.approx(exact, rel=2e-3)
    for chart in CHARTS:
        assert run_length(chart, limits.of(chart), checks=checks, dof=dof) == pytest.approx(500.0, rel=2e-3)
        assert run_length(chart, limits.of(chart)) > 500.0


def test_a_change_needs_enough_checks_and_sees_both_kinds() -> None:
    """Under eight checks beyond the levels nothing is said; offsets are 0 before a change."""
    days = START + pd.to_timedelta(7 * np.arange(60), "D")
    assert find_change(noise(8), days[:8]) is None
    found = find_change(noise(60) + np.where(np.arange(60) >= 30, 1.0, 0.0), days)
    assert found is not None
    assert found.kind == "step"
    assert found.p_value == pytest.approx(1 / 1000)
    off = found.offset([days[5], days[-1]])
    assert off[0].tolist() == [0.0, 0.0, 0.0]
    assert off[1, 1] < 1.0 < off[1, 2]


def test_the_table_tells_baseline_limits_rates_and_change() -> None:
    """One row a reading, with everything a program needs."""
    found = watch(world_checks(), baseline=(None, dt.date(2030, 1, 1)))
    assert all(r.watched.empty for r in found.readings)
    table = watch(world_checks()).table
    wanted = {
        "run_length_promised",
        "ewma_limit_sigmas",
        "cusum_run_length_known",
        "change_since",
        "sentence",
    }
    assert wanted <= set(table)
    assert (table["run_length_promised"] == 260.0 * 3 * len(table)).all()

"""Reading noise from repeats in daily work."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.bench_trust.noise import EPISODE_DAYS, noise_over_time, repeat_noise


def sheets(
    n: int = 200,
    *,
    sd: float = 0.2,
    habits: tuple[float, ...] = (0.0, 0.0, 0.0),
    days: int = 10,
    seed: int = 1,
) -> pd.DataFrame:
    """`n` units read twice by operators drawn at random."""
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(n), 2)
    operator = rng.integers(0, len(habits), 2 * n)
    return pd.DataFrame(
        {
            "unit": unit.astype(str), "bench": "main", "purpose": "unit",
            "operator": np.array(list("ABC"))[operator],
            "measured_on": pd.Timestamp("2024-01-01") + pd.to_timedelta(np.tile([0, days], n), "D"),
            "zenith_deg": 2 * rng.standard_normal(n)[unit] + np.array(habits)[operator]
            + sd * rng.standard_normal(2 * n),
        }
    )  # fmt: skip


def whole(table: pd.DataFrame) -> pd.Series:
    return table[(table["bench"] == "") & (table["operator"] == "")].iloc[0]


def test_the_noise_is_found_with_its_interval() -> None:
    """0.2° drawn, 0.2° found; a pair has half the difference's square (worked by hand without operators)."""
    frame = sheets()
    row = whole(repeat_noise(frame).table)
    assert row["sd_low"] < 0.2 < row["sd_high"]
    plain = frame.drop(columns="operator")
    pairs = plain["zenith_deg"].to_numpy().reshape(-1, 2)
    assert whole(repeat_noise(plain).table)["sd"] == pytest.approx(
        np.sqrt(0.5 * np.mean((pairs[:, 0] - pairs[:, 1]) ** 2))
    )
    assert whole(repeat_noise(plain).table)["dof"] == 200


@pytest.mark.long
def test_intervals_hold_what_they_promise() -> None:
    """95 % intervals over 100 benches of 30 pairs: at least 87 hold the truth (3.7 sd of a count)."""
    held = 0
    for seed in range(100):
        row = whole(repeat_noise(sheets(30, seed=seed)).table)
        held += bool(row["sd_low"] <= 0.2 <= row["sd_high"])
    assert held >= 87


def test_an_operators_own_scatter() -> None:
    """C scatters three times as much: his row says so, the others' don't, though they shared units."""
    frame = sheets(400)
    rng = np.random.default_rng(9)
    theirs = frame["operator"] == "C"
    frame.loc[theirs, "zenith_deg"] += np.sqrt(0.6**2 - 0.2**2) * rng.standard_normal(int(theirs.sum()))
    table = repeat_noise(frame).table.set_index("operator")
    for name, true in (("A", 0.2), ("B", 0.2), ("C", 0.6)):
        assert table.loc[name, "sd_low"] < true < table.loc[name, "sd_high"]
    assert table.loc["A", "sd_high"] < table.loc["C", "sd_low"]


def test_an_operators_habit() -> None:
    """A habit of 0.3° is found against the mean of the three, and said; equal operators aren't called off."""
    found = repeat_noise(sheets(habits=(0.0, 0.3, 0.0)))
    rows = found.operators.set_index("operator")
    assert rows["off"].to_dict()["B"]
    assert rows.loc["B", "offset_low"] < 0.2 < rows.loc["B", "offset_high"]
    assert rows["offset"].sum() == pytest.approx(0.0, abs=1e-9)
    assert "B reads the zenith +0." in found.sentence
    assert not repeat_noise(sheets()).operators["off"].any()


def test_noise_over_time() -> None:
    """Twice the noise in the second year shows in its row; quarters hold their own pairs."""
    second = sheets(sd=0.4, seed=3).assign(unit=lambda d: "n" + d["unit"])
    second["measured_on"] += pd.DateOffset(years=1)
    both = pd.concat([sheets(), second], ignore_index=True)
    table = noise_over_time(both, "year").set_index("period")
    assert list(table.index) == ["2024", "2025"]
    assert table.loc["2024", "sd_low"] < 0.2 < table.loc["2024", "sd_high"]
    assert table.loc["2025", "sd_low"] < 0.4 < table.loc["2025", "sd_high"]
    assert "operator" not in table
    assert noise_over_time(both, "quarter")["period"].tolist() == ["2024Q1", "2025Q1"]


def test_slips_are_left_out_and_told() -> None:
    """Two slips of 5° don't swell the noise; the table counts the sheets left out."""
    frame = sheets()
    clean = whole(repeat_noise(frame).table)["sd"]
    frame.loc[[10, 100], "zenith_deg"] += 5.0
    row = whole(repeat_noise(frame).table)
    assert row["sd"] == pytest.approx(clean, rel=0.05)
    assert row["slips"] >= 2


def test_readings_far_apart_are_no_repeats() -> None:
    """Beyond a quarter of a year a unit wears: nothing is taken from it, and the line says what to do."""
    found = repeat_noise(sheets(days=EPISODE_DAYS + 1))
    assert found.table.empty
    assert found.operators.empty
    assert "read a unit again" in found.sentence


def test_benches_are_told_apart() -> None:
    """Two benches, one noisier: rows for each and for both together."""
    both = pd.concat([sheets(), sheets(sd=0.5, seed=2).assign(bench="new", unit=lambda d: "n" + d["unit"])])
    table = repeat_noise(both).table
    by_bench = table[(table["operator"] == "") & (table["bench"] != "")].set_index("bench")["sd"]
    assert by_bench["new"] > 2 * by_bench["main"]
    assert by_bench["main"] < whole(table)["sd"] < by_bench["new"]


def test_operators_who_share_no_unit_are_not_compared() -> None:
    """A reads some units, B others: no offsets, and the line says why."""
    frame = sheets()
    frame["operator"] = np.where(frame["unit"].astype(int) < 100, "A", "B")
    found = repeat_noise(frame)
    assert found.operators.empty
    assert "can't be compared" in found.sentence

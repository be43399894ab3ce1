"""Charts as pure functions: the figures in the picture are the result's, and words can stand in for it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.tradeoff import trade_off
from fleet.attainment.attainment import attainment
from fleet.attainment.distributions import distribution
from fleet.attainment.peers import PAIRS, peer_group
from fleet.charts import enquiry, groups, rates, suspects, tables
from fleet.charts.groups import list_rows
from fleet.charts.style import COLOURS, DARK, LIGHT, MOST_MARKS, SHAPES
from fleet.numerals import figure, percent
from fleet.policy.policy import Policy
from fleet.words import OUTCOMES, plain_word


def units(n: int = 40) -> pd.DataFrame:
    """Units of two kinds, rake rising evenly, on a bench that measured over two years."""
    step = np.linspace(-2.0, 2.0, n)
    return pd.DataFrame(
        {
            "sheet_no": [f"B{i}" for i in range(n)],
            "unit": [f"u{i}" for i in range(n)],
            "newest": True,
            "purpose": "unit",
            "bench": "main",
            "measured_on": pd.date_range("2023-01-15", periods=n, freq="15D"),
            "body_family": "F_1",
            "stylus_profile": "line_contact",
            "cantilever_material": np.where(np.arange(n) % 4 == 0, "ruby", "boron"),
            "sra_static_deg": 91.5 + step,
            "sra_dynamic_deg": 91.0 + step,
            "vta_dynamic_deg": 21.0 + 0.5 * step,
            "zenith_deg": step,
            "channel_balance_db": 0.1,
            "azimuth_optical_deg": 0.2,
            "azimuth_electrical_deg": 0.1,
            "tilt_room_deg": 3.0,
        }
    )


def layers(chart: Any) -> list[dict[str, Any]]:
    spec = chart.to_dict()
    data = spec.get("datasets", {})
    return [
        {**layer, "rows": data.get(layer.get("data", spec.get("data", {})).get("name"), [])}
        for layer in spec["layer"]
    ]


def quote_row() -> pd.Series:
    row: dict[str, Any] = {}
    for name, middle in (
        ("sag_deg", 0.6),
        ("sra_dynamic_deg", 91.0),
        ("vta_dynamic_deg", 22.0),
        ("built_in_deg", 69.0),
        ("tilt_deg", -0.5),
        ("bench_minutes", 70.0),
    ):
        for q, off in zip(
            ("q05", "q10", "q25", "q50", "q75", "q90", "q95"), (-2, -1.5, -0.7, 0, 0.7, 1.5, 2), strict=True
        ):
            row[f"{name}_{q}"] = middle + off
    row |= dict.fromkeys(OUTCOMES, 0.25)
    row |= {"price_low": np.nan, "price_quoted": np.nan, "price_high": np.nan}
    return pd.Series(row)


def test_a_predictive_histogram_holds_every_draw_inside_the_axis() -> None:
    """The bars' shares are counts over draws: all of them inside the axis, none lost at the bars' edges."""
    draws = np.linspace(90.0, 93.0, 601)
    chart = enquiry.predictive(draws, "sra_dynamic_deg", Policy())
    bars = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "bar")
    assert sum(bar["share"] for bar in bars) == pytest.approx(1.0)
    assert {round(bar["to"] - bar["from"], 9) for bar in bars} == {0.5}
    assert bars[0] == {"from": 90.0, "to": 90.5, "share": pytest.approx(100 / 601), "share_said": "17 %"}


def test_bars_stand_on_the_same_grid_whatever_is_asked() -> None:
    """Two quotes far apart have bars of one width that start at whole multiples of it."""
    for middle in (88.13, 94.71):
        draws = np.random.default_rng(1).normal(middle, 1.0, 500)
        bars = enquiry.histogram(draws, 0.5, [80.0, 100.0])
        assert np.allclose(bars["from"] % 0.5, 0.0)


def test_policy_bands_stand_behind_rake_and_tracking_but_not_sag() -> None:
    """The bands drawn are the policy's own limits; sag has no target and gets none."""
    policy = Policy(tracking_limit_deg=21.0)
    assert enquiry.policy_bands("sag_deg", policy) == []
    assert enquiry.policy_bands("sra_dynamic_deg", policy)[0][1:] == (90.5, 92.5)
    assert enquiry.policy_bands("vta_dynamic_deg", policy)[0].high == 21.0
    chart = enquiry.predictive(np.linspace(18, 26, 99), "vta_dynamic_deg", policy)
    rect = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "rect")
    assert {row["high"] for row in rect} == {21.0, 20.0}
    assert "accepted up to 21°" in chart.description


def test_the_predictive_interval_is_the_draws_own() -> None:
    """Median and 90 % ends of the picture, and of its words, are the draws' quantiles."""
    draws = np.random.default_rng(2).normal(22.0, 1.5, 1001)
    chart = enquiry.predictive(draws, "vta_dynamic_deg", Policy())
    row = next(layer["rows"][0] for layer in layers(chart) if layer["rows"] and "middle" in layer["rows"][0])
    assert row["middle"] == pytest.approx(np.median(draws))
    assert row["low"] == pytest.approx(np.quantile(draws, 0.05))
    assert f"median {np.median(draws):.2f}" in chart.description


def test_the_trade_off_line_marks_the_best_tilt() -> None:
    """The marked point is the table's best tilt; each line differs by dash as well as by colour."""
    rng = np.random.default_rng(3)
    result = trade_off(rng.normal(90, 1, 300), rng.normal(21, 1, 300), np.full(300, 3.0), Policy())
    chart = enquiry.trade_off_line(result)
    found = layers(chart)
    point = next(layer for layer in found if layer["mark"]["type"] == "point")
    assert point["rows"][0]["tilt_deg"] == result.best_tilt_deg
    line = next(layer for layer in found if layer["mark"]["type"] == "line")
    assert line["encoding"]["color"]["scale"]["domain"] == line["encoding"]["strokeDash"]["scale"]["domain"]
    assert len({tuple(d) for d in line["encoding"]["strokeDash"]["scale"]["range"]}) == 3


def test_a_spherical_stylus_has_no_rake_line() -> None:
    """Without a rake the trade-off draws the tracking angle alone, and speaks of no other."""
    chart = enquiry.trade_off_line(trade_off([np.nan] * 9, np.linspace(20, 24, 9), [3.0] * 9, Policy()))
    line = next(layer for layer in layers(chart) if layer["mark"]["type"] == "line")
    assert {row["target"] for row in line["rows"]} == {"tracking met"}
    assert "both" not in chart.description


def test_the_tilt_path_runs_one_for_one() -> None:
    """Along the path rake and tracking change by the same angle, through the median reading."""
    draws = pd.DataFrame({"sra_dynamic_deg": [90.0, 91.0, 92.0], "vta_dynamic_deg": [21.0, 22.0, 23.0]})
    chart = enquiry.tilt_path(draws, quote_row(), Policy())
    path = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "line")
    assert path[0] == {"vta": 17.0, "sra": 86.0}
    assert path[1]["sra"] - path[0]["sra"] == pytest.approx(path[1]["vta"] - path[0]["vta"])


def test_quote_tables_show_the_row_with_units() -> None:
    """Every figure of the small tables carries its unit and is the row's own."""
    row = quote_row()
    table = tables.quantiles(row).set_index("bench reading")
    assert table.loc["dynamic sag", "median"] == "0.60°"
    assert table.loc["bench time", "nine in ten"] == "68 to 72 min"
    assert set(tables.chances(row)["chance"]) == {"25 %"}


def test_a_stylus_without_rake_has_one_target() -> None:
    """Neither the headline nor the chances of a spherical stylus speak of both targets or of rake."""
    row = quote_row()
    row["p_rake_met"] = np.nan
    label, value, note = tables.headline(row, Policy())[0]
    assert (label, value) == ("A tilt serves tracking", "25 %")
    said = " ".join([note, *tables.chances(row)["chance that"]])
    assert "both" not in said
    assert "rake can be met" not in said


def test_the_price_stands_in_the_headline_only_with_a_rate() -> None:
    """Without an hourly rate the fourth figure is the chance of a made wedge; with one it is the price."""
    row = quote_row()
    assert tables.headline(row, Policy())[-1][:2] == ("Made wedge", "25 %")
    row[["price_low", "price_quoted", "price_high"]] = 60.0, 80.0, 95.0
    label, value, note = tables.headline(row, Policy(hourly_rate=60.0, currency="EUR"))[-1]
    assert (label, value, note) == ("Price", "80 EUR", "Between 60 and 95 EUR.")


def test_groups_are_drawn_with_their_counts_and_both_estimates() -> None:
    """Each row of the picture names its n; the raw median is the table's, the model's stands beside it."""
    found = distribution(units(), "sra_dynamic_deg", "cantilever_material")
    chart = groups.readings_by_group(found)
    rows = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "point")
    assert [row["label"] for row in rows] == ["boron  (n 30)", "ruby  (n 10)"]
    assert rows[0]["middle"] == pytest.approx(found.table["median"].iloc[0])
    assert "no house model yet" in groups.reading_guide(found)
    table = found.table.assign(model=91.0, model_low=90.5, model_high=91.5)
    both = groups.readings_by_group(type(found)(table, found.readings, found.quantity, ""))
    rows = next(layer["rows"] for layer in layers(both) if layer["mark"]["type"] == "point")
    assert {row["estimate"] for row in rows} == {"raw median", "house model"}


def test_a_large_fleet_is_sampled_not_drawn_dot_by_dot() -> None:
    """Ten thousand readings give at most the allowed marks, from the smallest reading on."""
    found = distribution(units(10_000), "zenith_deg", "cantilever_material")
    shown = found.table.assign(label=found.table["group"])
    dots = groups.thin_readings(found.readings, shown, MOST_MARKS // 2)
    assert len(dots) <= MOST_MARKS
    assert dots["value"].min() == found.readings["value"].min()


def test_small_groups_say_so_in_the_table() -> None:
    """A group under six units has no interval of its own and the table says so."""
    table = groups.figures(distribution(units(8), "zenith_deg", "cantilever_material")).set_index("group")
    assert table.loc["ruby", "95 % of that median"] == "too few"
    assert table.loc["ruby", "units"] == 2


def test_rates_are_the_attainment_tables_own() -> None:
    """Rate, interval and counts in the picture are the judgement's; groups are ordered best first."""
    table = rates.name_groups(attainment(units(), ["cantilever_material"], Policy()), ["cantilever_material"])
    chart = rates.rates_by_group(table, "both_level", "met")
    rows = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "point")
    told = table.set_index("group")
    for row in rows:
        assert row["rate"] == pytest.approx(told.loc[row["group"], "both_level_rate"])
        assert row["low"] == pytest.approx(told.loc[row["group"], "both_level_low"])
    assert [row["rate"] for row in rows] == sorted((row["rate"] for row in rows), reverse=True)


def test_causes_add_up_to_all_units() -> None:
    """One tilt serves both, the built-in angle forbids it, or the room does: shares end at 1, blurred too."""
    table = rates.name_groups(attainment(units(), ["cantilever_material"], Policy()), ["cantilever_material"])
    shares = rates.cause_shares(table)
    assert shares.groupby("label")["to"].max().tolist() == pytest.approx([1.0, 1.0])
    assert rates.conflict_causes(table).description.startswith("Share of units by group")
    blurred = rates.cause_shares(table.assign(conflict_built_in_rate=0.9, both_reachable_rate=0.6))
    assert blurred.groupby("label")["to"].max().tolist() == pytest.approx([1.0, 1.0])
    assert set(blurred.loc[blurred["what"] == "built-in angle forbids it", "said"]) == {"90 %"}


def test_periods_are_drawn_for_the_largest_groups_with_shapes() -> None:
    """Each group over time has a colour and a shape of its own; the words tell first and last period."""
    table = rates.name_groups(
        attainment(units(), ["cantilever_material"], Policy(), "year"), ["cantilever_material"]
    )
    chart = rates.rates_over_time(table, "both_level", "met")
    point = next(layer for layer in layers(chart) if layer["mark"]["type"] == "point")
    assert point["encoding"]["shape"]["scale"]["range"] == ["circle", "square"]
    assert {row["period"] for row in point["rows"]} == {"2023", "2024"}
    assert "in 2023" in chart.description
    assert "in 2024" in chart.description


def test_fault_chances_are_sorted_and_complete() -> None:
    """The bars hold every chance of the row but the p value, the likeliest first."""
    row = {"p_value": 0.001, "p_healthy": 0.2, "p_stylus_twisted": 0.7, "p_other": 0.1, "score": 4.0}
    assert suspects.chances(row)["name"].tolist() == ["stylus twisted", "healthy", "other"]
    assert "stylus twisted 70 %" in suspects.fault_chances(row).description


@pytest.mark.parametrize("pair", PAIRS)
def test_a_suspect_stands_in_its_cloud(pair: tuple[str, str]) -> None:
    """The diamond is the unit's own pair of figures, the dots are the others, the words name both."""
    frame = units()
    found = peer_group(frame, "B5")
    chart = suspects.pair_of_links(found, pair)
    assert chart is not None
    own = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "point")
    assert own[0][pair[0]] == pytest.approx(found.own[pair[0]])
    others = next(layer["rows"] for layer in layers(chart) if layer["mark"]["type"] == "circle")
    assert len(others) == len(found.others)
    assert "median of the others" in chart.description


def test_a_pair_that_was_not_read_is_not_drawn() -> None:
    """Without a zenith reading there is no picture of it, and the table shows a dash."""
    frame = units()
    frame.loc[5, "zenith_deg"] = np.nan
    found = peer_group(frame, "B5")
    assert suspects.pair_of_links(found, ("zenith_deg", "channel_balance_db")) is None
    table = suspects.comparison_table(found).set_index("reading")
    assert table.loc["zenith error", "this unit"] == "–"


def test_words_keep_codes_and_open_the_trades_words() -> None:
    """Words of the contract lose their underscores, codes keep theirs; chances are never falsely certain."""
    assert plain_word("narrow_edge/boron") == "narrow edge/boron"
    assert plain_word("S_01") == "S_01"
    assert [percent(p) for p in (0.0, 0.001, 0.5, 0.999, 1.0)] == [
        "0 %",
        "<1 %",
        "50 %",
        ">99 %",
        "100 %",
    ]
    assert figure(float("nan"), "°") == "–"
    assert list_rows(pd.DataFrame({"g": list("abc"), "v": [1.0, 2.0, 3.0]}), "g", "v", "dB", most=2) == (
        "a 1.00 dB; b 2.00 dB; and 1 more"
    )


def test_colours_and_shapes_pair_up_and_ink_changes_with_the_ground() -> None:
    """As many shapes as colours, all different; ink is dark on light and light on dark."""
    assert len(set(COLOURS)) == len(set(SHAPES)) == len(COLOURS)
    assert LIGHT.ink != DARK.ink


def test_a_slip_far_outside_does_not_press_the_picture_flat() -> None:
    """One misread sheet of 40 leaves the axis to the others; how many are not drawn is said."""
    frame = units()
    frame.loc[3, "sra_dynamic_deg"] = 60.0
    found = distribution(frame, "sra_dynamic_deg", "cantilever_material")
    low, high = groups.frame(found)
    assert low > 60.0
    assert high > 93.0
    assert "(1 far outside are not drawn)" in groups.reading_guide(found)

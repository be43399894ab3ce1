"""Pictures that compare: they draw the judgement's figures and say them in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dashboards.picker import clickable
from fleet.attainment.attainment import attainment
from fleet.attainment.comparisons import source_funnel, what_if
from fleet.attainment.contrasts import by_period, contrast
from fleet.attainment.distributions import QUANTITIES
from fleet.charts import contrasts, funnels, information, rates, tables
from fleet.faults.group_drift import Groups
from fleet.policy.policy import Policy
from fleet.quotes.value_of_information import COLUMNS, Information
from synthetic_data.demo import demo_fleet


@pytest.fixture(scope="module")
def sheets() -> pd.DataFrame:
    return demo_fleet().sheets.query("purpose == 'unit'").head(500)


def rows(spec: dict[str, object], layer: int) -> pd.DataFrame:
    """Data that one layer draws."""
    part = spec["layer"][layer]  # type: ignore[index]
    name = part.get("data", spec.get("data"))["name"]  # type: ignore[index]
    return pd.DataFrame(spec["datasets"][name])  # type: ignore[index]


def test_a_difference_is_drawn_where_it_is(sheets: pd.DataFrame) -> None:
    """Without a model one mark with its interval; the description is the judgement's sentence."""
    found = contrast(sheets, "vta_dynamic_deg", "assembly_source", pair=("S01", "S02"))
    spec = contrasts.differences(found).to_dict()
    drawn = rows(spec, 2)
    assert drawn["estimate"].tolist() == ["as read"]
    assert drawn["middle"].iloc[0] == found.shift
    assert drawn["low"].iloc[0] == found.shift_low
    assert spec["description"] == found.sentence


def test_periods_are_drawn_and_listed(sheets: pd.DataFrame) -> None:
    """A mark a period; the table says the same figures."""
    table = by_period(sheets, "sag_deg", "quarter")
    spec = contrasts.over_time(table, QUANTITIES["sag_deg"]).to_dict()
    assert f"(n {table['n'].iloc[0]}) in {table['period'].iloc[0]}" in spec["description"]
    figures = contrasts.period_figures(table, QUANTITIES["sag_deg"])
    assert figures["units"].sum() == table["n"].sum()
    assert figures["median"].iloc[0] == f"{table['median'].iloc[0]:.2f}°"


def test_a_funnel_draws_the_limits_of_its_own_figures(sheets: pd.DataFrame) -> None:
    """The curves pass through each source's limits; those beyond are named in words and by shape."""
    found = attainment(sheets, ["assembly_source"], Policy())
    table, limits = source_funnel(found)
    named = rates.name_groups(table, ["assembly_source"])
    spec = funnels.funnel_plot(named, limits, "both").to_dict()
    drawn = rows(spec, len(spec["layer"]) - 1)
    assert sorted(drawn["rate"]) == sorted(table["rate"])
    curves = rows(spec, 1)
    for row in table.to_dict("records"):
        for name in ("low95", "high95", "low998", "high998"):
            assert np.interp(row["n"], curves["n"], curves[name]) == pytest.approx(row[name], abs=0.03)
    text = funnels.funnel_sentence(named, limits)
    for row in table.to_dict("records"):
        assert (f"{row['assembly_source']} (" in text) == (row["outside"] != "")


def test_another_policy_joins_both_rates(sheets: pd.DataFrame) -> None:
    """Each group's two rates are the judgement's."""
    found = what_if(sheets, ["assembly_source"], Policy(), Policy(name="other", tracking_limit_deg=25.0))
    own = rates.name_groups(found[found["measure"] == "both_reachable"], ["assembly_source"])
    spec = funnels.other_policy(own).to_dict()
    drawn = rows(spec, 1)
    assert len(drawn) == 2 * len(own)
    assert set(drawn.loc[drawn["under"] == "the other one", "rate"]) == set(own["rate_other"])
    assert funnels.other_figures(own)["gained"].sum() == own["gained"].sum()


def test_information_is_drawn_most_telling_first() -> None:
    """Bars in the judgement's order, never below nothing; what is hardly worth asking says so."""
    values = {name: [1.0, 2.0] for name in COLUMNS if name not in ("fact", "words", "worth")}
    table = pd.DataFrame({**values, "fact": ["a", "b"], "words": ["one", "two"], "worth": [0.3, -0.01]})
    found = Information(table, "")
    spec = information.narrowing_chart(found).to_dict()
    assert "one 30 %; two 0 %" in spec["description"]
    assert information.figures(found)["worth asking"].tolist() == ["yes", "hardly"]


@pytest.mark.parametrize("field", ["group"])
def test_a_click_names_the_group_and_changes_nothing_else(sheets: pd.DataFrame, field: str) -> None:
    """The clickable chart is the chart and one selection, also where its layers share a frame."""
    found = rates.name_groups(attainment(sheets, ["assembly_source"], Policy(), "year"), ["assembly_source"])
    whole = rates.name_groups(attainment(sheets, ["assembly_source"], Policy()), ["assembly_source"])
    for chart in (
        rates.rates_over_time(found, "both_reachable", "both"),
        rates.rates_by_group(whole, "both_reachable", "both"),
        rates.conflict_causes(whole),
    ):
        plain, live = chart.to_dict(), clickable(chart, field).to_dict()
        assert [p["name"] for p in live["params"]] == ["picked"]
        assert live["params"][0]["select"]["fields"] == [field]
        assert live["datasets"].keys() == plain["datasets"].keys()
        assert len(live["layer"]) == len(plain["layer"])
        assert live["description"] == plain["description"]


def test_tables_of_intakes_versions_and_drifts_are_words() -> None:
    """Dashes for nothing, units in headings, no token."""
    history = pd.DataFrame(
        {
            "version": [1],
            "intake_id": [3],
            "undone_at": [pd.NaT],
            "sheet_no": ["A1"],
            "serial_token": ["t"],
            "sra_dynamic_deg": [91.256],
            "stylus_profile": ["line_contact"],
        }
    )
    table = tables.versions(history)
    assert table.columns.tolist() == ["column", "version 1 (intake 3)"]
    cells = dict(zip(table["column"], table["version 1 (intake 3)"], strict=True))
    assert cells == {"sheet_no": "A1", "sra_dynamic_deg [°]": "91.26", "stylus_profile": "line contact"}
    drifts = pd.DataFrame(
        {
            "kind": ["source"],
            "group": ["S01"],
            "link": ["built_in"],
            "check": ["drift"],
            "units": [20],
            "since": [pd.Timestamp("2024-03-01")],
            "change": [-0.5],
            "unit": ["°"],
            "p_adjusted": [0.01],
            "alarm": [True],
        }
    )
    shown = tables.checks(Groups(drifts, "", 0.05)).iloc[0]
    assert shown.tolist() == [
        "source S01",
        "built-in angle",
        "drift",
        20,
        "2024-03-01",
        "-0.50°",
        "1 %",
        "yes",
    ]

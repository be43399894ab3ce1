"""The enquiry page: everything optional, the figures the quote's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from page_helpers import OpenPage, bold, notes

from dashboards import state
from dashboards.data import quotes, store_state
from fleet.columns import ENQUIRY_COLUMNS
from fleet.fitting.kept_model import load_house
from fleet.house_model.predict import Forecaster
from fleet.policy.files import load_policy
from fleet.quotes.quote import quote
from fleet.store import Store

pytestmark = pytest.mark.long


def own_quote(store: Path, **facts: object) -> pd.Series:
    """The judgement's own answer, asked for without any page."""
    row = {"enquiry_id": ["Q"]} | {name: [value] for name, value in facts.items()}
    quotes = quote(pd.DataFrame(row), Forecaster(load_house(Store(store))), load_policy(None))
    return quotes.table.iloc[0]


def test_nothing_told_still_gets_an_answer(filled: Path, open_page: OpenPage) -> None:
    """With every field empty the page quotes the fleet as a whole: title, answer, figures, pictures."""
    app = open_page(filled)
    assert not app.exception
    assert app.title[0].value == "What will this pickup need?"
    row = own_quote(filled)
    assert f"{row['sra_dynamic_deg_q50']:.1f}°" in bold(app)
    assert app.metric[0].value == f"{100 * row['p_both_met']:.0f} %"
    assert app.metric[1].value == f"{row['tilt_deg_q50']:+.1f}°"
    assert app.metric[2].value == f"{row['bench_minutes_q50']:.0f} min"
    assert len(app.get("vega_lite_chart")) == 6


def test_the_facts_told_are_the_facts_quoted(filled: Path, open_page: OpenPage) -> None:
    """Stylus, cantilever, force and room told by widgets give the very figures of the same quote."""
    app = open_page(filled)
    app.selectbox(key="enquiry.stylus_profile").set_value("line_contact")
    app.selectbox(key="enquiry.cantilever_material").set_value("boron")
    app.number_input(key="enquiry.vtf_mn").set_value(18.0)
    app.number_input(key="enquiry.tilt_room_deg").set_value(2.5)
    app.run()
    assert not app.exception
    row = own_quote(
        filled, stylus_profile="line_contact", cantilever_material="boron", vtf_mn=18.0, tilt_room_deg=2.5
    )
    table = app.dataframe[0].value.set_index("bench reading")
    assert table.loc["dynamic sag", "median"] == f"{row['sag_deg_q50']:.2f}°"
    low, high = row["vta_dynamic_deg_q05"], row["vta_dynamic_deg_q95"]
    assert table.loc["tracking angle, record turning", "nine in ten"] == f"{low:.1f} to {high:.1f}°"
    assert any(row["basis"] in c for c in notes(app))


def test_a_link_opens_the_same_enquiry(filled: Path, open_page: OpenPage) -> None:
    """Facts in the address are the facts of the form, so a quote can be sent as a link."""
    app = open_page(filled, stylus_profile="narrow_edge", assembly_source="S01", vtf_mn="17.5")
    assert not app.exception
    assert app.selectbox(key="enquiry.stylus_profile").value == "narrow_edge"
    assert app.selectbox(key="enquiry.assembly_source").value == "S01"
    assert app.number_input(key="enquiry.vtf_mn").value == 17.5


@pytest.mark.long
def test_each_figure_can_be_told(filled: Path, open_page: OpenPage) -> None:
    """Every number field takes a figure in its own unit and range, and the answer stays an answer."""
    app = open_page(filled)
    for name in (*state.FIGURES, *state.EARLIER):
        field, column = app.number_input(key=f"enquiry.{name}"), ENQUIRY_COLUMNS[name]
        assert column.unit in field.label
        assert (field.min, field.max) == (column.low, column.high)
        field.set_value({"sra_static_deg": 92.0, "vta_dynamic_deg": 22.0}.get(name, 10.0)).run()
        assert not app.exception
        assert bold(app).startswith("Expect")
    app.selectbox(key="enquiry.compliance_frequency_hz").set_value("10").run()
    assert not app.exception
    assert bold(app).startswith("Expect")


@pytest.mark.long
def test_each_code_can_be_told(filled: Path, open_page: OpenPage) -> None:
    """Every list of codes and words can be used, its most measured entry first."""
    app = open_page(filled)
    known = store_state.overview(str(filled), store_state.revision(str(filled))).levels
    for name in state.KIND:
        app.selectbox(key=f"enquiry.{name}").set_value(next(iter(known[name]))).run()
        assert not app.exception
        assert app.selectbox(key=f"enquiry.{name}").value == next(iter(known[name]))
        assert bold(app).startswith("Expect")


def test_a_code_never_seen_is_quoted_and_a_sentence_is_not(filled: Path, open_page: OpenPage) -> None:
    """An unknown family gets an answer; text that is no code gets one line that doesn't repeat it."""
    app = open_page(filled, body_family="F900")
    assert not app.exception
    assert app.metric
    app = open_page(filled, body_family="Mr Nobody's own")
    assert not app.exception
    assert "that are no code" in app.error[0].value
    assert "Nobody" not in app.error[0].value


def test_a_spherical_stylus_has_no_rake_picture(filled: Path, open_page: OpenPage) -> None:
    """A spherical stylus: sag and rake say so, the tracking angle is still drawn."""
    app = open_page(filled, stylus_profile="spherical")
    assert not app.exception
    assert sum("spherical stylus has no rake" in i.value for i in app.info) >= 1
    assert app.get("vega_lite_chart")


def test_policies_of_the_file_can_be_chosen(
    filled: Path, open_page: OpenPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With two policies the page asks which; the chosen one makes the answer, its rate the price."""
    file = tmp_path / "policy.toml"
    file.write_text("[default]\n[kind]\ntracking_limit_deg = 30.0\nhourly_rate = 60.0\ncurrency = 'EUR'\n")
    monkeypatch.setenv("FLEET_POLICY", str(file))
    app = open_page(filled)
    strict = app.metric[0].value
    app.selectbox(key="enquiry.policy").set_value("kind").run()
    assert not app.exception
    assert float(app.metric[0].value.rstrip("%")) > float(strict.rstrip("%"))
    assert app.metric[3].value.endswith("EUR")


def test_an_enquiry_row_has_every_column_typed() -> None:
    """The row handed to the quote holds the whole contract: numbers as floats, the rest as text."""
    row = quotes.enquiry((("stylus_profile", "elliptical"), ("vtf_mn", 20.0)))
    assert set(row.columns) == {"serial_token" if n == "serial" else n for n in ENQUIRY_COLUMNS}
    assert row["vtf_mn"].dtype == np.float64
    assert row["body_family"].isna().all()
    assert row["stylus_profile"].tolist() == ["elliptical"]


def test_the_quote_to_print_is_the_page_answer(filled: Path, open_page: OpenPage) -> None:
    """What is downloaded stands alone and holds the page's answer and what to ask for next."""
    from fleet.policy.policy import Policy

    app = open_page(filled, stylus_profile="elliptical")
    assert not app.exception
    facts = (("stylus_profile", "elliptical"),)
    revision = store_state.revision(str(filled))
    worth = quotes.open_facts_value(str(filled), revision, facts, Policy())
    assert any(worth.sentence == str(m.value).replace("\\", "") for m in app.markdown)
    page = quotes.printable(str(filled), revision, facts, Policy(), worth)
    assert page.startswith("<!DOCTYPE html>")
    assert bold(app) in page
    assert worth.sentence[:60] in page
    assert "What we need to know from you: " in page
    assert "://" not in page.replace("http://www.w3.org/", "")

"""The page "Track record": its figures are the judgement's own, for quotes told and for a back-test."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from page_helpers import OpenPage, bench_sheets, bold, notes

from fleet.fitting.kept_model import load_house
from fleet.policy.policy import Policy
from fleet.quotes.hindcasts import all_facts, as_enquiries, make_hindcasts
from fleet.quotes.kept_quotes import archive_rows
from fleet.quotes.outcomes import pair_forecasts
from fleet.quotes.quote import quote
from fleet.quotes.recalibration import STRETCHED, Correction, Recalibration
from fleet.quotes.track_record import record
from fleet.statistics.quantile_forecasts import LEVELS
from fleet.store import Store
from fleet.store.quotes import keep_backtest, keep_quotes, matched_quotes, save_recalibration

pytestmark = pytest.mark.long

QUESTION = "Did the quotes come true?"


def later_sheets(n: int = 60) -> pd.DataFrame:
    """Sheets of the demo bench that the filled store doesn't have, with enquiry numbers."""
    sheets = bench_sheets(260 + n).iloc[260:].reset_index(drop=True)
    return sheets.assign(enquiry_id=[f"E{i}" for i in range(len(sheets))])


@pytest.fixture(scope="module")
def quoted(filled: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The filled store with quotes of sixty later units, their sheets, and a small back-test."""
    path = Path(shutil.copy(filled, tmp_path_factory.mktemp("record") / "quoted.duckdb"))
    store = Store(path)
    house, later = load_house(store), later_sheets()
    enquiries = as_enquiries(later, all_facts(len(later))).assign(enquiry_id=later["enquiry_id"])
    quotes = quote(enquiries, house, {"default": Policy()})
    keep_quotes(store, archive_rows(quotes, enquiries, house, model_id=1))
    store.append(later, file_name="later.csv")
    old = store.current()
    old = old[old["enquiry_id"].isna()]
    told = all_facts(80)
    kept = make_hindcasts(house, old, old.tail(80).reset_index(drop=True), told, Policy(), boosting=False)
    keep_backtest(store, kept.assign(origin=pd.Timestamp("2022-01-01").date()))
    return path


def test_without_quotes_the_page_says_what_to_run(filled: Path, open_page: OpenPage) -> None:
    """A new user reads which command shows figures on day one."""
    app = open_page(filled, "record")
    assert not app.exception
    assert app.title[0].value == QUESTION
    assert app.code[0].value == "fleet backtest"


def test_the_page_shows_the_judgements_own_figures(quoted: Path, open_page: OpenPage) -> None:
    """Sentence and tables are those of the same record without a page; every picture has words."""
    app = open_page(quoted, "record")
    assert not app.exception
    found = matched_quotes(Store(quoted))
    own_pairs = pair_forecasts(found.forecasts, found.sheets)
    own = record(own_pairs, called="quotes answered by a sheet")
    assert own.n == 60
    assert bold(app) == own.sentence
    held = app.dataframe[2].value
    assert held["quotes"].tolist() == own.coverage["n"].tolist()
    assert held["held"].tolist()[0] == round(100 * own.coverage["held"].iloc[0])
    assert app.dataframe[1].value["forecast"].nunique() >= 3
    listed = app.dataframe[0].value
    assert len(listed) == 60
    low, high = (own_pairs.quantiles["sra_dynamic_deg"][:, LEVELS.index(q)] for q in (0.05, 0.95))
    rake = own_pairs.read["sra_dynamic_deg"]
    assert listed["missed"].str.contains("dynamic rake").sum() == ((rake < low) | (rake > high)).sum()
    assert (listed["missed"] == "").is_monotonic_increasing
    assert len(app.get("vega_lite_chart")) == 5
    assert all('"description"' in c.proto.spec for c in app.get("vega_lite_chart"))
    assert any("95 % sure" in n for n in notes(app))
    assert any("Bench time" in n for n in notes(app))


def test_the_back_test_can_be_shown_and_cut(quoted: Path, open_page: OpenPage) -> None:
    """Each source, grouping, period and quantity draws, and counts every quote once."""
    app = open_page(quoted, "record", source="back-test")
    assert not app.exception
    assert bold(app).startswith("Of 74 quotes of the back-test")
    for by in ("kind", "body_family", "model_id"):
        app.selectbox(key="record.by").set_value(by).run()
        assert not app.exception
    app.selectbox(key="record.per").set_value("year").run()
    assert not app.exception
    app.selectbox(key="record.quantity").set_value("bench_minutes").run()
    assert not app.exception
    assert bold(app).startswith("Of 74 quotes of the back-test")


@pytest.mark.long
def test_a_correction_in_use_is_said_here_and_on_the_enquiry(
    quoted: Path, tmp_path: Path, open_page: OpenPage
) -> None:
    """Switched on, it stands on this page and in the basis of a quote, and its figures are wider."""
    path = Path(shutil.copy(quoted, tmp_path / "own.duckdb"))
    plain = open_page(path)
    corrections = tuple(
        Correction(s, q, 99, 99.0, 0.5, 2.0, "too narrow") for s in ("known", "not_told") for q in STRETCHED
    )
    save_recalibration(Store(path), Recalibration(corrections, "a test").to_text())
    app = open_page(path, "record")
    assert any("Intervals are stretched by a test" in m.value.replace("\\", "") for m in app.markdown)
    wide = open_page(path)
    assert not wide.exception
    assert bold(wide) != bold(plain)


def test_figures_of_a_record_are_never_made_up(quoted: Path) -> None:
    """Coverage on the page's store is a count of readings inside intervals."""
    found = matched_quotes(Store(quoted))
    answers = pair_forecasts(found.forecasts, found.sheets)
    rake, quantiles = answers.read["sra_dynamic_deg"], answers.quantiles["sra_dynamic_deg"]
    told = ~np.isnan(rake)
    inside = (rake >= quantiles[:, 3]) & (rake <= quantiles[:, -4])
    row = record(answers).coverage.query("quantity == 'dynamic rake' and promised == 0.9").iloc[0]
    assert row["held"] == pytest.approx(inside[told].mean())

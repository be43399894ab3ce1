"""Track record and back-test on the command line: keeping quotes, scoring them, correcting, promoting."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.cli.enquiries import correction
from fleet.errors import FleetError
from fleet.fitting.kept_model import load_house
from fleet.intake import load_key, read_enquiries
from fleet.policy.files import load_policy
from fleet.quotes.quote import quote
from fleet.quotes.recalibration import STRETCHED, Correction, Recalibration
from fleet.store import Store
from fleet.store.quotes import matched_quotes, recalibration_text, save_recalibration

Fleet = Callable[..., "object"]
ENQUIRIES, OUTCOMES = "demo-enquiries.csv", "demo-outcomes.csv"


@pytest.fixture
def own(demo_folder: Path, empty_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A copy of the demo bench's store and files that a test may change."""
    for name in ("fleet.duckdb", ENQUIRIES, OUTCOMES):
        shutil.copy(demo_folder / name, empty_folder / name)
    monkeypatch.setenv("FLEET_STORE", "fleet.duckdb")
    store, key = Store(empty_folder / "fleet.duckdb"), load_key(make=False)
    assert key is not None
    with store.writer() as con:  # the key in use here, so that more sheets can come in
        con.execute("update store_state set key_check = ?", [key.check]).fetchall()
    return store


def test_quotes_are_kept_once_and_answered_by_their_sheets(fleet: Fleet, own: Store) -> None:
    """Quoting twice keeps once; the outcomes' sheets answer; the record's figures are those in the file."""
    for _ in range(2):
        assert fleet("quote", ENQUIRIES, "--out", "quotes.csv").status == 0
    waiting = fleet("record")
    assert waiting.status == 0
    assert "40 kept quotes wait for their sheets" in waiting.out
    assert "fleet backtest" in waiting.out
    assert fleet("intake", OUTCOMES).status == 0
    ran = fleet("record", "--quick")
    assert ran.out.startswith(
        "Of 38 quotes answered by a sheet, the 90 % intervals of sag, rake and tracking"
    )
    for words in ("own past of the family", "Brier score", "Bench time:", "family not told", "(PIT): sag "):
        assert words in ran.out
    fleet("record", "--quick", "--out", "record.json", "--quotes", "scored.csv")
    scored, quoted = pd.read_csv("scored.csv"), pd.read_csv("quotes.csv").set_index("enquiry_id")
    assert len(scored) == 40
    told = quoted.loc[scored["enquiry_id"]]
    np.testing.assert_allclose(scored["vta_dynamic_deg_q95"], told["vta_dynamic_deg_q95"], rtol=1e-5)
    table = pd.read_json("record.json")
    inside = (scored["vta_dynamic_deg_read"] >= scored["vta_dynamic_deg_q05"]) & (
        scored["vta_dynamic_deg_read"] <= scored["vta_dynamic_deg_q95"]
    )
    rows = table[(table["part"] == "interval") & (table["what"] == "tracking angle")]
    value = rows.loc[rows["promised"] == 0.9, "value"].iloc[0]
    assert value == pytest.approx(inside[scored["vta_dynamic_deg_read"].notna()].mean())


def test_no_keep_keeps_nothing(fleet: Fleet, own: Store) -> None:
    """Asked not to, nothing is kept."""
    assert fleet("quote", "--kind", "line_contact/boron", "--no-keep").status == 0
    assert matched_quotes(own).issued == 0
    assert fleet("quote", "--kind", "line_contact/boron").status == 0
    assert matched_quotes(own).issued == 1
    assert "No quote is kept yet" in fleet("record").out


def test_a_serial_is_kept_as_its_token_alone(fleet: Fleet, own: Store) -> None:
    """The serial itself is nowhere in the file."""
    serial = "DEMO-NEW-SERIAL-77"
    Path("ask.csv").write_text(f"enquiry_id,serial,stylus_profile\nQ1,{serial},elliptical\n")
    assert fleet("quote", "ask.csv").status == 0
    with own.reader() as con:
        (token,) = con.execute("select serial_token from kept_quote").fetchall()[0]
    assert token
    assert serial not in token
    assert serial.encode() not in own.path.read_bytes()


def test_a_store_that_cannot_be_written_does_not_stop_a_quote(
    fleet: Fleet, own: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The quote is told all the same, with a note that it isn't kept."""

    @contextmanager
    def refused(self: Store, **_: object) -> Iterator[None]:
        raise FleetError("the store may not be opened here; check the rights of the file and its folder.")
        yield

    monkeypatch.setattr(Store, "writer", refused)
    ran = fleet("quote", ENQUIRIES)
    assert ran.status == 0
    assert ran.out.count("DEMO-Q") == 40
    assert ran.err.startswith("Note: not kept for the track record: the store may not be opened here")


def test_without_a_store_nothing_is_kept_or_made(
    fleet: Fleet, empty_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cold quote makes no store."""
    monkeypatch.delenv("FLEET_STORE")
    monkeypatch.setenv("XDG_DATA_HOME", str(empty_folder / "data"))
    assert fleet("quote", "--kind", "line_contact/boron").status == 0
    assert not list(empty_folder.rglob("*.duckdb"))


@pytest.mark.long
def test_a_correction_is_said_and_can_be_left_out(fleet: Fleet, own: Store) -> None:
    """Corrected quotes say so in basis and below the table; --as-modelled is the model's own word."""
    corrections = tuple(
        Correction(s, q, 99, 99.0, 0.6, 2.0, "too narrow")
        for s in ("known", "new", "not_told")
        for q in STRETCHED
    )
    save_recalibration(own, Recalibration(corrections, "the track record of 99 quotes").to_text())
    use = correction(own)
    assert use is not None
    ran = fleet("quote", ENQUIRIES)
    assert "Intervals stretched by the track record of 99 quotes: sag × 2.00" in ran.out
    fleet("quote", ENQUIRIES, "--out", "corrected.csv")
    fleet("quote", ENQUIRIES, "--as-modelled", "--out", "plain.csv")
    enquiries, _ = read_enquiries(ENQUIRIES)
    house = load_house(own)
    for file, expected in (("corrected.csv", use), ("plain.csv", None)):
        table = quote(enquiries, house, load_policy(None), recalibration=expected).table
        written = pd.read_csv(file)
        np.testing.assert_allclose(
            written["vta_dynamic_deg_q95"], table["vta_dynamic_deg_q95"].astype(float), rtol=1e-7
        )
        assert written["basis"].str.contains("stretched").all() == (expected is not None)
    assert fleet("record", "--no-recalibrate").status == 0
    assert recalibration_text(own) is None
    assert correction(own) is None


@pytest.mark.long
def test_a_back_test_shows_day_one_figures_and_stays(fleet: Fleet, own: Store) -> None:
    """Fit on the past, quote the next quarter; shown again without another run; too few are refused."""
    ran = fleet("backtest", "--quick", "--from", "2025-04-01", "--told", ENQUIRIES)
    assert ran.status == 0, ran.err
    assert "quotes of the back-test" in ran.out
    again = fleet("record", "--backtest")
    assert again.out == ran.out
    found = matched_quotes(own, backtest=True)
    assert (pd.to_datetime(found.sheets["measured_on"]) >= "2025-04-01").all()
    assert fleet("record", "--backtest", "--by", "kind", "--per", "quarter").status == 0
    refused = fleet("record", "--backtest", "--by", "colour")
    assert refused.status == 2
    assert "can't group by 'colour'" in refused.err
    learnt = fleet("record", "--backtest", "--recalibrate")
    assert "it takes 50 independent ones" in learnt.out


def test_a_short_history_is_refused_in_one_line(fleet: Fleet, sheets: Path) -> None:
    """Four sheets are no history."""
    fleet("intake", str(sheets))
    ran = fleet("backtest")
    assert ran.status == 2
    assert "history is too short for a back-test" in ran.err
    assert "No back-test has been made yet" in fleet("record", "--backtest").out


@pytest.mark.long
def test_an_earlier_model_can_be_used_again(fleet: Fleet, own: Store) -> None:
    """refit says what it decided; --use goes back; the list shows which one answers."""
    ran = fleet("refit")
    assert "Model 2 is in use, untried: fewer than 30 units" in ran.out
    assert fleet("model", "--use", "1").out.startswith("Model 1 answers from now on")
    listed = fleet("model", "--list").out.splitlines()
    assert [("in use" in line) for line in listed[1:3]] == [False, True]
    assert fleet("model", "--use", "9").status == 2

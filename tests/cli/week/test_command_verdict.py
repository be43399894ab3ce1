"""Verdicts, groups and saved readings on the command line, against a store with a fitted model."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.faults.likelihood_ratio import FaultPrior
from fleet.faults.suspects import suspects
from fleet.faults.verdicts import prior_from_verdicts
from fleet.fitting.kept_model import load_house
from fleet.store import Store, count_faults, list_verdicts

Fleet = Callable[..., "object"]
READINGS = (
    "--family",
    "F001",
    "--sra-static-deg",
    "91",
    "--sra-dynamic-deg",
    "90",
    "--vta-dynamic-deg",
    "23",
)


@pytest.fixture
def own(demo_folder: Path, empty_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """The demo bench's store, a copy that may be changed."""
    path = empty_folder / "copy.duckdb"
    shutil.copy(demo_folder / "fleet.duckdb", path)
    monkeypatch.setenv("FLEET_STORE", str(path))
    monkeypatch.setenv("FLEET_SECRET", "a key for tests only")
    return Store(path)


def test_a_verdict_is_recorded_by_sheet_number(fleet: Fleet, own: Store) -> None:
    """The sheet's unit gets the verdict with its day; the model doesn't count as old for it."""
    sheet = own.current(["sheet_no", "bench", "unit"]).iloc[5]
    words = ("verdict", sheet["sheet_no"], "confirmed", "stylus_twisted", "--on", "2024-05-31")
    ran = fleet(*words)
    assert (ran.status, ran.err) == (0, "")
    assert "confirmed stylus twisted" in ran.out
    (row,) = list_verdicts(own).to_dict("records")
    assert (row["unit"], row["outcome"], row["fault"]) == (sheet["unit"], "confirmed", "stylus_twisted")
    assert f"{row['recorded_on']:%Y-%m-%d}" == "2024-05-31"
    assert "up to date" in fleet("status").out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("SHEET", "fine"), "a verdict is one of confirmed, healthy, other_fault"),
        (("SHEET", "confirmed", "rust"), "needs the fault that was found: rake_set_wrong, "),
        (("SHEET", "healthy", "--on", "31.5.2024"), "YYYY-MM-DD"),
        (("SHEET", "healthy", "--on", "2999-01-01"), "in the future"),
        (("NOBODY", "healthy"), "there is no such sheet or unit"),
    ],
)
def test_wrong_words_are_one_line(fleet: Fleet, own: Store, words: tuple[str, ...], line: str) -> None:
    """Each mistake is one line with what is accepted, and nothing is recorded."""
    sheet = str(own.current(["sheet_no"]).iloc[0, 0])
    ran = fleet("verdict", *(sheet if word == "SHEET" else word for word in words))
    assert ran.status == 2
    assert line in ran.err
    assert ran.err.count("\n") == 1
    assert list_verdicts(own).empty


@pytest.mark.long
def test_verdicts_move_the_list_and_show_in_the_record(fleet: Fleet, own: Store) -> None:
    """Suspects are judged by the shares that verdicts moved; the record counts flags that were right."""
    house, sheets = load_house(own), own.current()
    sheets = sheets[sheets["purpose"] == "unit"]
    before = suspects(house, sheets).table
    foremost = before[before["flagged"]].drop_duplicates("unit").head(3)
    for sheet, fault in zip(foremost["sheet_no"], foremost["leading_fault"], strict=True):
        word = ("other_fault",) if fault == "other" else ("confirmed", fault)
        assert fleet("verdict", sheet, *word, "--bench", "demo").status == 0
    prior = prior_from_verdicts(FaultPrior(), count_faults(own))
    marked = own.current()  # a verdict on a slip takes its mark off
    want = suspects(house, marked[marked["purpose"] == "unit"], prior=prior).table
    assert fleet("suspects", "--out", "suspects.csv").status == 0
    written = pd.read_csv("suspects.csv")
    assert written["p_healthy"].to_numpy() == pytest.approx(want["p_healthy"].to_numpy(dtype=float))
    assert written["p_misread"].to_numpy() != pytest.approx(before["p_misread"].to_numpy(dtype=float))
    ran = fleet("suspects", "--verdicts")
    assert "3 of " in ran.out
    assert "3 were faulty" in ran.out
    assert fleet("suspects", "--verdicts", "--out", "record.json").status == 0
    assert json.loads(Path("record.json").read_text())[-1]["right_fault"] == 3


def test_the_workshops_own_shares(fleet: Fleet, own: Store) -> None:
    """--prior changes the answer of suspects and judge; a file that can't be is refused in one line."""
    Path("prior.toml").write_text("[faults]\nmisread = 0.3\n")
    words = ("judge", *READINGS, "--zenith-deg", "2.5", "--out")
    assert fleet(*words, "plain.json").status == 0
    assert fleet(*words, "moved.json", "--prior", "prior.toml").status == 0
    plain, moved = (json.loads(Path(f"{name}.json").read_text())[0] for name in ("plain", "moved"))
    assert moved["p_misread"] > 2.0 * plain["p_misread"]
    Path("prior.toml").write_text("[faults]\nrust = 0.3\n")
    ran = fleet("suspects", "--prior", "prior.toml")
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert "prior.toml: there is no fault of that name" in ran.err


@pytest.mark.long
def test_groups_are_reported_apart_from_units(fleet: Fleet, own: Store) -> None:
    """--groups prints how many were charted and at which rate of false alarms; --out writes every check."""
    ran = fleet("suspects", "--groups")
    assert ran.status == 0
    assert "groups charted in" in ran.out
    assert "of 100 steady fleets about 5 at most would show any" in ran.out
    assert fleet("suspects", "--groups", "--out", "groups.csv").status == 0
    written = pd.read_csv("groups.csv")
    assert set(written["kind"]) == {"bench", "source", "family"}
    assert written["p_adjusted"].between(0.0, 1.0).all()
    assert fleet("suspects", "--groups", "--verdicts").status == 2


@pytest.mark.long
def test_judged_readings_are_saved_on_request(fleet: Fleet, own: Store) -> None:
    """With --save and a number the readings become a sheet; the same again changes nothing."""
    words = ("judge", *READINGS, "--save", "--sheet-no", "N-1", "--measured-on", "2024-06-01")
    ran = fleet(*words)
    assert ran.status == 0
    assert ran.out.splitlines()[-1].startswith("Saved as a sheet")
    (row,) = own.history("N-1").to_dict("records")
    assert (row["body_family"], row["sra_static_deg"], row["purpose"]) == ("F001", 91.0, "unit")
    assert f"{row['measured_on']:%Y-%m-%d}" == "2024-06-01"
    assert "already, with the same contents" in fleet(*words).out
    other = [word if word != "91" else "92" for word in words]
    ran = fleet(*other)
    assert ran.status == 2
    assert "the number is in the store already with other contents" in ran.err
    assert len(own.history("N-1")) == 1


def test_a_sheet_from_a_file_is_saved_with_a_number(fleet: Fleet, sheets: Path) -> None:
    """A file's readings take the number typed beside it, their serial becomes a token, the day is today's."""
    assert fleet("intake", str(sheets)).status == 0
    Path("one.csv").write_text("body_family,sra_static_deg,vta_dynamic_deg,serial\nF1,91,23,S-1\n")
    ran = fleet("judge", "one.csv", "--save", "--sheet-no", "N-2", "--out", "verdict.csv")
    assert (ran.status, "Saved as a sheet" in ran.err) == (0, True)
    own = Store("own.duckdb")
    found = own.current(["sheet_no", "unit"]).set_index("sheet_no")["unit"]
    assert found["N-2"] == found["A1"]
    assert int(own.intakes()["accepted"].iloc[-1]) == 1
    assert own.history("N-2")["measured_on"].iloc[0].date() == dt.date.today()


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--save",), "--save needs sheet_no as well; nothing was stored"),
        (("--save", "--sheet-no", "no good @"), "not saved: sheet_no"),
        (("--save", "--sheet-no", "N-3", "--measured-on", "soon"), "not saved: measured_on"),
        (("--sheet-no", "N-3"), "go with --save"),
    ],
)
def test_what_is_no_sheet_is_not_saved(fleet: Fleet, own: Store, words: tuple[str, ...], line: str) -> None:
    """A missing or impossible number or day is one line, and the store stays as it was."""
    before = own.revision()
    ran = fleet("judge", *READINGS, *words)
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert line in ran.err
    assert own.revision() == before


def test_nothing_is_saved_unasked(fleet: Fleet, own: Store) -> None:
    """Judging without --save leaves the store as it was."""
    before = own.revision()
    assert fleet("judge", *READINGS).status == 0
    assert own.revision() == before

"""Quotes on the command line, against the judgement's own figures."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.cli.column_options import SHORT_NAMES
from fleet.faults.visits import ASSEMBLY, BODY, QUOTED
from fleet.fitting.kept_model import load_house
from fleet.intake import read_enquiries
from fleet.policy.files import load_policy
from fleet.quotes.quote import quote
from fleet.store import Store
from fleet.words import BENCH_DECIDES

QUOTED_FACTS = (*BODY, *ASSEMBLY, *QUOTED)
Fleet = Callable[..., "object"]
pytestmark = pytest.mark.usefixtures("demo_store")

RATES = (
    '[default]\nhourly_rate = 60.0\nbase_fee = 20.0\ncurrency = "EUR"\n\n[kind]\ntracking_limit_deg = 26.0\n'
)


def test_a_file_of_enquiries(fleet: Fleet, demo_folder: Path, demo_store: Path) -> None:
    """--out holds exactly the judgement's table, one row an enquiry in the file's order."""
    file = demo_folder / "demo-enquiries.csv"
    ran = fleet("quote", str(file), "--out", "quotes.csv")
    assert ran.status == 0
    assert ran.out == "Wrote quotes.csv (40 rows).\n"
    enquiries, _ = read_enquiries(file)
    expected = quote(enquiries, load_house(Store(demo_store)), load_policy(None)).table
    written = pd.read_csv("quotes.csv")
    assert list(written) == list(expected)
    assert written["enquiry_id"].tolist() == enquiries["enquiry_id"].tolist()
    figures = expected.select_dtypes("number").columns
    np.testing.assert_allclose(written[figures], expected[figures].astype(float), rtol=1e-7)


def test_a_file_read_by_people(fleet: Fleet, demo_folder: Path) -> None:
    """On a terminal each enquiry gets one line, ranges with units in the heading, and the caution."""
    ran = fleet("quote", str(demo_folder / "demo-enquiries.csv"))
    assert ran.out.count("DEMO-Q") == 40
    assert "rake [°]" in ran.out
    assert ran.out.endswith(f"{BENCH_DECIDES}\n")


def test_one_kind(fleet: Fleet) -> None:
    """--kind answers in words, figures with units, chances and what the answer stands on."""
    ran = fleet("quote", "--kind", "line_contact/boron")
    assert ran.status == 0
    for words in (
        "Expect rake",
        "5 % below",
        "dynamic sag [°]",
        "One tilt meets both",
        "Basis: told",
        BENCH_DECIDES,
    ):
        assert words in ran.out


def test_a_spherical_stylus_has_no_rake(fleet: Fleet) -> None:
    """For a spherical stylus no rake is printed, no target but the tracking angle; its columns are empty."""
    said = fleet("quote", "--stylus", "spherical").out
    assert "rake, record turning" not in said
    assert "A tilt meets the tracking angle: " in said
    assert "both" not in said
    row = pd.read_csv(io.StringIO(fleet("quote", "--stylus", "spherical", "--out", "-").out))
    assert row[["sra_dynamic_deg_q50", "built_in_deg_q50", "p_rake_met"]].isna().all(axis=None)
    assert row["vta_dynamic_deg_q50"].notna().all()


def test_standard_output_is_only_the_table(fleet: Fleet) -> None:
    """--out - gives CSV and nothing else on standard output."""
    ran = fleet("quote", "--family", "F003", "--out", "-")
    table = pd.read_csv(io.StringIO(ran.out))
    assert table["enquiry_id"].tolist() == ["asked"]
    assert ran.out.count("\n") == 2


def test_json_and_draws(fleet: Fleet) -> None:
    """JSON holds the same row; --draws at least a thousand joint draws with the contract's columns."""
    ran = fleet("quote", "--family", "F003", "--out", "q.json", "--draws", "d.parquet")
    assert ran.status == 0
    (row,) = json.loads(Path("q.json").read_text())
    draws = pd.read_parquet("d.parquet")
    assert list(draws) == [
        "enquiry_id",
        "draw",
        "sag_deg",
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "tilt_deg",
        "bench_minutes",
    ]
    assert draws["draw"].tolist() == list(range(1024))
    assert draws["vta_dynamic_deg"].median() == pytest.approx(row["vta_dynamic_deg_q50"], abs=1e-6)


def test_a_policy_file(fleet: Fleet) -> None:
    """Rates give a price in the policy's currency; another policy of the file is taken by its name."""
    Path("own.toml").write_text(RATES)
    priced = fleet("quote", "--family", "F003", "--policy", "own.toml")
    assert "Price: " in priced.out
    assert " EUR (" in priced.out
    plain = fleet("quote", "--family", "F003", "--policy", "own.toml", "--policy-name", "kind", "--out", "-")
    usual = fleet("quote", "--family", "F003", "--out", "-")
    easier, usual_row = (pd.read_csv(io.StringIO(ran.out)).iloc[0] for ran in (plain, usual))
    assert easier["policy"].startswith("kind (")
    assert easier["p_tracking_met"] > usual_row["p_tracking_met"]


def test_enquiries_put_aside_are_named(fleet: Fleet) -> None:
    """An enquiry with a fault is named on standard error, the others are answered, status 1."""
    Path("asked.csv").write_text("enquiry_id,stylus_profile,vtf_mn\nA,spherical,19\nB,wooden,19\nC,,1.9\n")
    ran = fleet("quote", "asked.csv", "--out", "-")
    assert ran.status == 1
    assert pd.read_csv(io.StringIO(ran.out))["enquiry_id"].tolist() == ["A"]
    assert "2 enquiries were put aside:" in ran.err
    assert "asked.csv line 3, stylus_profile" in ran.err
    assert "asked.csv line 4, vtf_mn: 1.9 is outside 5 to 60 mN" in ran.err


def test_no_enquiry_to_answer(fleet: Fleet) -> None:
    """A file with nothing but faults, or nothing but a header, can't be answered: status 2."""
    Path("bad.csv").write_text("enquiry_id,stylus_profile\nB,wooden\n")
    ran = fleet("quote", "bad.csv")
    assert ran.status == 2
    assert "bad.csv line 2" in ran.err
    Path("none.csv").write_text("enquiry_id,stylus_profile\n")
    ran = fleet("quote", "none.csv")
    assert (ran.status, ran.err) == (2, "fleet: none.csv holds no enquiry, only a header.\n")


def test_before_the_first_sheet(fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any store a quote answers from mechanics and common practice, widely, and says so."""
    warm = pd.read_csv(io.StringIO(fleet("quote", "--kind", "line_contact/boron", "--out", "-").out))
    monkeypatch.delenv("FLEET_STORE")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    ran = fleet("quote", "--kind", "line_contact/boron", "--out", "-")
    assert ran.status == 0
    assert ran.err.startswith("Note: no house model yet")
    cold = pd.read_csv(io.StringIO(ran.out))
    assert "common practice only" in cold["basis"].iloc[0]
    for name in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg"):
        assert (cold[f"{name}_q95"] - cold[f"{name}_q05"] > warm[f"{name}_q95"] - warm[f"{name}_q05"]).all()


def test_no_model_yet(fleet: Fleet, sheets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the first refit a quote answers cold; suspects, who need a model, name the missing command."""
    monkeypatch.setenv("FLEET_STORE", "own.duckdb")
    fleet("intake", str(sheets))
    ran = fleet("quote", "--family", "F1")
    assert ran.status == 0
    assert "no house model yet" in ran.err
    ran = fleet("suspects")
    assert (ran.status, ran.err) == (2, "fleet: no house model yet: run `fleet refit`.\n")


def test_an_old_model_is_said(
    fleet: Fleet, demo_store: Path, sheets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After more sheets came in, a quote still answers and says that the model is older."""
    Path("copy.duckdb").write_bytes(demo_store.read_bytes())
    monkeypatch.setenv("FLEET_STORE", "copy.duckdb")
    sheets.write_text("sheet_no,measured_on,body_family\nB1,2024-01-01,F003\n")
    assert fleet("intake", str(sheets)).status == 0
    ran = fleet("quote", "--family", "F003", "--out", "-")
    assert ran.status == 0
    assert ran.err.startswith("Note: sheets came in since the house model was fitted")
    assert "older than the sheets" in fleet("status").out


def test_an_angle_is_trusted_as_far_as_its_reader(fleet: Fleet, demo_store: Path) -> None:
    """The same rake told by a bench, a photo, an eye: every range wider than the last, as the basis says."""
    widths = []
    for reader in ((), ("--read-by", "photo"), ("--read-by", "eye")):
        ran = fleet(
            "quote", "--family", "F003", "--sra-static-deg", "92", *reader, "--out", "q.csv", "--no-keep"
        )
        assert ran.status == 0, ran.err
        row = pd.read_csv("q.csv").iloc[0]
        widths.append(row["sra_dynamic_deg_q95"] - row["sra_dynamic_deg_q05"])
    assert widths[0] < widths[1] < widths[2]
    assert "told: family, the owner's estimate of the static rake" in row["basis"]
    alone = fleet("quote", "--family", "F003", "--read-by", "photo")
    assert (alone.status, "tell the angle too" in alone.err) == (2, True)
    wrong = fleet("quote", "--sra-static-deg", "92", "--read-by", "guess")
    assert (wrong.status, wrong.err) == (2, "fleet: --read-by takes one of bench, photo, eye, maker.\n")


@pytest.mark.long
def test_what_next_says_which_question_is_worth_asking(
    fleet: Fleet, demo_store: Path, demo_folder: Path
) -> None:
    """The sentence and the table are the judgement's own; a file of many enquiries is refused."""
    from fleet.policy.policy import Policy
    from fleet.quotes.value_of_information import information

    asked = pd.DataFrame({"enquiry_id": ["asked"], "stylus_profile": ["elliptical"]})
    own = information(asked, load_house(Store(demo_store)), Policy())
    ran = fleet("quote", "--stylus", "elliptical", "--what-next")
    assert ran.status == 0
    assert ran.out.startswith(own.sentence)
    assert all(words in ran.out for words in own.table["words"])
    fleet("quote", "--stylus", "elliptical", "--what-next", "--out", "next.csv")
    written = pd.read_csv("next.csv")
    assert written["fact"].tolist() == own.table["fact"].tolist()
    np.testing.assert_allclose(written["worth"], own.table["worth"], rtol=1e-6)
    many = fleet("quote", str(demo_folder / "demo-enquiries.csv"), "--what-next")
    assert many.status == 2
    assert "looks at one pickup, and here are 40" in many.err


def test_a_serial_that_the_store_knows(
    fleet: Fleet, demo_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The serial's earlier visit answers as its facts and readings typed do, and one line says so."""
    from fleet.intake import TokenKey
    from fleet.store import CURRENT_COLUMNS, pick_sheets

    key = TokenKey(b"a key for tests only")
    monkeypatch.setattr("fleet.intake.load_key", lambda make: key)
    monkeypatch.setattr("fleet.intake.typed.load_key", lambda make: key)
    serial = "DEMO-X0000005"
    visits = pick_sheets(Store(demo_store), CURRENT_COLUMNS, where={"serial_token": [key.token(serial)]})
    assert len(visits) == 2
    ran = fleet("quote", "--serial", serial, "--out", "-", "--no-keep")
    assert ran.status == 0
    assert f"known from 2 visits, the last on 2023-12-31, sheet {visits['sheet_no'].iloc[-1]}." in ran.err
    last = visits.ffill().iloc[-1]  # a fact that the last sheet lacks stands on the one before
    told = [name for name in QUOTED_FACTS if pd.notna(last[name])]
    words = [w for n in told for w in (f"--{SHORT_NAMES.get(n, n).replace('_', '-')}", str(last[n]))]
    typed = fleet("quote", *words, "--out", "-", "--no-keep")
    assert typed.out == ran.out
    assert typed.err == ""
    unknown = fleet("quote", "--serial", "nobody's", "--kind", "line_contact/boron", "--no-keep")
    assert unknown.status == 0
    assert unknown.err == "Note: no sheet of this serial is in the store: its kind alone answers.\n"


def test_a_serial_without_the_key(fleet: Fleet) -> None:
    """Under another key the serial can't be known: one line, and the kind answers."""
    ran = fleet("quote", "--serial", "S-1", "--kind", "line_contact/boron", "--no-keep")
    assert ran.status == 0
    assert ran.err.startswith("Note: a serial is known by the store's own token key")
    assert ran.err.count("\n") == 1

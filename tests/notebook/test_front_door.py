"""The front door: few names, imported when they are used, and answers that are the rooms' own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import fleet
from fleet.fitting.kept_model import load_house
from fleet.intake import TokenKey
from fleet.store import Store

HEAVY = ("pandas", "numpy", "scipy", "duckdb", "pyarrow", "typer", "fleet.notebook")
MOST_IMPORT_S = 0.05


def answer_of(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_bare_import_is_light() -> None:
    """`import fleet` loads nothing heavy and takes at most 50 ms of processor time, the least of five."""
    clock = "import time; t = time.process_time(); import fleet; print(time.process_time() - t)"
    assert min(float(answer_of(clock)) for _ in range(5)) < MOST_IMPORT_S
    assert answer_of(f"import sys, fleet; print([n for n in {HEAVY!r} if n in sys.modules])") == "[]"


def test_the_names_are_there_and_no_others() -> None:
    """`dir` shows the names of the front door, each can be had, and another name is no attribute."""
    assert set(dir(fleet)) == {*fleet.__all__, "__version__"}
    assert all(callable(getattr(fleet, name)) for name in fleet.__all__)
    assert not hasattr(fleet, "forecast")


@pytest.mark.parametrize("first", ["import fleet.attainment.attainment", "import fleet", "fleet.attainment"])
def test_a_room_never_hides_a_function(first: str) -> None:
    """`fleet.attainment` is the function, and its room can be imported, whichever is used first."""
    code = (
        f"import fleet; {first}; from fleet.attainment import conformity; "
        "print(fleet.attainment.__module__, conformity.__name__)"
    )
    assert answer_of(code) == "fleet.notebook.questions fleet.attainment.conformity"


@pytest.fixture
def store(demo_folder: Path) -> Store:
    """The demo bench's store."""
    return fleet.open_store(demo_folder / "fleet.duckdb")


@pytest.mark.long
def test_a_fit_without_a_store_is_the_store_s(store: Store, demo_folder: Path) -> None:
    """A model fitted on a file's rows flags what the store's model flags, to the last digit."""
    sheets = fleet.read_sheets(demo_folder / "demo-sheets.csv")
    own = fleet.suspects(fleet.fit(sheets), sheets).to_frame()
    theirs = fleet.suspects(store).to_frame()
    pd.testing.assert_frame_equal(own.drop(columns="unit"), theirs.drop(columns="unit"))
    assert own["flagged"].sum() > 10


def test_a_choice_of_sheets_keeps_its_units(store: Store) -> None:
    """Sheets chosen from a store keep their units, and which is the newest; serials are nowhere."""
    current = store.current()
    early = current[current["measured_on"] < "2023-01-01"]
    again = fleet.read_sheets(early).to_frame()
    pd.testing.assert_frame_equal(
        again[["sheet_no", "unit", "newest"]], early[["sheet_no", "unit", "newest"]].reset_index(drop=True)
    )
    assert "serial" not in again
    counted = fleet.attainment(early).to_frame()["units"].tolist()
    assert counted == [int((early["newest"] & (early["purpose"] == "unit")).sum())]


@pytest.mark.long
def test_results_show_themselves_shortly(store: Store) -> None:
    """Each result prints a short text, is a table in a notebook with its text escaped, and gives a frame."""
    told = {"stylus_profile": "line_contact", "sra_static_deg": 91, "vta_dynamic_deg": 22}
    results = [
        fleet.read_sheets(store.current().head(30)),
        fleet.quote(store, told),
        fleet.judge(store, told),
        fleet.suspects(store),
        fleet.attainment(store, by="kind"),
        fleet.align(told | {"sra_dynamic_deg": 90, "zenith_deg": 1, "azimuth_electrical_deg": -1}),
    ]
    for result in results:
        assert repr(result).startswith(f"{type(result).__name__}: ")
        assert len(repr(result)) < 400
        assert "<table" in result._repr_html_()
        assert len(result.to_frame()) >= 1
    assert "<script" not in fleet.attainment(store.current().assign(bench="<script>")[:0])._repr_html_()
    assert len(repr(fleet.fit(store.current()))) < 60


def test_a_store_knows_a_serial_s_visits(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A serial tells a store's quote and judgement what the unit's earlier visits read; a model alone not."""
    key = TokenKey(b"a key for tests only")
    monkeypatch.setattr("fleet.intake.typed.load_key", lambda make: key)
    serial = {"serial": "DEMO-X0000005"}
    assert "an earlier reading of the tracking angle" in fleet.quote(store, serial).to_frame()["basis"][0]
    assert "nothing told" in fleet.quote(load_house(store), serial).to_frame()["basis"][0]
    found = fleet.judge(store, serial | {"zenith_deg": 4.0})
    assert found.change is not None
    assert found.change.before == "DEMO-W00000618"
    assert "Two benches" not in found.change.sentence
    assert fleet.unit(store, "DEMO-W00000618").visits["sheet_no"].tolist()[-1] == found.change.before

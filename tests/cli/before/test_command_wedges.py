"""The wedge drawer on the command line, from past work and from enquiries."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.cli.before.wedges import worthwhile

Fleet = Callable[..., "object"]

HEAD = (
    "sheet_no,measured_on,body_family,stylus_profile,cantilever_material,"
    "sra_dynamic_deg,vta_dynamic_deg,tilt_room_deg"
)


@pytest.fixture
def worked(fleet: Fleet) -> list[float]:
    """A store of ten units whose tilts are known: rake 91 - tilt, tracking far too high (or low enough).

    With tracking out of reach the default policy stands the rake at 91°, so the tilt is 91 - rake. The last
    unit was measured ten years before.
    """
    tilts = [2.0, 2.1, 1.9, 2.0, 3.5, -2.0, 0.5, 0.0, -0.8, 4.5]
    days = [*(f"2024-05-{day:02d}" for day in range(1, 10)), "2014-05-01"]
    rows = [
        f"S{i},{day},F1,elliptical,boron,{91.0 - tilt:.1f},26.0,9.0"
        for i, (tilt, day) in enumerate(zip(tilts, days, strict=True))
    ]
    Path("sheets.csv").write_text("\n".join([HEAD, *rows]) + "\n")
    assert fleet("intake", "sheets.csv").status == 0
    return tilts[:-1]


def curve_of(fleet: Fleet, *words: str) -> pd.DataFrame:
    """The coverage curve that the command writes."""
    ran = fleet("wedges", *words, "--out", "-")
    assert (ran.status, ran.err) == (0, "")
    return pd.read_csv(io.StringIO(ran.out)).set_index("wedges")


def test_the_drawer_of_recent_units(fleet: Fleet, worked: list[float]) -> None:
    """Three of nine need no wedge; one of 2° serves five of the other six, a second one the last."""
    curve = curve_of(fleet)
    needs = sum(abs(tilt) > 1.0 for tilt in worked)
    assert curve.loc[0, "made_to_measure"] == pytest.approx(needs / len(worked))
    assert curve.loc[1, "served"] == pytest.approx(5 / needs)
    assert float(curve.loc[1, "angles_deg"]) == pytest.approx(2.0)
    assert curve.loc[2, "served"] == 1.0
    assert len(curve) == 3


def test_what_a_technician_reads(fleet: Fleet, worked: list[float]) -> None:
    """Units and period, the curve, the rest, which way round, the cautions, the policy."""
    ran = fleet("wedges", "--keep", "1")
    assert f"the tilts that {len(worked)} units of the 3 years up to 2024-05-09 needed" in ran.out
    assert "With 2° in the drawer, still made to measure (of all work): 3.5° (11 %)." in ran.out
    assert "tail up (thin edge to the tail) 83 %" in ran.out
    assert "check the clearance" in ran.out
    assert "power off" in ran.out
    assert "Policy: default (" in ran.out


@pytest.mark.usefixtures("worked")
def test_how_recent_and_what_stock_does(fleet: Fleet) -> None:
    """--years takes older units in; what the policy has in stock is held against the same work."""
    Path("own.toml").write_text("[default]\nstock_wedges_deg = [3.5]\n")
    ran = fleet("wedges", "--years", "20", "--policy", "own.toml")
    assert "10 units of the 20 years" in ran.out
    assert "in stock now (3.5°) serve 14 % of the work" in ran.out


def test_the_rest_is_that_of_the_drawer_in_the_sentence(fleet: Fleet, demo_store: Path) -> None:
    """Left alone, the list of what is still made is for the drawer that the sentence recommends."""
    assert demo_store.exists()
    for most in ("2", "8", "20"):
        out = fleet("wedges", "--most", most).out
        said = re.search(r"stock wedges? \(([^)]*)\) serves?", out)
        listed = re.search(r"With (.*) in the drawer", out)
        assert said
        assert listed
        assert said[1] == listed[1]


def test_when_one_more_wedge_is_worth_it() -> None:
    """One more is worth it while it adds a twentieth of the work that needs a wedge."""
    gains = {"gain": [0.0, 0.5, 0.2, 0.05, 0.049, 0.03]}
    assert worthwhile(pd.DataFrame(gains)) == 3
    assert worthwhile(pd.DataFrame(gains).iloc[:3]) == 2
    assert worthwhile(pd.DataFrame(gains).iloc[:1]) == 0


@pytest.mark.usefixtures("demo_store")
def test_enquiries(fleet: Fleet, demo_folder: Path) -> None:
    """For enquiries the joint draws count: served and made to measure fit together, and grow and fall."""
    file = str(demo_folder / "demo-enquiries.csv")
    curve = curve_of(fleet, file, "--most", "4")
    assert (np.diff(curve["served"]) > 0).all()
    needs = curve.loc[0, "made_to_measure"]
    np.testing.assert_allclose(curve["made_to_measure"], needs * (1 - curve["served"]), atol=1e-6)
    ran = fleet("wedges", file, "--most", "4")
    assert "enquiries are expected to need" in ran.out
    assert "A prediction is not a measurement: the bench decides." in ran.out


def test_what_cannot_be_stocked_for(fleet: Fleet, sheets: Path) -> None:
    """No store, no file, an empty one, only a header, text for a number: one line each, status 2."""
    Path("empty.csv").write_text("")
    Path("header.csv").write_text("enquiry_id\n")
    for words, says in (
        ((), "store"),
        (("nowhere.csv",), "nowhere.csv"),
        (("empty.csv",), "is empty"),
        (("header.csv",), "holds no enquiry"),
        (("--most", "many"), "--most"),
    ):
        ran = fleet("wedges", *words)
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
        assert says in ran.err
    fleet("intake", str(sheets))
    fleet("undo", "1")
    ran = fleet("wedges")
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert "holds no unit to stock for" in ran.err


def test_wedges_for_past_work(fleet: Fleet, sheets: Path) -> None:
    """Tilts wanted so far: +0.8, -0.5 and none (the arm alone), +2.0: one wedge of 2° serves the rest."""
    fleet("intake", str(sheets))
    ran = fleet("wedges", "--most", "2")
    assert ran.status == 0
    table = pd.read_csv(io.StringIO(fleet("wedges", "--most", "2", "--out", "-").out)).set_index("wedges")
    assert table.loc[1, "served"] == 1.0
    assert float(table.loc[1, "angles_deg"]) == pytest.approx(2.0, abs=0.25)
    assert table.loc[0, "made_to_measure"] == 0.25
    assert "Policy: default (" in ran.out


@pytest.mark.usefixtures("demo_store")
def test_wedges_for_enquiries(fleet: Fleet, demo_folder: Path) -> None:
    """For enquiries the drawn tilts count, and each wedge more serves more."""
    file = str(demo_folder / "demo-enquiries.csv")
    table = pd.read_csv(io.StringIO(fleet("wedges", file, "--most", "3", "--out", "-").out))
    assert table["wedges"].tolist() == [0, 1, 2, 3]
    assert table["served"].is_monotonic_increasing
    assert table["served"].iloc[-1] > 0.3

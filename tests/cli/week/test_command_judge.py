"""One unit's readings on the command line, judged as the library judges them."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from fleet.store import Store
from fleet.words import NO_REPAIR

Fleet = Callable[..., "object"]


pytestmark = pytest.mark.usefixtures("demo_store")


def family_of(demo_folder: Path) -> pd.Series:
    """Middle readings of the demo bench's most measured family that has a rake."""
    sheets = pd.read_csv(demo_folder / "demo-sheets.csv")
    units = sheets[(sheets["purpose"] == "unit") & (sheets["stylus_profile"] != "spherical")]
    name = units["body_family"].value_counts().index[0]
    own = units[units["body_family"] == name]
    readings = ["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg"]
    return pd.concat([pd.Series({"body_family": name}), own[readings].median().round(2)])


def typed(readings: pd.Series) -> list[str]:
    """The options that say these readings."""
    return [
        word for name, value in readings.items() for word in (f"--{str(name).replace('_', '-')}", str(value))
    ]


def test_a_normal_unit_is_said_to_be_normal(fleet: Fleet, demo_folder: Path) -> None:
    """Readings in the middle of a family are normal, with the tilt and the cautions; nothing is stored."""
    before = Store().revision()
    ran = fleet("judge", *typed(family_of(demo_folder)))
    assert ran.status == 0
    assert ran.out.startswith("Normal for its kind")
    assert "Tilt" in ran.out
    assert NO_REPAIR in ran.out
    assert Store().revision() == before


def test_a_twisted_stylus_is_found(fleet: Fleet, demo_folder: Path) -> None:
    """A zenith far off, all else in the middle, is a twisted stylus; surer where the source is told."""
    readings = family_of(demo_folder)
    readings["zenith_deg"] += 9.0
    ran = fleet("judge", *typed(readings))
    assert "twisted" in ran.out
    sheets = pd.read_csv(demo_folder / "demo-sheets.csv")
    source = sheets.loc[sheets["body_family"] == readings["body_family"], "assembly_source"].mode()[0]
    healthy = []
    for told in ([], ["--source", source]):
        assert fleet("judge", *typed(readings), *told, "--out", "verdict.json").status == 0
        (row,) = json.loads(Path("verdict.json").read_text())
        assert row["leading_fault"] == "stylus_twisted"
        healthy.append(row["p_healthy"])
    assert healthy[1] < 0.01
    assert healthy[0] > healthy[1]  # sources scatter unequally: not told which, the reading counts for less


def test_a_sheet_in_a_file_or_on_standard_input(
    fleet: Fleet, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One sheet in a file, on standard input or typed gets the same answer."""
    import sys

    readings = family_of(demo_folder)
    text = ",".join(map(str, readings.index)) + "\n" + ",".join(map(str, readings)) + "\n"
    Path("one.csv").write_text(text)
    by_file = fleet("judge", "one.csv")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode())))
    by_pipe = fleet("judge", "-")
    assert by_file.out == by_pipe.out == fleet("judge", *typed(readings)).out


def test_only_one_sheet_is_judged(fleet: Fleet, demo_folder: Path) -> None:
    """Many sheets, a sheet with a fault, a file beside typed readings: each is refused in one line."""
    ran = fleet("judge", str(demo_folder / "demo-sheets.csv"))
    assert ran.status == 2
    assert "one at a time" in ran.err
    Path("bad.csv").write_text("body_family,sra_dynamic_deg\nF003,9.1\n")
    assert "bad.csv line 2, sra_dynamic_deg: 9.1 is outside" in fleet("judge", "bad.csv").err
    assert "leave the typed ones out" in fleet("judge", "bad.csv", "--family", "F003").err

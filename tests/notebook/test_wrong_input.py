"""A wrong frame gets in Python the very line that the command gives for the same rows in a file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import fleet
from fleet.cli import run
from fleet.errors import FleetError, NoModelError, NoStoreError, UnreadableFileError

Changed = Callable[[pd.DataFrame], pd.DataFrame]


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in an empty folder, with a key of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", "own.duckdb")
    monkeypatch.setenv("FLEET_SECRET", "quite a long secret")


@pytest.fixture
def sheets(demo_folder: Path) -> pd.DataFrame:
    """The demo bench's sheets as any notebook would read them."""
    return pd.read_csv(demo_folder / "demo-sheets.csv")


def with_row(frame: pd.DataFrame, row: int, **cells: object) -> pd.DataFrame:
    frame = frame.astype(dict.fromkeys(cells, object))
    for name, value in cells.items():
        frame.loc[row, name] = value
    return frame


WRONG: dict[str, tuple[Changed, str]] = {
    "grams for millinewtons": (
        lambda f: with_row(f, 3, vtf_mn=1.8),
        "the frame line 4, vtf_mn: 1.8 is outside 5 to 60 mN; 1.8 g is 17.7 mN: is it grams?",
    ),
    "a misspelt stylus": (
        lambda f: with_row(f, 2, stylus_profile="line-contact"),
        "the frame line 3, stylus_profile: (12 characters, not shown) is not one of spherical, elliptical, "
        "line_contact, narrow_edge, other",
    ),
    "text for a number": (
        lambda f: with_row(f, 0, cantilever_length_mm="six"),
        "the frame line 1, cantilever_length_mm: (3 characters, not shown) is no number",
    ),
    "a sheet that stands twice": (
        lambda f: pd.concat([f, f.head(1).assign(vtf_mn=21.5)]),
        "the frame line 21, sheet_no: is also the number of line 1, with other contents",
    ),
    "a day to come": (
        lambda f: with_row(f, 1, measured_on=dt.date.today() + dt.timedelta(days=9)),
        "the frame line 2, measured_on: ",
    ),
}


@pytest.mark.parametrize("case", WRONG)
@pytest.mark.parametrize(
    "ask",
    [
        "read_sheets",
        *(pytest.param(ask, marks=pytest.mark.long) for ask in ("fit", "attainment", "suspects")),
    ],
)
def test_the_line_is_the_command_s(
    case: str, ask: str, sheets: pd.DataFrame, demo_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever is asked of a wrong frame, the line is that of `fleet intake` for the same rows in a file."""
    change, line = WRONG[case]
    wrong = change(sheets.head(20))
    wrong.astype("str").where(wrong.notna()).to_parquet("wrong.parquet")
    run(["intake", "wrong.parquet"])
    told = [said.strip() for said in capsys.readouterr().err.splitlines()]
    house = fleet.open_store(demo_folder / "fleet.duckdb")
    asked = (house, wrong) if ask == "suspects" else (wrong,)
    with pytest.raises(FleetError) as caught:
        getattr(fleet, ask)(*asked)
    said = str(caught.value).removesuffix(".")
    assert said.startswith(line)
    assert said.replace("the frame", "wrong.parquet") in told


@pytest.mark.parametrize(
    ("facts", "option", "line"),
    [
        ({"vtf_mn": 1.8}, "--vtf-mn", "vtf_mn: 1.8 is outside 5 to 60 mN; 1.8 g is 17.7 mN: is it grams?"),
        (
            {"stylus_profile": "line-contact"},
            "--stylus",
            "stylus_profile: (12 characters, not shown) is not one of spherical, elliptical, line_contact, "
            "narrow_edge, other.",
        ),
        ({"vtf_mn": "eighteen"}, "--vtf-mn", "vtf_mn: (8 characters, not shown) is no number."),
    ],
)
def test_facts_told_by_name_get_the_command_s_line(
    facts: dict[str, object],
    option: str,
    line: str,
    demo_folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`quote` and `judge` say of a wrong fact what the commands say of the same option."""
    monkeypatch.setenv("FLEET_STORE", str(demo_folder / "fleet.duckdb"))
    house = fleet.open_store()
    for ask, command in ((fleet.quote, "quote"), (fleet.judge, "judge")):
        with pytest.raises(FleetError) as caught:
            ask(house, facts)
        assert str(caught.value) == line
        assert run([command, option, *map(str, facts.values())]) == 2
        name = next(iter(facts))
        assert capsys.readouterr().err.strip() == "fleet: " + line.replace(name, option)


def test_units_are_counted_as_the_command_counts_them(
    sheets: pd.DataFrame, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A frame read from a file gives the command's attainment figure by figure; a unit counts once."""
    monkeypatch.setenv("FLEET_STORE", str(demo_folder / "fleet.duckdb"))
    assert run(["attainment", "--by", "kind", "--out", "told.parquet"]) == 0
    counted = fleet.attainment(sheets, by="kind").to_frame()
    told = pd.read_parquet("told.parquet")
    pd.testing.assert_frame_equal(counted, told, check_dtype=False)
    assert (sheets["purpose"] == "unit").sum() == 900
    assert counted["units"].sum() == 835


def test_columns_nobody_looks_at_are_named(sheets: pd.DataFrame, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown column is warned of in the command's words, at the line that asked; it changes nothing."""
    few = sheets.head(5)
    few.assign(vtf_g=1.8).to_parquet("more.parquet")
    run(["intake", "more.parquet"])
    line = next(s.strip() for s in capsys.readouterr().out.splitlines() if "not looked at" in s)
    with pytest.warns(UserWarning, match="vtf_g") as caught:
        found = fleet.read_sheets(few.assign(vtf_g=1.8))
    assert str(caught[0].message) == f"the frame: {line}"
    assert caught[0].filename == __file__
    pd.testing.assert_frame_equal(found.to_frame(), fleet.read_sheets(few).to_frame())


def test_a_lost_column_is_named(sheets: pd.DataFrame) -> None:
    """A frame without a required column, or with one twice, is refused whole, with the file's line."""
    with pytest.raises(UnreadableFileError, match=r"^the frame has no column sheet_no; "):
        fleet.read_sheets(sheets.drop(columns="sheet_no"))
    with pytest.raises(UnreadableFileError, match=r"^the frame has two columns vtf_mn; remove one"):
        fleet.read_sheets(pd.concat([sheets, sheets[["vtf_mn"]]], axis=1))
    with pytest.raises(UnreadableFileError, match="a cell holds several values"):
        fleet.read_sheets(with_row(sheets.head(3), 0, vtf_mn=None).assign(vtf_mn=[[1], [2, 3], "4"]))
    with pytest.raises(FleetError, match="there is no column 'vtf_g'"):
        fleet.align({"vtf_g": 1.8})


def test_faulty_rows_can_be_put_aside(sheets: pd.DataFrame) -> None:
    """On request the good rows stay and the others are named, as after an intake."""
    found = fleet.read_sheets(with_row(sheets.head(20), 3, vtf_mn=1.8), put_aside=True)
    assert len(found.to_frame()) == 19
    assert [(fault.line, fault.column) for fault in found.faults] == [(4, "vtf_mn")]
    assert "1 row put aside" in repr(found)


def test_missing_is_missing(sheets: pd.DataFrame, demo_folder: Path) -> None:
    """None, NaN, NaT and a blank are all "not told"; without rows, a model or a store one line says so."""
    few = sheets.head(4).assign(vtf_mn=[None, np.nan, "", " "])
    assert fleet.read_sheets(few).to_frame()["vtf_mn"].isna().all()
    house = fleet.open_store(demo_folder / "fleet.duckdb")
    told = {"vtf_mn": None, "hours_used": float("nan"), "stylus_profile": "elliptical"}
    both = [fleet.quote(house, facts).to_frame() for facts in (told, {"stylus_profile": "elliptical"})]
    pd.testing.assert_frame_equal(*both)
    with pytest.raises(NoStoreError, match="there is no store at own"):
        fleet.open_store()
    from fleet.store import Store

    with pytest.raises(NoModelError, match="no house model yet"):
        fleet.judge(Store("own.duckdb").create(), {"vta_dynamic_deg": 21})
    assert fleet.align({"vta_dynamic_deg": 21}).tilt.decision == "withheld"
    assert fleet.align({"vta_dynamic_deg": 21, "stylus_profile": "elliptical"}, house=house).rake.value > 80
    with pytest.raises(FleetError, match="there is no enquiry"):
        fleet.quote(house, pd.DataFrame({"enquiry_id": []}))
    with pytest.raises(FleetError, match="holds 2 sheets"):
        fleet.judge(house, sheets.head(2))
    with pytest.raises(FleetError, match="bench sheet to learn from"):
        fleet.fit(sheets.head(0))
    assert "0 units" in repr(fleet.attainment(sheets.head(0)))
    assert fleet.suspects(house, sheets.head(0)).sentence == "No sheet to judge."

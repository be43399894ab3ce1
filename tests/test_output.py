"""Result tables in files."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.output import check_out, csv_text, write_frame

FRAME = pd.DataFrame(
    {
        "unit": ["-F1", None],
        "measured_on": pd.to_datetime(["2024-05-01", None]),
        "tilt_deg": [-1.25, np.nan],
        "units": pd.array([3, None], dtype="Int64"),
        "flagged": [True, False],
        "met": [1 / 3, 0.0],
    }
)


def test_csv(tmp_path: Path) -> None:
    """CSV: days as days, what isn't known empty, text defused, numbers numbers, eight digits at most."""
    write_frame(FRAME, tmp_path / "out.csv")
    assert (tmp_path / "out.csv").read_text().splitlines() == [
        "unit,measured_on,tilt_deg,units,flagged,met",
        "'-F1,2024-05-01,-1.25,3,True,0.33333333",
        ",,,,False,0",
    ]


def test_json(tmp_path: Path) -> None:
    """JSON: a list of records with null for what isn't known and texts as they are."""
    write_frame(FRAME, tmp_path / "out.json")
    first, second = json.loads((tmp_path / "out.json").read_text())
    assert first == {
        "unit": "-F1",
        "measured_on": "2024-05-01",
        "tilt_deg": -1.25,
        "units": 3,
        "flagged": True,
        "met": pytest.approx(1 / 3, abs=1e-10),
    }
    assert [name for name, value in second.items() if value is None] == [
        "unit",
        "measured_on",
        "tilt_deg",
        "units",
    ]


def test_parquet(tmp_path: Path) -> None:
    """Parquet: every digit, days as dates, null for what isn't known."""
    write_frame(FRAME, tmp_path / "out.parquet")
    back = pd.read_parquet(tmp_path / "out.parquet")
    assert back["met"].iloc[0] == 1 / 3
    assert str(back["measured_on"].iloc[0]) == "2024-05-01"
    assert back.loc[1, ["unit", "measured_on", "tilt_deg", "units"]].isna().all()


def test_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    """A dash is CSV on standard output, the same text as in a file."""
    write_frame(FRAME, "-")
    assert capsys.readouterr().out == csv_text(FRAME)


@pytest.mark.parametrize(
    ("out", "says"),
    [
        ("out.txt", r"--out out.txt: what kind of file\? End its name in .csv, .xlsx, .json, .parquet"),
        ("out", "what kind of file"),
        ("nowhere/out.csv", "there is no folder nowhere; make it first"),
        ("folder.csv", "that is a folder"),
    ],
)
def test_impossible_places_are_refused_before_the_work(
    out: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An unknown kind, an absent folder or a folder's own name are refused in one line."""
    monkeypatch.chdir(tmp_path)
    Path("folder.csv").mkdir()
    with pytest.raises(FleetError, match=says):
        check_out(out)


def test_nowhere_and_standard_output_are_fine() -> None:
    """None and a dash need no check."""
    check_out(None)
    check_out("-")


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file appears whole or not at all: when writing fails, the former one is there, and nothing else."""
    target = tmp_path / "out.csv"
    before = ",".join(FRAME) + "\n"
    target.write_text(before)

    def full(*_args: object, **_kwargs: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(pd.DataFrame, "to_csv", full)
    with pytest.raises(FleetError, match=r"cannot write .*out.csv: no space left on device"):
        write_frame(FRAME, target)
    assert target.read_text() == before
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files are another matter there")
def test_a_result_has_the_usual_rights(tmp_path: Path) -> None:
    """A result may be read by whom the user's umask lets, as any new file."""
    write_frame(FRAME, tmp_path / "out.csv")
    (tmp_path / "plain").touch()
    assert (tmp_path / "out.csv").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_workbook_holds_the_figures_and_runs_nothing() -> None:
    """Numbers stay numbers, days days; a text that begins like a formula stays that text."""
    import io

    import openpyxl

    from fleet.output import xlsx_bytes

    frame = pd.DataFrame(
        {
            "unit": ["=1+1", "@x", None],
            "measured_on": pd.to_datetime(["2024-05-01", None, "2024-05-03"]),
            "sag_deg": [0.25, np.nan, -1.5],
            "n": [1, 2, 3],
            "flagged": [True, False, True],
        }
    )
    page = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(frame))).active
    rows = [[cell.value for cell in row] for row in page.iter_rows()]
    assert rows[0] == list(frame.columns)
    assert rows[1] == ["=1+1", "2024-05-01", 0.25, 1, True]
    assert rows[2] == ["@x", None, None, 2, False]
    assert rows[3] == [None, "2024-05-03", -1.5, 3, True]
    assert {page["A2"].data_type, page["A3"].data_type} == {"s"}

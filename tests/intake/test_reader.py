"""Parquet and workbooks read the same as CSV; what can't be read gets one line."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from fleet.errors import FleetError
from fleet.intake import check_sheets, files_in, read_sheets

Write = Callable[..., Path]
ROWS = {
    "sheet_no": ["A1", "A2"],
    "measured_on": [dt.date(2024, 3, 1), dt.date(2024, 3, 2)],
    "body_family": ["F1", "F1"],
    "vtf_mn": [19.25, None],
    "stylus_profile": ["elliptical", None],
    "remark": ["x", "y"],
}


def test_parquet_reads_the_same_as_csv(tmp_path: Path) -> None:
    """Typed columns come out as the same sheets as their text."""
    frame = pd.DataFrame(ROWS)
    frame.to_csv(tmp_path / "a.csv", index=False)
    frame["stylus_profile"] = frame["stylus_profile"].astype("category")
    frame["measured_on"] = pd.to_datetime(frame["measured_on"])
    frame.to_parquet(tmp_path / "a.parquet")
    from_csv = check_sheets(read_sheets(tmp_path / "a.csv"))
    from_parquet = check_sheets(read_sheets(tmp_path / "a.parquet"))
    pd.testing.assert_frame_equal(
        from_csv.good.reset_index(drop=True), from_parquet.good.reset_index(drop=True), check_exact=True
    )
    assert from_parquet.ignored == ("remark",)
    assert from_parquet.good.index.tolist() == [1, 2]


def test_a_time_of_day_in_parquet_is_no_day(tmp_path: Path) -> None:
    """A moment is not silently cut to its day."""
    table = pa.table({"sheet_no": ["A1"], "measured_on": [dt.datetime(2024, 3, 1, 12)], "body_family": ["F"]})
    pq.write_table(table, tmp_path / "a.parquet")
    (fault,) = check_sheets(read_sheets(tmp_path / "a.parquet")).faults
    assert fault.column == "measured_on"


def test_a_workbook_reads_the_same_as_csv(tmp_path: Path) -> None:
    """Numbers, days and text of a workbook's first sheet come out as the same sheets."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    page = book.active
    page.append([])
    page.append(list(ROWS))
    for row in zip(*ROWS.values(), strict=True):
        page.append(list(row))
    page.append([])
    book.save(tmp_path / "a.xlsx")
    checked = check_sheets(read_sheets(tmp_path / "a.xlsx"))
    assert checked.faults == ()
    assert checked.good["sheet_no"].tolist() == ["A1", "A2"]
    assert checked.good["vtf_mn"].iloc[0] == 19.25
    assert checked.good["measured_on"].tolist() == [pd.Timestamp("2024-03-01"), pd.Timestamp("2024-03-02")]
    assert checked.good.index.tolist() == [3, 4]


def test_a_file_is_known_by_what_it_holds(write: Write) -> None:
    """A name that promises another kind of file is noticed."""
    with pytest.raises(FleetError, match="is not a PARQUET file"):
        read_sheets(write("sheet_no\n", "a.parquet"))
    with pytest.raises(FleetError, match="is not a XLSX file"):
        read_sheets(write("sheet_no\n", "a.xlsx"))


def test_broken_containers_get_one_line(write: Write) -> None:
    """A cut Parquet file or workbook is refused, not crashed on."""
    with pytest.raises(FleetError, match="cannot be read as Parquet"):
        read_sheets(write(b"PAR1" + b"\0" * 50, "a.parquet"))
    pytest.importorskip("openpyxl")
    with pytest.raises(FleetError, match="cannot be read as a workbook"):
        read_sheets(write(b"PK\x03\x04" + b"\0" * 50, "a.xlsx"))


def test_a_workbook_that_unpacks_to_gigabytes_is_refused(write: Write) -> None:
    """The unpacked size is looked at before anything is unpacked."""
    pytest.importorskip("openpyxl")
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/a.xml", "w") as member,
    ):
        for _ in range(600):
            member.write(b" " * (1 << 20))
    with pytest.raises(FleetError, match="unpacks to more than 512 MB"):
        read_sheets(write(packed.getvalue(), "a.xlsx"))


def test_a_path_without_a_file_gets_one_line(tmp_path: Path) -> None:
    """A missing file and a folder are said plainly."""
    with pytest.raises(FleetError, match="there is no file"):
        read_sheets(tmp_path / "none.csv")
    with pytest.raises(FleetError, match="is a folder"):
        read_sheets(tmp_path)


def test_a_folder_stands_for_the_tables_in_it(tmp_path: Path, write: Write) -> None:
    """Files keep their order, a folder gives its tables by name and nothing else."""
    (tmp_path / "year").mkdir()
    for name in ("b.csv", "a.XLSX", "notes.txt"):
        (tmp_path / "year" / name).write_text("x")
    assert [p.name for p in files_in(["z.csv", tmp_path / "year"])] == ["z.csv", "a.XLSX", "b.csv"]
    (tmp_path / "none").mkdir()
    with pytest.raises(FleetError, match=r"there is no \.csv, \.parquet, \.xlsx file in"):
        files_in([tmp_path / "none"])


def test_standard_input_is_csv(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dash reads what is piped in."""
    piped = io.TextIOWrapper(io.BytesIO(b"sheet_no,measured_on,body_family\nA1,2024-03-01,F\n"))
    monkeypatch.setattr(sys, "stdin", piped)
    table = read_sheets("-")
    assert table.file == "standard input"
    assert table.columns["sheet_no"].to_pylist() == ["A1"]

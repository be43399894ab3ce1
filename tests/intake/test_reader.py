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
from fleet.intake import check_sheets, columnar, files_in, read_sheets

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
        for _ in range(33):
            member.write(b" " * (1 << 20))
    with pytest.raises(FleetError, match="unpacks to more than a workbook of 32 MB"):
        read_sheets(write(packed.getvalue(), "a.xlsx"))


def workbook_of(sheet_data: str) -> bytes:
    """A workbook whose only page is this XML."""
    openpyxl = pytest.importorskip("openpyxl")
    whole = io.BytesIO()
    book = openpyxl.Workbook()
    book.active.append(["sheet_no"])
    book.save(whole)
    made = io.BytesIO()
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            data = old.read(part)
            if part == "xl/worksheets/sheet1.xml":
                start, end = data.index(b"<sheetData>") + 11, data.index(b"</sheetData>")
                data = data[:start] + sheet_data.encode() + data[end:]
            new.writestr(part, data)
    return made.getvalue()


def test_a_workbook_that_only_opens_tags_is_refused(write: Write) -> None:
    """Elements nested a million deep are never parsed."""
    with pytest.raises(FleetError, match="cannot be read as a workbook"):
        read_sheets(write(workbook_of('<row r="1"><c r="A1"><v>' + "<a>" * 10**6), "a.xlsx"))


@pytest.mark.parametrize(
    "sheet_data",
    [
        '<row r="999999999"><c r="A999999999"><v>1</v></c></row>',
        "".join(f'<row r="{i}"><c r="ZZZ{i}"><v>1</v></c></row>' for i in range(1, 1000)),
    ],
)
def test_a_page_of_far_away_cells_is_refused(write: Write, sheet_data: str) -> None:
    """A cell that claims to stand a million rows or columns away costs no memory and no time."""
    with pytest.raises(FleetError, match="spreads over more than 5 million cells"):
        read_sheets(write(workbook_of(sheet_data), "a.xlsx"))


def test_a_formula_without_its_value_is_not_taken_for_an_empty_cell(tmp_path: Path) -> None:
    """What only a spreadsheet could work out puts its row aside, but not in a column not looked at."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["sheet_no", "measured_on", "body_family", "vtf_mn", "sum"])
    book.active.append(["A1", "2024-03-01", "F1", 19.0, "=D2+1"])
    book.active.append(["A2", "2024-03-01", "F1", "=D2+1", None])
    book.save(tmp_path / "a.xlsx")
    checked = check_sheets(read_sheets(tmp_path / "a.xlsx"))
    assert checked.good["sheet_no"].tolist() == ["A1"]
    assert [(f.line, f.column, f.value) for f in checked.faults] == [
        (3, "vtf_mn", "(5 characters, not shown)")
    ]


def test_a_parquet_file_that_claims_too_many_rows_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The number of rows is looked at before any is read."""
    pd.DataFrame(ROWS).astype(str).to_parquet(tmp_path / "a.parquet")
    monkeypatch.setattr(columnar, "_MOST_PARQUET_ROWS", 1)
    with pytest.raises(FleetError, match="more than 20 million rows"):
        read_sheets(tmp_path / "a.parquet")


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
    with files_in(["z.csv", tmp_path / "year"]) as (files, _):
        assert [path.name for path in files] == ["z.csv", "a.XLSX", "b.csv"]
    (tmp_path / "none").mkdir()
    with (
        pytest.raises(FleetError, match=r"there is no \.csv, \.json, .* file in"),
        files_in([tmp_path / "none"]),
    ):
        pass


def test_standard_input_is_csv(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dash reads what is piped in."""
    piped = io.TextIOWrapper(io.BytesIO(b"sheet_no,measured_on,body_family\nA1,2024-03-01,F\n"))
    monkeypatch.setattr(sys, "stdin", piped)
    table = read_sheets("-")
    assert table.file == "standard input"
    assert table.columns["sheet_no"].to_pylist() == ["A1"]

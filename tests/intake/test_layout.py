"""Files laid out for people: titles, two header rows, sums, dittos, pages; every row is accounted for."""

from __future__ import annotations

import datetime as dt
import gzip
import tomllib
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from fleet.errors import FleetError
from fleet.intake import Guide, check_sheets, files_in, intake_file, propose_guide, read_sheets
from fleet.intake.guides.guide import guide_from
from fleet.store import Store

Write = Callable[..., Path]
HEAD = ["sheet_no", "measured_on", "body_family", "sra_static_deg"]


def book(path: Path, **pages: list[list[object]]) -> Path:
    """A workbook of these pages."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in pages.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
    made.save(path)
    return path


def drafted(path: Path) -> Guide:
    """The draft for a file, every question answered by leaving it as it is."""
    lines = [line for line in propose_guide(path).toml.splitlines() if not line.startswith("ask")]
    return guide_from(tomllib.loads("\n".join(lines)), "g.toml")


def test_every_page_with_the_headers_is_read(tmp_path: Path) -> None:
    """Two pages of sheets go in together; a page of something else is named with its rows."""
    one = [HEAD, ["A1", dt.date(2024, 3, 1), "F1", 91.5], ["A2", dt.date(2024, 3, 2), "F1", 400]]
    two = [HEAD, ["B1", dt.date(2024, 3, 3), "F1", 90.5], ["A1", dt.date(2024, 3, 3), "F1", 90.5]]
    path = book(tmp_path / "a.xlsx", old=one, new=two, prices=[["what", "cost"], ["tip", 3]])
    store = Store(tmp_path / "s.duckdb")
    report = intake_file(store, path)
    assert report.sentence == (
        "a.xlsx: 4 rows read on 2 pages, 2 taken in, 0 already there, 2 put aside, "
        "2 not looked at (2 on page prices, which has other column names)."
    )
    told = [(fault.file, fault.line, fault.reason[:36]) for fault in report.faults]
    assert told == [
        ("a.xlsx page 1", 3, "is outside 60 to 120 °"),
        ("a.xlsx page 2", 3, "is also the number of page 1 line 2,"),
    ]


def test_a_workbook_laid_out_for_people_is_read(tmp_path: Path) -> None:
    """Title, two header rows, typed numbers beside decimal commas, dittos, a row of sums."""
    rows: list[list[object]] = [
        ["Bench book of the north"],
        [],
        ["Nr.", "Datum", "Modell", "Auflagekraft", "SRA", "", "Zenit"],
        ["", "", "", "[g]", "statisch", "dynamisch", "[°]"],
        ["N1", dt.date(2024, 3, 13), "K1", 1.9, 91.5, "90,75", "0,5 cw"],
        ["N2", "", "", "1,8 g", "91,0°", 90.25, "0,4 CCW"],
        ["N3", dt.date(2024, 3, 14), "K2", "n/a", 1234.5, "90,1", ""],
        ["N4", "", "", "1,7 g", 90.5, "90,0", "0,1 cw"],
        ["Summe", "", "", 7.4, "", "", ""],
    ]
    path = book(tmp_path / "b.xlsx", P=rows)
    checked = check_sheets(read_sheets(path, drafted(path)))
    assert checked.passed == {"above the column names": 1, "of sums": 1}
    good = checked.good.set_index("sheet_no")
    assert good["vtf_mn"].tolist() == pytest.approx([g * 9.80665 for g in (1.9, 1.8, 1.7)])
    assert good["sra_static_deg"].tolist() == [91.5, 91.0, 90.5]
    assert good["sra_dynamic_deg"].tolist() == [90.75, 90.25, 90.0]
    assert good["zenith_deg"].tolist() == [0.5, -0.4, 0.1]
    assert good["measured_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-13", "2024-03-13", "2024-03-14"]
    assert good["body_family"].tolist() == ["K1", "K1", "K2"]
    (fault,) = checked.faults
    assert (fault.line, fault.header) == (7, "SRA statisch")


def test_one_missing_model_is_no_ditto(write: Write) -> None:
    """A single empty cell of a required column was forgotten: its row stays out."""
    rows = "".join(f"N{i};{i % 28 + 1:02d}.03.2024;{'' if i == 7 else 'K1'}\n" for i in range(30))
    path = write("Nr;Datum;Modell\n" + rows, "c.csv")
    (fault,) = check_sheets(read_sheets(path, drafted(path))).faults
    assert (fault.line, fault.column, fault.reason) == (9, "body_family", "is missing")


def test_marks_stand_for_the_cell_above(write: Write) -> None:
    """A ditto mark is the cell above in any column, an empty cell of figures is not measured."""
    path = write("No;Date;Model;Rake still\nA;13.03.2024;K1;91,5\nB;dto;dto;dto\nC;dto;dto;\n", "d.csv")
    good = check_sheets(read_sheets(path, drafted(path))).good
    assert good["body_family"].tolist() == ["K1"] * 3
    assert good["sra_static_deg"].fillna(0).tolist() == [91.5, 91.5, 0.0]


def test_a_packed_csv_is_read_and_a_broken_one_told(tmp_path: Path) -> None:
    """A .csv.gz is its CSV; a cut one is one line."""
    text = (",".join(HEAD) + "\nA1,2024-03-01,F1,91\n").encode()
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(text))
    assert read_sheets(tmp_path / "a.csv.gz").rows_read == 1
    (tmp_path / "b.csv.gz").write_bytes(gzip.compress(text)[:30])
    with pytest.raises(FleetError, match="can't be unpacked"):
        read_sheets(tmp_path / "b.csv.gz")


OLD_BOOK = (
    "78daed584d48545114feee9d19e7479dbfc640031984ac4c1716411b9d264c579ab5e987609a715e35a933314e8b695196cd"
    "b2085a156d0c0bda586dfaa116052d5a04462d8220d05ab60a0a82d4d7b9e7bd678e19385082f1bee19e7bef39f77cf7ccbb"
    "bfefbd9e0a4d8fdf6f98c11274c28179dd8baa453a41c96b558220bbaeaba2957b28e936d614bc1e1ac82a179ed4be72ab31"
    "54e33d03897bcee724818f948ee014fa72592dba8ad8cd3124858aa183a4c00dd2f851cf5185590eb05cc7f22eb77cca7217"
    "6b2eb1eca0b6d3e230a6627d2d3bcd597c5036b1cd0fc5fb907ddeb3a61d7578a966f1b92bc268eb423c9f490ead3143a3b3"
    "0613a001edd1b25a5ed503b8051f7088d0d6dbdbd6d5358d080df604bee951e0abb5aa9f456dfdeaea0548ffbd5ceffe83de"
    "4383b8547f553a8151e847799194508d1d4e65712037949ec55ede95ddc6ee3c7242d30a896cae1a18d69223a7f35a3a91cb"
    "522d954b1713c792c399a1a29f9ae593899142b2901948a4b5e3b42ee2ed24ba95886ff3a94380378d60d9a651cb8ba98664"
    "1a012e87784905a9e3d93b5fdef4a6fa6309d68c7248c671b251450f1de7950739fb61c4aea02c2decb195e50566ddc0e506"
    "96119aef9437f7d79985ee316e7391adcdd4cf76c6dbd8a645e5cd542e7ddef7a8b1f429b685ca933d33672293ef62e368a2"
    "e32d4dfeea378656d12aae5f53781cb372616e3d1f58d6ffb60d7964d08c5d37cfcc00e6d4c22384581a35f574c4424d9acf"
    "caa839a8e630b9c4325c82b9d4d3392b7d1c6b18375f48d3a6b85c0b36c5f5e3b2c12597e192cc5565b697cc75dbe492655c"
    "92b94e52e79d328c07ca9136da5ff0c1860d1b366cd8b061c3c61a80e0eba771e556574a97799d779bdf75e628cddb9f49fe"
    "5bec478e7e057aa9dc832ce579142b9a3febe112169758a18ff5bd50e100f59ec720521cc760c5f3975ec7c4e2ffb362c7e0"
    "df5b4295f63f5f499cffb8ff9f1956e7e5"
)
"""A workbook of the kind that spreadsheets wrote until 2003 (deflated): two invented sheets."""

ODS_CELLS = """<?xml version="1.0"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>
<table:table table:name="old">ROWS</table:table>
</office:spreadsheet></office:body></office:document-content>"""
ODS_MANIFEST = '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'


def ods(path: Path, rows: list[list[object]]) -> Path:
    """A workbook as another office program writes it: the least that its standard asks."""

    def cell(value: object) -> str:
        if isinstance(value, dt.date):
            told = f'office:value-type="date" office:date-value="{value}"'
        elif isinstance(value, int | float):
            told = f'office:value-type="float" office:value="{value}"'
        else:
            told = 'office:value-type="string"'
        return f"<table:table-cell {told}><text:p>{value}</text:p></table:table-cell>"

    made = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", ODS_MANIFEST)
        packed.writestr("content.xml", ODS_CELLS.replace("ROWS", made))
    return path


@pytest.mark.parametrize("kind", ["xls", "ods"])
def test_other_workbooks_are_read(tmp_path: Path, kind: str) -> None:
    """Old workbooks and those of other programs give the same cells: days, figures, texts."""
    path = tmp_path / f"a.{kind}"
    if kind == "xls":
        path.write_bytes(zlib.decompress(bytes.fromhex(OLD_BOOK)))
    else:
        days = [dt.date(2024, 3, 1), dt.date(2024, 3, 2)]
        ods(path, [list(HEAD), ["A1", days[0], "F1", 91.5], ["A2", days[1], "F1", 90]])
    good = check_sheets(read_sheets(path)).good
    assert good["sheet_no"].tolist() == ["A1", "A2"]
    assert good["measured_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-03-01", "2024-03-02"]
    assert good["sra_static_deg"].tolist() == [91.5, 90.0]


@pytest.mark.parametrize("start", [b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"\xd0\xcf\x11\xe0"])
def test_a_mangled_old_workbook_is_told(tmp_path: Path, start: bytes) -> None:
    """What only begins like a workbook is one line."""
    (tmp_path / "a.xls").write_bytes(start + bytes(600))
    with pytest.raises(FleetError, match=r"a\.xls cannot be read as a workbook"):
        read_sheets(tmp_path / "a.xls")


def test_a_folder_names_what_it_passes_over(tmp_path: Path) -> None:
    """Tables are found, packed ones too; everything else in the folder is listed."""
    for name in ("a.csv", "b.csv.gz", "c.txt", "d.zip", "e.xlsx", "f.tsv"):
        (tmp_path / name).touch()
    with files_in([tmp_path]) as (files, over):
        assert [path.name for path in files] == ["a.csv", "b.csv.gz", "d.zip", "e.xlsx", "f.tsv"]
    assert over == ["c.txt"]

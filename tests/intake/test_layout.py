"""Files laid out for people: titles, two header rows, sums, dittos, pages; every row is accounted for."""

from __future__ import annotations

import base64
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
from fleet.intake.reader import passed_over
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
    told = [(fault.file, fault.line, fault.reason[:40]) for fault in report.faults]
    assert told == [
        ("a.xlsx page 1", 3, "is outside 60 to 120 °"),
        ("a.xlsx page 2", 3, "is also the number of page 1 line 2, wit"),
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


def test_a_packed_folder_is_told(tmp_path: Path) -> None:
    """A .zip of files is told as what it is."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as packed:
        packed.writestr("a.csv", "x")
    with pytest.raises(FleetError, match=r"a\.zip is a packed folder; unpack it first"):
        read_sheets(tmp_path / "a.zip")


OLD_BOOK = (
    "c-rk)O-NKx6#nj=8Rtixzs5iV8HB7%7ZyPqohD3InziYNV487WHK{W(PK#+#md&yVS`}>!3))z1`k@vDEm{OdErKA>"
    "TDA%bg4EZ!=e=i+88}da@xI}nd+#~-eD}<|zwf=C3QdpSZ<xUnbi#po-HWP4Izh>6Re~V9uB)PzdnoBP))c%R8ptXa"
    "p47f_t1(pLJp+k*&gUe7kCcw!6#8;mExL->%`qf}ilKv~zzx#)QO{9@Sq`vV$MP<>e9CecYc8?uptjTEFs5RCEj!Iw"
    "d{8#A%@4)<kbT~>rX6*7sb=xHE5c~&LOh>I4y`dmqq7DRpaJdCvRYo%1GohraEQ>>+uPRFHH`=j_5{A^QQ)h!s-Hz|"
    "{p#ukNdLWD@BV|{LxZ?fe^okxQRqi`k(5x49ZqF&AUBkr#a`Z(-Nx=bazfJziEOSK7}k;_r}J7mk;_sol}i^B$CAUD"
    "p`xFf<&%k#Lb8w<NTjvnv@YW9B)XM|Z}X``fH#d`*``s;i>ZcW8UZeccu57R<Jmi3-t?yWV+q!ba!AH;vQb439p{w?"
    "Is0M6uAnR}?6H;Q1!mpA<p!1!n(vf1_t%+)?lEq2k*&?t&vwS!*rrA0%~URZ-uI}n^eMK5%9A}aXCjmDV&iC{<1J18"
    ">Nkc~(JHQAQ+OP+a$#;gA6VA^wheh?(2QL-&&&Yk)WRc#SQ<6;bi_hUn$OCpIjH6^xx_MDg1OYwIV*h}YZy0QNYkdc"
    "TnjeE_2aU^C70on%vEK!m&|qB<dS7vlDSS&=bbW)2g;E)+F$U&h7B7wY}l}2!^Rqb;OnPx<yKcpmwBCco8NWjD9ziS"
    "N&Z{xM~;34da2xlEaiC=E1Ey+;Sv^?SfP*gy-?u*^`6HdQXI!%#q*b5$He0Qvtq~K-&;bJ_CH@qod3B0pBYx?<p"
)
"""A workbook of the kind that spreadsheets wrote until 2003 (deflated, base 85): two invented sheets."""

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
        path.write_bytes(zlib.decompress(base64.b85decode(OLD_BOOK)))
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
    assert [path.name for path in files_in([tmp_path])] == ["a.csv", "b.csv.gz", "e.xlsx", "f.tsv"]
    assert [path.name for path in passed_over([tmp_path])] == ["c.txt", "d.zip"]

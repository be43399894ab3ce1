"""The same sheets in every kind of file, plain and packed, are the same sheets."""

from __future__ import annotations

import gzip
import json
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.intake import Guide, SheetTable, files_in, read_sheets
from fleet.intake.guides.guide import Rule

GOOD_ROWS = [
    {"sheet_no": "A1", "measured_on": "2024-03-01", "body_family": "F1", "sra_dynamic_deg": 91.25},
    {"sheet_no": "A2", "measured_on": "2024-03-02", "body_family": "F2", "sra_dynamic_deg": None},
]


def plain(table: SheetTable) -> dict[str, list[str]]:
    return {name: text.to_pylist() for name, text in table.columns.items()}


def every_kind(folder: Path) -> dict[str, bytes]:
    """The same two sheets as bytes of each kind of file."""
    frame = pd.DataFrame(GOOD_ROWS)
    kinds = {".csv": frame.to_csv(index=False).encode(), ".json": json.dumps(GOOD_ROWS).encode()}
    for kind, write in ((".xlsx", frame.to_excel), (".parquet", frame.to_parquet)):
        write(folder / f"made{kind}", index=False)
        kinds[kind] = (folder / f"made{kind}").read_bytes()
    return kinds


def test_every_kind_is_read_alike_plain_packed_and_in_a_zip_folder(tmp_path: Path) -> None:
    """CSV, JSON, workbook and Parquet, each as it is, by gzip, and alone in a zip folder: the same cells."""
    kinds = every_kind(tmp_path)
    wanted = plain(read_sheets(write(tmp_path / "a.csv", kinds[".csv"])))
    assert wanted["sheet_no"] == ["A1", "A2"]
    for kind, content in kinds.items():
        with zipfile.ZipFile(tmp_path / f"{kind}.zip", "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("__MACOSX/._a", b"x")
            packed.writestr(f"in/a{kind}", content)
        places = [
            write(tmp_path / f"b{kind}", content),
            write(tmp_path / f"b{kind}.gz", gzip.compress(content)),
            tmp_path / f"{kind}.zip",
        ]
        for place in places:
            found = plain(read_sheets(place))
            found = {n: [(c or "").removesuffix(" 00:00:00") for c in cells] for n, cells in found.items()}
            assert found == wanted, place.name


def test_a_typed_number_of_json_is_one_whatever_the_decimal_comma(tmp_path: Path) -> None:
    """A guide with a decimal comma reads JSON's own numbers as numbers, texts by the comma."""
    rows = [{"Nr": "A1", "SRA": 91.25}, {"Nr": "A2", "SRA": "91,25"}]
    place = write(tmp_path / "a.json", json.dumps(rows).encode())
    guide = Guide(
        (Rule("Nr", "sheet_no"), Rule("SRA", "sra_dynamic_deg")),
        {"measured_on": "2024-03-01", "body_family": "F"},
        decimal=",",
    )
    assert plain(read_sheets(place, guide))["sra_dynamic_deg"] == ["91,25", "91,25"]


def write(place: Path, content: bytes) -> Path:
    place.write_bytes(content)
    return place


def test_each_table_of_a_zip_folder_is_a_file_of_its_own(tmp_path: Path) -> None:
    """Tables, a way out of the folder, something else: read apart, kept inside, named."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as packed:
        for name in ("2023/s.csv", "2024/s.csv", "../s.json", "b.txt", "c/.hidden.csv"):
            packed.writestr(name, f"{name}\n")
    with files_in([tmp_path / "a.zip", "z.csv"]) as (files, over):
        assert [path.name for path in files] == ["a-2023-s.csv", "a-2024-s.csv", "a-..-s.json", "z.csv"]
        assert [path.read_text() for path in files[:3]] == ["2023/s.csv\n", "2024/s.csv\n", "../s.json\n"]
        assert over == ["a.zip/b.txt"]
    assert not files[0].exists()
    assert list(tmp_path.iterdir()) == [tmp_path / "a.zip"]


def test_a_zip_folder_of_several_files_is_told_as_what_it_is(tmp_path: Path) -> None:
    """Where one file is read, nothing is picked out of several, so that nothing goes unmentioned."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as packed:
        packed.writestr("a.csv", "x")
        packed.writestr("b.txt", "x")
    with pytest.raises(FleetError, match=r"a\.zip is a packed folder of 2 files, 1 of them tables; unpack"):
        read_sheets(tmp_path / "a.zip")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"{", "is not JSON"),
        (b"[" * 100_000, "is not JSON"),
        (b"[1" + b"0" * 9_000 + b"]", "is not JSON"),
        (b'{"sheet_no": "A1"}', "is no list of sheets"),
        (b'["A1"]', "is no list of sheets"),
        (b'[{"sheet_no": [1]}]', "lists or objects in a cell"),
        (b"[]", "is empty"),
    ],
)
def test_json_that_is_no_list_of_sheets_is_one_line(content: bytes, said: str, tmp_path: Path) -> None:
    """Cut off, deep, huge numbers, another shape: refused in one line."""
    with pytest.raises(FleetError, match=said):
        read_sheets(write(tmp_path / "a.json", content))


@pytest.mark.long
def test_what_unpacks_to_too_much_is_refused(tmp_path: Path) -> None:
    """A small file that unpacks to more than is let in is refused, by gzip and as a zip folder."""
    bomb = b"[" + b" " * ((1 << 28) + 10)
    with pytest.raises(FleetError, match="unpacks to more than 256 MB"):
        read_sheets(write(tmp_path / "a.json.gz", gzip.compress(bomb, 1)))
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.csv", bomb)
    with pytest.raises(FleetError, match="unpacks to more than 256 MB"):
        read_sheets(tmp_path / "a.zip")


def test_an_object_on_each_line_is_read(tmp_path: Path) -> None:
    """JSON with a sheet on each line: an object within is read by both names, a list of words as one cell."""
    rows = [{**row, "fix": {"deg": 1.5}, "peculiarities": ["worn", "dirty"]} for row in GOOD_ROWS]
    path = write(tmp_path / "a.jsonl", "\n".join(map(json.dumps, rows)).encode())
    table = read_sheets(path)
    assert table.columns["peculiarities"].to_pylist() == ["worn;dirty"] * len(rows)
    assert table.ignored == ("fix.deg",)
    assert len(table.lines) == len(rows)

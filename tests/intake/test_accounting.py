"""Rows handed in are rows accounted for, whatever kind of file they come in, packed or not."""

from __future__ import annotations

import gzip
import io
import json
import os
import struct
import sys
import zipfile
from collections.abc import Callable
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Final, TypeAlias

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fleet.intake import Guide, files_in, intake_file
from fleet.store import Store

Rows: TypeAlias = list[list[object]]
HEAD: Final = ("sheet_no", "measured_on", "body_family", "sra_dynamic_deg")
LONG = os.environ.get("FLEET_LONG") == "1"
FRESH: Final = count()
"""Numbers of sheets that no file had before."""
GOOD, KNOWN, WRONG, DAYLESS, CONTRARY = "good", "known", "wrong", "dayless", "contrary"
KINDS: Final = st.sampled_from([GOOD, KNOWN, WRONG, DAYLESS, CONTRARY])
"""Of rows: to be taken in, already there, and three that are put aside."""


def row_of(kind: str, store_has: str) -> list[object]:
    """A row that is good, was taken in before, contradicts that, or holds a fault."""
    number = store_has if kind in {KNOWN, CONTRARY} else f"A{next(FRESH)}"
    day = "not a day" if kind == DAYLESS else "2024-03-01"
    return [number, day, "F1", {WRONG: 191.5, CONTRARY: 95.5}.get(kind, 91.5)]


def as_text(rows: Rows, mark: str) -> bytes:
    return "".join(mark.join(map(str, row)) + "\n" for row in rows).encode()


def as_book(rows: Rows) -> bytes:
    """A workbook with a title above the names, an empty row, and a page of something else."""
    book = openpyxl.Workbook()
    for row in (["Bench, 2024"], [], *rows, []):
        book.active.append(row)
    other = book.create_sheet("drawer")
    for row in (["wedge", "left"], ["1.0", 4], ["1.5", 2]):
        other.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def as_ods(rows: Rows) -> bytes:
    """A workbook as its standard has it, no cell more."""
    space = "urn:oasis:names:tc:opendocument:xmlns"
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    lines = "".join(f"<table:table-row>{''.join(map(cell.format, row))}</table:table-row>" for row in rows)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", f'<m:manifest xmlns:m="{space}:manifest:1.0"/>')
        packed.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{space}:office:1.0" xmlns:table="{space}:table:1.0" '
            f'xmlns:text="{space}:text:1.0"><office:body><office:spreadsheet><table:table table:name="one">'
            f"{lines}</table:table></office:spreadsheet></office:body></office:document-content>",
        )
    return out.getvalue()


def as_xls(rows: Rows) -> bytes:
    """An old workbook: records of one sheet in the only stream of a compound file (its published layouts)."""

    def record(kind: int, body: bytes) -> bytes:
        return struct.pack("<HH", kind, len(body)) + body

    def begin(kind: int) -> bytes:
        return record(0x0809, struct.pack("<HHHHII", 0x0600, kind, 0, 1997, 0, 6))

    cells = b""
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            place = struct.pack("<HHH", r, c, 0)
            text = str(value).encode("latin-1")
            number = isinstance(value, float)
            body = struct.pack("<d", value) if number else struct.pack("<HB", len(text), 0) + text
            cells += record(0x0203 if number else 0x0204, place + body)
    name = record(0x0085, struct.pack("<IHBB", 0, 0, 3, 0) + b"one")
    start = len(begin(5)) + len(name) + 4
    name = record(0x0085, struct.pack("<IHBB", start, 0, 3, 0) + b"one")
    stream = begin(5) + name + record(0x000A, b"") + begin(0x10) + cells + record(0x000A, b"")
    stream = stream.ljust(4096, b"\0")
    stream += bytes(-len(stream) % 512)
    last, free = 0xFFFFFFFE, 0xFFFFFFFF
    sectors = len(stream) // 512
    chain = [0xFFFFFFFD, last, *range(3, 2 + sectors), last]
    table = struct.pack("<128I", *chain, *[free] * (128 - len(chain)))

    def entry(title: str, kind: int, child: int, first: int, size: int) -> bytes:
        told = title.encode("utf-16-le") + b"\0\0"
        head = told.ljust(64, b"\0") + struct.pack("<HBBIII", len(told), kind, 1, free, free, child)
        return head + bytes(36) + struct.pack("<IQ", first, size)

    folder = entry("Root Entry", 5, 1, last, 0) + entry("Workbook", 2, free, 2, len(stream)) + bytes(256)
    header = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16)
    header += struct.pack("<HHHHH6xIIIIIIIII", 0x3E, 3, 0xFFFE, 9, 6, 0, 1, 1, 0, 4096, last, 0, last, 0)
    return header + struct.pack("<109I", 0, *[free] * 108) + table + folder + stream


def as_parquet(rows: Rows) -> bytes:
    out = io.BytesIO()
    pd.DataFrame(rows[1:], columns=rows[0]).to_parquet(out, index=False)
    return out.getvalue()


def objects(rows: Rows) -> list[dict[object, object]]:
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


WRITERS: Final[dict[str, Callable[[Rows], bytes]]] = {
    ".csv": lambda rows: as_text(rows, ","),
    ".tsv": lambda rows: as_text(rows, "\t"),
    ".semicolons.csv": lambda rows: as_text(rows, ";"),
    ".xlsx": as_book,
    ".xlsm": as_book,
    ".xls": as_xls,
    ".ods": as_ods,
    ".parquet": as_parquet,
    ".json": lambda rows: json.dumps(objects(rows)).encode(),
    ".jsonl": lambda rows: "\n".join(map(json.dumps, objects(rows))).encode(),
}
BESIDE: Final = {".xlsx": 1 + 3, ".xlsm": 1 + 3}
"""Filled rows of a file besides its sheets: a title, a page of something else."""
PLACES: Final = ("plain", "gz", "zip", "folder", "together", "-")


def place_all(folder: Path, place: str, contents: dict[str, bytes]) -> list[Path | str]:
    """Write files as they are, packed, in a folder, or in one zip folder with a note; what is handed in."""
    folder.mkdir()
    if place == "together":
        with zipfile.ZipFile(folder / "all.zip", "w") as packed:
            for name, content in {**contents, "note.txt": b"x"}.items():
                packed.writestr(name, content)
        return [folder / "all.zip"]
    for name, content in contents.items():
        if place == "zip":
            with zipfile.ZipFile(folder / f"{name}.zip", "w") as packed:
                packed.writestr(f"in/{name}", content)
        elif place == "gz":
            (folder / f"{name}.gz").write_bytes(gzip.compress(content))
        else:
            (folder / name).write_bytes(content)
    return [folder] if place == "folder" else sorted(folder.iterdir())


def guide_of(name: str) -> Guide | None:
    """What says that a file's fields aren't separated by commas."""
    mark = "\t" if ".tsv" in name else ";" if ".semicolons" in name else ""
    return Guide((), delimiter=mark) if mark else None


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Store]:
    """A folder, and a store in it that has one sheet."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "first.csv").write_bytes(as_text([list(HEAD), row_of(KNOWN, "A")], ","))
    store = Store(folder / "fleet.duckdb")
    assert intake_file(store, folder / "first.csv").accepted == 1
    return folder, store


@settings(
    max_examples=200 if LONG else 5,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(WRITERS)), st.lists(KINDS, min_size=1, max_size=8)),
        min_size=1,
        max_size=4,
    ),
    st.sampled_from(PLACES),
)
@example(files=[(form, [GOOD, WRONG, KNOWN]) for form in WRITERS], place="together")
def test_rows_handed_in_are_rows_accounted_for(
    bench: tuple[Path, Store],
    monkeypatch: pytest.MonkeyPatch,
    files: list[tuple[str, list[str]]],
    place: str,
) -> None:
    """Taken in, already there, put aside and not looked at: each as many as were written, file by file."""
    folder, store = bench
    if place == "-":
        files = [(".csv", kinds) for _, kinds in files[:1]]
    rows = [[list(HEAD), *(row_of(kind, "A") for kind in kinds)] for _, kinds in files]
    written = {f"{i}{form}": WRITERS[form](rows[i]) for i, (form, _) in enumerate(files)}
    handed = place_all(folder / f"try{next(FRESH)}", place, written)
    if place == "-":
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(written["0.csv"])))
        handed = ["-"]
    with files_in(handed) as (found, over):
        reports = [intake_file(store, path, guide=guide_of(path.name)) for path in found]
    assert over == ["all.zip/note.txt"] * (place == "together")
    assert len(reports) == len(files)
    for report, (form, kinds) in zip(reports, files, strict=True):
        beside = sum(report.passed.values())
        told = report.accepted, report.already_there, report.put_aside, beside
        aside = sum(kind not in {GOOD, KNOWN} for kind in kinds)
        assert told == (kinds.count(GOOD), kinds.count(KNOWN), aside, BESIDE.get(form, 0)), report
        assert report.rows_read == len(kinds)
        assert len({(fault.file, fault.line) for fault in report.faults}) == aside

"""Hundreds of planted names, serials and mail addresses, searched for in all that fleet writes or says."""

from __future__ import annotations

import random
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
import pytest
from planted import EXTRA, HIDDEN, planted, sheets_with_plants
from worlds import LONG

from fleet.cli import run
from fleet.columns import COLUMNS, ENQUIRY_COLUMNS
from fleet.intake import load_key
from fleet.store import Store

COMMANDS = (
    "guide sheets.csv",
    "guide sheets.csv --out out/guide.toml",
    "guide own.csv --out out/own.toml",
    "intake --dry-run sheets.csv",
    "intake sheets.csv --rejects out/rejects.csv",
    "intake sheets.csv --supersede",
    "intake sheets.parquet --rejects out/rejects.json",
    "intake sheets.xlsx",
    "intake guided.csv --guide guided.toml --rejects out/more.csv",
    "intake guided.csv --guide wrong.toml",
    "intake notthere/sheets.csv",
    "status",
    "history",
    "history --out out/intakes.csv",
    "history A1 --out out/history.json",
    "history A1",
    "check",
    "quote enquiries.csv --out out/quotes.csv --draws out/draws.parquet",
    "judge one.csv",
    "backup out/backup.duckdb",
    "verdict A1 healthy",
    "undo 1",
    "rekey",
    "forget --serial PLANTED-SERIAL-0001 --yes",
)
WITH_A_MODEL = (
    "refit",
    "model",
    "quote enquiries.csv --out out/quotes.json",
    "suspects --out out/suspects.csv",
    "suspects --groups --out out/groups.csv",
    "attainment --by kind --publish --out out/attainment.csv",
    "export out/ours.npz --as north",
    "export --rows out/rows.parquet",
    "attainment --by body_family --out out/attainment.json",
    "judge one.csv --out out/judged.csv",
    "noise",
    "wedges",
    "report quote enquiries.csv --out out/quote.html",
    "report quote enquiries.csv --out out/quote.pdf",
    "report unit A1 --out out/unit.html",
    "report unit A1 --out out/unit.pdf",
    "report owner A1 --out out/owner.html",
    "report year 2021 --out out/year.html",
)
NAMED = ("attainment --policy currency.toml", "attainment --policy named.toml",
         "intake Planted-Mustersson.csv", "intake planted@mustersson.example.csv --supersede",
         "guide Planted-Mustersson.csv --out out/named.toml",
         "quote planted@mustersson.example.quotes.csv --out out/named.csv")  # fmt: skip
"""Planted policies and names of files: an error may repeat what was typed, but nothing may keep it."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, own_key: Path) -> Path:
    """A folder with planted files of every kind; what comes out goes into `out`, `store` and `keys`."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", str(tmp_path / "store" / "fleet.duckdb"))
    frame = sheets_with_plants()
    frame.to_csv("sheets.csv", index=False)
    frame.head(40).astype(str).to_parquet("sheets.parquet", index=False)
    with pd.ExcelWriter("sheets.xlsx", engine="openpyxl") as book:
        frame.tail(40).astype(str).to_excel(book, index=False, sheet_name="Planted Mustersson")
        book.book.create_sheet("planted@mustersson.example").append(["Planted Mustersson"])
        for name in ("creator", "title", "subject", "description", "keywords", "lastModifiedBy", "category"):
            setattr(book.book.properties, name, f"Planted Mustersson {name}")
    Path("currency.toml").write_text('[default]\ncurrency = "Planted Mustersson"\n')
    Path("named.toml").write_text('["Planted Mustersson"]\nbased_on = "default"\n')
    for name in ("Planted-Mustersson.csv", "planted@mustersson.example.csv"):
        frame.tail(60).to_csv(name, index=False)
    frame.head(1).to_csv("one.csv", index=False)
    own = {"sheet_no": "Job", "measured_on": "Date", "body_family": "Model", "serial": "Serial no"}
    frame[["sheet_no", "measured_on", "serial", "operator", "body_family", *EXTRA]].rename(
        columns=own
    ).to_csv("own.csv", index=False)
    frame.assign(sheet_no="G" + frame["sheet_no"].astype(str)).to_csv("guided.csv", index=False)
    Path("guided.toml").write_text(
        "".join(f'[columns.{name}]\nto = "{name}"\n' for name in COLUMNS if COLUMNS[name].kind != "word")
    )
    Path("wrong.toml").write_text('[columns.Owner]\nto = "operator"\n')
    asked = frame.reindex(columns=[n for n in ENQUIRY_COLUMNS if n in frame]).head(20)
    rng = random.Random(5)
    asked["enquiry_id"] = [f"E{i}" for i in range(15)] + [planted(i, rng) for i in range(5)]
    asked.loc[asked.index[5:8], "body_family"] = "Planted Mustersson"
    asked["owner"] = "planted@mustersson.example"
    for name in ("enquiries.csv", "planted@mustersson.example.quotes.csv"):
        asked.to_csv(name, index=False)
    Path("out").mkdir()
    return tmp_path


def kept_bytes(folder: Path) -> Iterator[tuple[str, bytes]]:
    for place in ("out", "store", "keys"):
        for path in sorted((folder / place).rglob("*")):
            if path.is_file():
                yield path.name, path.read_bytes()
            if path.suffix == ".npz":  # packed: a search of its bytes would find nothing
                with zipfile.ZipFile(path) as packed:
                    for part in packed.namelist():  # texts are stored four bytes a letter
                        yield f"{path.name}:{part}", packed.read(part).replace(b"\0", b"")
            if path.suffix == ".pdf":
                read = pytest.importorskip("pypdf").PdfReader(path)
                shown = "".join(page.extract_text() for page in read.pages)
                yield f"{path.name}:text", f"{shown} {read.metadata}".encode()
            if path.suffix == ".parquet":
                yield f"{path.name}:rows", pd.read_parquet(path).to_csv().encode()


def rows_as_text(path: Path) -> str:
    """Every cell of every table: what the file's own compression might hide from a search of its bytes."""
    with Store(path).reader() as con:
        tables = con.execute("select table_name from duckdb_tables()").fetchall()
        return "".join(str(con.execute(f'select * from "{name}"').fetchall()) for (name,) in tables)


def test_none_of_them_comes_out_anywhere(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """None is in the store, its log, backups, exports, drafts, rejects, on screen or in an error."""
    statuses = {}
    for command in (*COMMANDS[:-4], *NAMED, *(WITH_A_MODEL if LONG else ()), *COMMANDS[-4:]):
        statuses[command] = run(command.split())
        said = "".join(capfd.readouterr()).lower()
        for hidden in HIDDEN:
            assert hidden.decode() not in said or command in NAMED, command
        for name, content in kept_bytes(folder):
            lower = content.lower()
            assert not any(hidden in lower for hidden in HIDDEN), (command, name)
    for path in ("store/fleet.duckdb", "out/backup.duckdb"):
        rows = rows_as_text(folder / path).lower()
        assert "a250" in rows
        assert not any(hidden.decode() in rows for hidden in HIDDEN)
    failed = {command for command, status in statuses.items() if status == 2}
    refused = "guided.csv --guide wrong.toml", "notthere/sheets.csv"
    policies = "currency.toml", "named.toml"
    wanted = {*(f"intake {name}" for name in refused), *(f"attainment --policy {name}" for name in policies)}
    assert failed == wanted
    assert {name for name, _ in kept_bytes(folder)} >= {
        "fleet.duckdb",
        "token.key",
        "rejects.csv",
        "backup.duckdb",
    }


def test_the_search_would_find_what_is_kept(folder: Path, write: Callable[..., Path]) -> None:
    """The same search finds a code and a token that are kept, so finding nothing means something."""
    write("sheet_no,measured_on,body_family,serial\nA1,2024-03-01,FINDME-1,S-77\n", "kept.csv")
    assert run(["intake", "kept.csv"]) == 0
    key = load_key(make=False)
    assert key is not None
    content = b"".join(data for name, data in kept_bytes(folder) if name == "fleet.duckdb")
    assert b"FINDME-1" in content
    assert key.token("S-77").encode() in content
    assert b"S-77" not in content

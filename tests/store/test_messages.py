"""Every message of the documentation's tables of messages is brought about, through the command itself."""

from __future__ import annotations

import io
import re
import shutil
import socket
import subprocess
import sys
import zipfile
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from fleet.cli import run
from fleet.intake import columnar
from fleet.store import Store, append, connection
from fleet.store import store as store_module

HEAD = "sheet_no,measured_on,body_family"
GOOD = f"{HEAD},serial\nA1,2024-03-01,F1,S-1\n"


def documented() -> list[str]:
    """First cells of every table whose header begins with the word message, in all pages."""
    found = []
    for page in sorted((resources.files("fleet") / "docs").iterdir(), key=lambda entry: entry.name):
        in_table = False
        for line in page.read_text(encoding="utf-8").splitlines():
            cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
            if line.startswith("| message |"):
                in_table = True
            elif not line.startswith("|"):
                in_table = False
            elif in_table and not set(cells[0]) <= {"-"}:
                found.append(cells[0])
    return found


class Bench:
    """An empty folder with a store and a key to be, in which things go wrong."""

    def __init__(
        self, folder: Path, empty: Path, capfd: pytest.CaptureFixture[str], patch: pytest.MonkeyPatch
    ) -> None:
        self.folder, self.empty, self.capfd, self.patch = folder, empty, capfd, patch
        self.path = folder / "store" / "fleet.duckdb"
        self.key = folder / "keys" / "token.key"
        patch.chdir(folder)
        patch.setenv("FLEET_STORE", str(self.path))
        patch.setenv("FLEET_KEY_FILE", str(self.key))

    def does(self, words: str) -> str:
        """What the command says on standard error."""
        self.capfd.readouterr()
        run(words.split())
        said = self.capfd.readouterr().err
        assert "Traceback" not in said
        return said

    def file(self, content: str | bytes, name: str = "a.csv") -> str:
        (self.folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        return name

    def takes(self, content: str | bytes, name: str = "a.csv", words: str = "") -> str:
        return self.does(f"intake {self.file(content, name)} {words}")

    def filled(self) -> Store:
        """A store with one sheet in it, and its key: made once, then copied."""
        once, file = self.empty.parent / "filled", self.file(GOOD, "good.csv")
        if not once.exists():
            self.does(f"intake {file}")
            shutil.copytree(self.path.parent, once / "store")
            shutil.copytree(self.key.parent, once / "keys")
        shutil.copytree(once, self.folder, dirs_exist_ok=True)
        return Store(self.path)

    def made(self) -> None:
        """Copy an empty store in place, so that a file's own message needs no new one."""
        self.path.parent.mkdir(mode=0o700, exist_ok=True)
        shutil.copy(self.empty, self.path)

    def cell(self, column: str, text: str) -> str:
        """What is said of one cell of an otherwise good sheet."""
        self.made()
        names, values = [*HEAD.split(","), column], ["A1", "2024-03-01", "F1", text]
        if column in HEAD:
            values[names.index(column)] = text
            names, values = names[:-1], values[:-1]
        return self.takes(",".join(names) + "\n" + ",".join(values) + "\n")

    def guided(self, guide: str, cells: str, header: str = "Col", name: str = "g.csv") -> str:
        """What is said of a file read through a guide."""
        self.made()
        self.file(guide, "g.toml")
        return self.takes(f"{HEAD},{header}\nA1,2024-03-01,F1,{cells}\n", name, "--guide g.toml")


Case = Callable[[Bench], str]


def kept_store(b: Bench, spoil: Callable[[Path], object], command: str = "status") -> str:
    """What is said of a store that something was done to."""
    spoil(b.filled().path)
    return b.does(command)


def instead(b: Bench, make: Callable[[Path], object]) -> str:
    """What is said of something else in the store's place."""
    b.path.parent.mkdir(exist_ok=True)
    make(b.path)
    return b.does("status")


def other_database(path: Path) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute("create table theirs (a integer)").fetchall()


def bound_socket(path: Path) -> None:
    """A thing that nobody, not even the administrator, can open as a file."""
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


def held_elsewhere(b: Bench) -> str:
    b.filled()
    b.patch.setattr(store_module, "READER_WAIT_S", 0.1)
    code = (
        f"import duckdb, sys; c = duckdb.connect({str(b.path)!r}); print(1, flush=True); sys.stdin.readline()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        said = b.does("status")
        other.communicate("\n")
    return said


def no_room(b: Bench) -> str:
    """The command in a process whose files may not grow beyond what the store has."""
    store = b.filled()
    rows = "".join(f"N{i * 7919 % 1000003},2024-03-01,F{i % 999},{i}\n" for i in range(60_000))
    b.file(f"{HEAD},enquiry_id\n{rows}", "big.csv")
    size = store.path.stat().st_size + 100_000
    code = (
        f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))\n"
        "from fleet.cli import main; main(['intake', 'big.csv'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert len(store.current()) == 1
    return done.stderr


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    for at in range(12_288 + 64, len(data), 4096):
        data[at] ^= 0xFF
    path.write_bytes(bytes(data))


def newer_fleet(path: Path) -> None:
    with Store(path).writer() as con:
        con.execute("insert into schema_version values (99, 'future', timestamp '2030-01-01')").fetchall()


def newer_duckdb(b: Bench) -> str:
    """DuckDB's own words for a file of a later version, as it would say them."""
    b.filled()

    def refuse(*_: object, **__: object) -> None:
        raise duckdb.IOException("IO Error: Trying to read a database file with version number 999")

    b.patch.setattr(connection, "open_file", refuse)
    return b.does("status")


def failing_disk(b: Bench) -> str:
    """DuckDB's own words for a disk that fails."""
    b.filled()

    def refuse(*_: object, **__: object) -> None:
        raise duckdb.IOException('IO Error: Could not read from file "x": Input/output error')

    b.patch.setattr(connection, "open_file", refuse)
    return b.does("status")


def too_little_memory(b: Bench) -> str:
    b.filled()
    b.patch.setitem(connection._SHUT, "memory_limit", "3MB")
    b.patch.setattr(connection, "open_file", duckdb.connect)
    rows = "".join(f"N{i},2024-03-01,F{i % 999},{i}\n" for i in range(60_000))
    return b.takes(f"{HEAD},enquiry_id\n{rows}")


def unsound_backup(b: Bench) -> str:
    other = b.filled()
    b.does("backup copy.duckdb")
    with Store(b.folder / "copy.duckdb").writer() as con:
        con.execute("delete from intake").fetchall()
    assert len(other.current()) == 1
    return b.does("restore copy.duckdb")


def moved_away(b: Bench) -> str:
    path = b.filled().path
    path.rename(path.with_name("fleet-before-restore-20240301-120000.duckdb"))
    return b.does("intake good.csv")


def undone_twice(b: Bench) -> str:
    b.filled()
    b.does("undo 1")
    return b.does("undo 1")


def no_key_left(b: Bench) -> str:
    b.filled()
    b.key.unlink()
    return b.takes(GOOD.replace("A1", "A2"))


def rekeyed_elsewhere(b: Bench) -> str:
    b.filled()
    b.patch.setenv("FLEET_STORE", str(b.folder / "second.duckdb"))
    b.takes(GOOD)
    b.does("rekey")
    b.patch.setenv("FLEET_STORE", str(b.path))
    return b.takes(GOOD.replace("A1", "A2"))


def with_secret(b: Bench, secret: str, command: str) -> str:
    b.filled()
    b.patch.setenv("FLEET_SECRET", secret)
    return b.does(command)


def key_file(b: Bench, text: str, mode: int, command: str) -> str:
    b.filled()
    b.key.write_text(text)
    b.key.chmod(mode)
    return b.does(command)


def key_in_the_way(b: Bench) -> str:
    (b.folder / "keys").symlink_to(b.folder / "nowhere")
    return b.takes(GOOD)


def key_is_a_folder(b: Bench) -> str:
    b.key.mkdir(parents=True, mode=0o700)
    return b.takes(GOOD)


def no_right_to_read(b: Bench) -> str:
    """The administrator may read anything, so the system's refusal is a stand-in."""
    b.file(GOOD)

    def refuse(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    b.patch.setattr("fleet.intake.reader.open_ordinary", refuse)
    return b.does("intake a.csv")


def packed(**parts: bytes) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return made.getvalue()


def with_settings(bench: Bench, text: str) -> str:
    """Settings beside the store that are none."""
    bench.path.parent.mkdir()
    (bench.path.parent / "fleet.toml").write_text(text)
    return bench.does("align --sra-dynamic-deg 92")


def damaged_ledger(bench: Bench) -> str:
    """A ledger of publications that is none."""
    bench.does(f"intake {bench.file(GOOD)}")
    (bench.path.parent / ".fleet-work").mkdir(exist_ok=True)
    (bench.path.parent / ".fleet-work" / "fleet.duckdb.published").write_text("none")
    return bench.does("forget --sheet A1 --yes")


def ledger_in_the_way(bench: Bench) -> str:
    """A folder of the ledger's name, beside a store that has published."""
    bench.does(f"intake {bench.file(GOOD)}")
    with Store(bench.path).writer() as con:
        con.execute("insert into share_state values (true, 5, 'i', null, null, null, 'k')").fetchall()
        con.execute(
            "insert into share_group values (1, 'units', current_date, 5, '{}', '{}', null, false, 2)"
        )
    bench.patch.setattr("fleet.store.backup.put_in_place", full_disk)
    return bench.does("forget --sheet A1 --yes")


def full_disk(*_: object, **__: object) -> None:
    raise OSError(28, "No space left on device")


def parquet_rows(b: Bench) -> str:
    pd.DataFrame({"sheet_no": ["A1", "A2"]}).to_parquet(b.folder / "a.parquet")
    b.patch.setattr(columnar, "_MOST_PARQUET_ROWS", 1)
    return b.does("intake a.parquet")


def far_cells(b: Bench) -> str:
    pd.DataFrame({"sheet_no": ["A1"]}).to_excel(b.folder / "a.xlsx", index=False)
    b.patch.setattr(columnar, "_MOST_CELLS", 1)
    return b.does("intake a.xlsx")


def no_such_page(b: Bench) -> str:
    pd.DataFrame({"sheet_no": ["A1"]}).to_excel(b.folder / "g.xlsx", index=False)
    b.file('[file]\npage = "2019"\n', "g.toml")
    return b.does("intake g.xlsx --guide g.toml")


def guide_for(to: str, **entries: str) -> str:
    lines = "".join(f"{name} = {value}\n" for name, value in entries.items())
    return f'[columns.Col]\nto = "{to}"\n{lines}'


def lacking_later(b: Bench) -> str:
    names = "No,Date,Model,Force (g),Tilt limit,Minutes"
    b.takes(f"{names}\nA1,2024-03-01,F1,1.9,3,60\n")
    return b.takes(f"{names.removesuffix(',Minutes')}\nA1,2024-03-01,F1,1.9,3\n", "later.csv")


SENSE = guide_for("zenith_deg", sense="{ cw = 1, ccw = -1 }")
SAGGING = f"{HEAD},stylus_profile,sra_static_deg,sra_dynamic_deg,zenith_deg,tilt_room_deg,tilt_applied_deg\n"
ROW = "A1,2024-03-01,F1,"

CASES: dict[str, Case] = {
    "there is no store at … yet": lambda b: b.does("status"),
    "there is no store at …, but one that was there before is kept": moved_away,
    "… is not a fleet store": lambda b: instead(b, lambda p: p.write_text("a letter")),
    "… is a database, but not a fleet store": lambda b: instead(b, other_database),
    "… is a folder, not a store": lambda b: instead(b, lambda p: p.mkdir()),
    "cannot make a store in …": lambda b: b.takes(GOOD, "store"),
    "the store … may not be opened here": lambda b: instead(b, bound_socket),
    "the store … is in use by another program": held_elsewhere,
    "the disk is full: nothing was stored in …": no_room,
    "the disk of the store … fails": failing_disk,
    "there is not enough memory for this": too_little_memory,
    "the store … is damaged": lambda b: kept_store(b, flipped),
    "the store … was made by a newer fleet": lambda b: kept_store(b, newer_fleet),
    "the store … was made by a newer DuckDB": newer_duckdb,
    "there is no intake …": lambda b: kept_store(b, Path.stat, "undo 7"),
    "intake … was undone before": undone_twice,
    "there is no sheet of that number in the store": lambda b: kept_store(b, Path.stat, "history N"),
    "no house model yet": lambda b: kept_store(b, Path.stat, "suspects"),
    "… is there already; name another file": lambda b: kept_store(b, Path.stat, "backup good.csv"),
    "the backup … is not sound": unsound_backup,
    "cannot write in …": lambda b: kept_store(b, Path.stat, "backup good.csv/copy.duckdb"),
    "the store was made with another token key": lambda b: with_secret(
        b, "quite another secret", "intake good.csv"
    ),
    "the token key that the store was made with is not there": no_key_left,
    "the token key was changed, but not yet for this store": rekeyed_elsewhere,
    "FLEET_SECRET has only … characters": lambda b: with_secret(b, "short", "intake good.csv"),
    "the key in FLEET_SECRET cannot be changed": lambda b: with_secret(b, "a long enough one", "rekey"),
    "there is no key file … to change": lambda b: kept_store(b, lambda _: b.key.unlink(), "rekey"),
    "… is not a fleet key file": lambda b: key_file(b, "a letter", 0o600, "intake good.csv"),
    "other users may read the key file …": lambda b: key_file(b, "a letter", 0o644, "intake good.csv"),
    "cannot read the key file …": key_is_a_folder,
    "cannot make the key file …": key_in_the_way,
    "the store's token key is needed to find a unit": lambda b: with_secret(
        b, "quite another secret", "forget --serial S-1 --yes"
    ),
    "there is no file …": lambda b: b.does("intake nothing.csv"),
    "nothing was erased: bench … has no sheet …": lambda b: kept_store(
        b, Path.stat, "forget --sheet A2 --yes"
    ),
    "nothing was erased: no sheet in the store bears that serial": lambda b: kept_store(
        b, Path.stat, "forget --serial S-2 --yes"
    ),
    "there is no .csv, .json, .jsonl, .ods, .parquet, .tsv, .xls, .xlsm, .xlsx file in …": lambda b: b.does(
        "intake ."
    ),
    "… may not be read; check its rights": no_right_to_read,
    "… cannot be read: …": lambda b: (bound_socket(b.folder / "a.csv"), b.does("intake a.csv"))[1],
    "… is empty; the first row must hold the column names": lambda b: b.takes("\n \n"),
    "… has no column …; the first row must hold the column names": lambda b: b.takes("foo,bar\n1,2\n"),
    "… has no column …; it looks like …": lambda b: b.takes("enquiry_id,vtf_mn\nE1,18\n"),
    "… has no column …; its fields don't seem to be separated by commas": lambda b: b.takes("a;b\n1;2\n"),
    "… has two columns …": lambda b: b.takes(f"{HEAD},sheet_no\n"),
    "… line …, the column names, has a quotation mark that is never closed": lambda b: b.takes('"a,b\n1,2\n'),
    "… holds bytes that are not UTF-8 text; save it as UTF-8": lambda b: b.takes(b"sheet_no,\xe4\n"),
    "… is written in UTF-16; save it as UTF-8": lambda b: b.does(f"judge {b.file(GOOD.encode('utf-16'))}"),
    "… is not a … file, whatever its name says": lambda b: b.takes(GOOD, "a.xlsx"),
    "… is a packed folder of … files, … of them tables": lambda b: b.takes(packed(a=b"x"), "a.zip"),
    "… is not JSON, whatever its name says": lambda b: b.takes(GOOD, "a.json"),
    "… is no list of sheets": lambda b: b.takes('{"sheet_no": "A1"}', "a.json"),
    "… has lists or objects in a cell": lambda b: b.takes('[{"sheet_no": [1]}]', "a.json"),
    "… is no setting; settings are texts named …": lambda b: with_settings(b, 'polixy = "x"'),
    "the settings … can't be read": lambda b: with_settings(b, "x" * (1 << 19)),
    "the ledger of publications … can't be read": damaged_ledger,
    "the ledger of publications in … can't be written": ledger_in_the_way,
    "… is damaged: it can't be unpacked": lambda b: b.takes(b"\x1f\x8b\x08" + b"\0" * 9, "a.csv.gz"),
    "… cannot be read as Parquet": lambda b: b.takes(b"PAR1" + b"\0" * 99, "a.parquet"),
    "… has more than 20 million rows": parquet_rows,
    "… cannot be read as a workbook": lambda b: b.takes(b"PK\x03\x04" + b"\0" * 99, "a.xlsx"),
    "… unpacks to more than a workbook of 32 MB": lambda b: b.takes(packed(a=b" " * (3 << 20)), "a.xlsx"),
    "… spreads over more than 5 million cells": far_cells,
    "is missing": lambda b: b.cell("body_family", ""),
    "is outside …": lambda b: b.cell("vtf_mn", "99"),
    "… mN: is it grams?": lambda b: b.cell("vtf_mn", "1.9"),
    "… mm: is it inches?": lambda b: b.cell("height_mm", "0.67"),
    "… °C: is it Fahrenheit?": lambda b: b.cell("temperature_c", "70"),
    "crosstalk is negative here: …": lambda b: b.cell("crosstalk_l_to_r_db", "31"),
    "is the decimal point in the wrong place (…)?": lambda b: b.cell("sra_static_deg", "9.12"),
    "is not 0 or 10 or 100 Hz": lambda b: b.cell("compliance_frequency_hz", "50"),
    "is no number": lambda b: b.cell("vtf_mn", "_"),
    "is no number; leave the cell empty if it wasn't measured": lambda b: b.cell("vtf_mn", "n/a"),
    "has a decimal comma": lambda b: b.cell("vtf_mn", '"19,5"'),
    "has marks between thousands": lambda b: b.cell("hours_used", "1'250"),
    "has a typeset minus sign": lambda b: b.cell("zenith_deg", "−1.2"),
    "has words after the number": lambda b: b.cell("vtf_mn", "19 mN"),
    "is not a day written YYYY-MM-DD": lambda b: b.cell("measured_on", "3.4.2024"),
    "is not a day of the calendar written YYYY-MM-DD": lambda b: b.cell("measured_on", "2024-02-31"),
    "is in the future": lambda b: b.cell("measured_on", "2999-01-01"),
    "is not one of …": lambda b: b.cell("stylus_profile", "edgy"),
    "is not any of …": lambda b: b.cell("peculiarities", "odd"),
    "is not a code of 1 to 24 letters, digits or _ . -": lambda b: b.cell("operator", "Muster Person"),
    "is not 1 to 40 letters, digits or _ . / # : + -, no blanks": lambda b: b.cell("sheet_no", "A 1"),
    "is longer than 100 characters or holds control characters": lambda b: b.cell("serial", "9" * 101),
    "has … fields where the header has …": lambda b: b.takes(f"{HEAD}\nA1,2024-03-01,F1,\nA2,2024\n"),
    "has a quotation mark that is never closed, or text after a closing one": lambda b: b.takes(
        f'{HEAD}\nA1,"2024-03-01,F1\n'
    ),
    "holds bytes that are not UTF-8 text": lambda b: b.takes(f"{HEAD}\nA1,2024-03-01,F".encode() + b"\xe4\n"),
    "is in the store already with other contents": lambda b: kept_store(
        b, lambda _: b.file(GOOD.replace("F1", "F2"), "good.csv"), "intake good.csv"
    ),
    "is also the number of line …, with other contents": lambda b: b.takes(GOOD + "A1,2024-03-01,F2,S-1\n"),
    "rake turning is …° above rake still; were the two swapped?": lambda b: b.takes(
        f"{SAGGING}{ROW},90,92,,,\n"
    ),
    "rake sags by …°, far more than a sound suspension": lambda b: b.takes(f"{SAGGING}{ROW},97,90,,,\n"),
    "rake …° with tracking angle …° makes a built-in angle of …°, which no assembly has": lambda b: b.takes(
        f"{HEAD},sra_dynamic_deg,vta_dynamic_deg\n{ROW}66,58\n"
    ),
    "a tracking angle of …° would leave the cantilever flat": lambda b: b.cell("vta_dynamic_deg", "0"),
    "a height of … mm is far from its family's in this file": lambda b: b.takes(
        f"{HEAD},height_mm\n" + "".join(f"A{i},2024-03-01,F1,{17 + 8 * (i == 5)}\n" for i in range(6))
    ),
    "measured in …: is the century right?": lambda b: b.cell("measured_on", "1925-03-01"),
    "… minutes are more than a day at the bench": lambda b: b.cell("bench_minutes", "2000"),
    "a spherical stylus has no rake": lambda b: b.takes(f"{SAGGING}{ROW}spherical,90,90,,,\n"),
    "a spherical stylus has no zenith": lambda b: b.takes(f"{SAGGING}{ROW}spherical,,,1,,\n"),
    "the tilt of …° is above the tilt room of …°": lambda b: b.takes(f"{SAGGING}{ROW},,,,2,3\n"),
    "the guide … cannot be read": lambda b: b.takes(GOOD, words="--guide no.toml"),
    "the guide … is not TOML": lambda b: b.guided("x = [", "1"),
    "the guide … has … open questions": lambda b: b.guided(guide_for("vtf_mn", ask='"grams?"'), "1"),
    "…: unknown entry …": lambda b: b.guided("[colums]\n", "1"),
    "… this column is about a person or free text; it is never read": lambda b: b.guided(
        '[columns.Owner]\nto = "operator"\n', "x", "Owner"
    ),
    "… serial numbers may only go to serial, where they become tokens": lambda b: b.guided(
        '[columns.SN]\nto = "operator"\n', "x", "SN"
    ),
    "… blanks are not for …; what holds one may be a name": lambda b: b.guided(
        guide_for("operator", blanks='"_"'), "x"
    ),
    "… are both mapped to …": lambda b: b.guided(
        guide_for("vtf_mn") + '[columns.Other]\nto = "vtf_mn"\n', "19"
    ),
    "… lacks columns that the guide names: …": lambda b: b.guided(guide_for("vtf_mn"), "19", "Another"),
    "… has no page of the name that the guide gives": no_such_page,
    "… has column names of its own. A guide to them is drafted in …": lambda b: b.takes(
        "No,Date,Model\nA1,2024-03-01,F1\n"
    ),
    "… lacks …, which the guide … names": lacking_later,
    "… has no column that is known as …": lambda b: b.takes("No,Date,SRA\nA1,2024-03-01,91\n"),
    "--out …: that file is read by the same command": lambda b: b.does(
        f"quote {b.file('enquiry_id' + chr(10) + 'E1')} --out a.csv"
    ),
    "…: another file, no earlier result of this kind is there already": lambda b: b.does(
        f"quote --kind elliptical/boron --out {b.file('mine' + chr(10))}"
    ),
    "…: a fleet store is there already": lambda b: kept_store(
        b, lambda p: b.file(p.read_bytes()), "quote --kind elliptical/boron --out a.csv"
    ),
    "end the name in …": lambda b: kept_store(b, Path.stat, "export a.csv"),
    "no column of … is recognised": lambda b: b.does(f"guide {b.file('foo,bar' + chr(10) + '1,2')}"),
    "--out …: is there already": lambda b: b.does(f"guide {b.file(GOOD)} --out {b.file('mine', 'g.toml')}"),
    "read as … is outside …": lambda b: b.guided(guide_for("vtf_mn", unit='"g"'), "9"),
    "…; … would fit: was it in mN already, not in grams?": lambda b: b.guided(
        guide_for("vtf_mn", unit='"g"'), "19.6"
    ),
    "…; … would fit: was it in mm already, not in inches?": lambda b: b.guided(
        guide_for("height_mm", unit='"inch"'), "17.3"
    ),
    "has no sense after the number; say …": lambda b: b.guided(SENSE, "1.2"),
    "has a word after the number that the guide doesn't know": lambda b: b.guided(SENSE, "1.2 left"),
    "is not a word of the guide: …": lambda b: b.guided(guide_for("stylus_profile"), "edgy"),
    "is not a day of the calendar, read as …": lambda b: (
        b.guided('[file]\ndates = "dmy"\n[columns.measured_on]\nto = "measured_on"\n', "31.02.2024", "x")
        + b.takes(f"{HEAD}\nA1,31.02.2024,F1\n", "day.csv", "--guide g.toml")
    ),
}


@pytest.fixture
def bench(
    tmp_path: Path, empty: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Bench:
    monkeypatch.delenv("FLEET_SECRET", raising=False)
    return Bench(tmp_path, empty, capfd, monkeypatch)


def test_every_documented_message_has_its_case() -> None:
    """The tables and the cases name the same messages, each once."""
    tables = documented()
    assert len(tables) > 80
    assert sorted(tables) == sorted(set(tables)) == sorted(CASES)


@pytest.mark.skipif(sys.platform == "win32", reason="rights, sockets and limits are POSIX")
@pytest.mark.parametrize("message", documented())
def test_a_documented_message_is_said(bench: Bench, message: str) -> None:
    """The message is on standard error, on one line, as the table has it."""
    said = CASES[message](bench)
    pattern = ".*".join(map(re.escape, message.split("…")))
    assert any(re.search(pattern, line) for line in said.splitlines()), said


def test_the_key_message_is_one_text() -> None:
    """What the store says of another key is what the table says."""
    assert append.OTHER_KEY.startswith("the store was made with another token key")

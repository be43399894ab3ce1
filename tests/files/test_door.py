"""No file is too large, deep or strange to be refused in one line, and a lie about size costs nothing."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.cli import run
from fleet.errors import FleetError
from fleet.files.door import RefusedError, read_toml, read_whole, toml_tables, unpack

Said = pytest.CaptureFixture[str]
ABOUT = {"unread": "it cannot be read", "no_toml": "it is not TOML"}


def test_plain_tables_come_through(tmp_path: Path) -> None:
    """Texts, numbers, switches, lists and tables are what they were, whatever the line ends."""
    file = tmp_path / "a.toml"
    file.write_bytes(b'a = 1\r\n[b]\r\nc = [1.5, "x", true]\r\n')
    assert read_toml(file, **ABOUT) == {"a": 1, "b": {"c": [1.5, "x", True]}}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("a" + ".a" * 50_000 + " = 1", "more than 100 dots"),
        ("a = " + "[" * 5_000 + "]" * 5_000, "nested too deeply"),
        ("a = " + "[" * 20 + "]" * 20, "nested too deeply"),
        ("a = " + "9" * 5_000, "a number is too large"),
        ("a = " + "9" * 400, "a number is too large"),
        ("a = 2024-03-01", "a day or a time is no value"),
        ('a = "' + "x" * 3_000 + '"', "a text has more than 2000 characters"),
        ('a = "\\u0000"', "control characters"),
        ("x" * 300_000, "larger than 256 kB"),
        ("a = [", "it is not TOML: "),
    ],
)
def test_what_no_table_of_ours_holds_is_refused(text: str, why: str) -> None:
    """Depth, size, numbers and kinds have bounds."""
    with pytest.raises(FleetError, match=why) as caught:
        toml_tables(text, no_toml="it is not TOML")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.skipif(os.name != "posix", reason="devices and pipes are POSIX")
def test_what_is_no_ordinary_file_is_refused_at_once(tmp_path: Path) -> None:
    """Devices, pipes and folders are not read, nor is a name that no file can have."""
    os.mkfifo(tmp_path / "pipe")
    for path in ("/dev/zero", tmp_path / "pipe"):
        with pytest.raises(FleetError, match="told: it is no ordinary file"):
            read_whole(path, told="told", most=10)
    for path in (tmp_path, tmp_path / "none", "a\0b", "x" * 5_000):
        with pytest.raises(FleetError, match=r"^told: ") as caught:
            read_whole(path, told="told", most=10)
        assert "\n" not in str(caught.value)


def test_a_file_of_more_bytes_is_refused(tmp_path: Path) -> None:
    """The bound itself is let in."""
    (tmp_path / "a").write_bytes(b"x" * 11)
    assert len(read_whole(tmp_path / "a", told="told", most=11)) == 11
    with pytest.raises(FleetError, match="told: it is larger than"):
        read_whole(tmp_path / "a", told="told", most=10)


def zipped(**parts: bytes) -> bytes:
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    return kept.getvalue()


def lying(content: bytes, told: int) -> bytes:
    """The same archive, its directory and headers telling another size of each part."""
    out = bytearray(content)
    for mark, at in ((b"PK\x01\x02", 24), (b"PK\x03\x04", 22)):
        place = out.find(mark)
        while place >= 0:
            struct.pack_into("<I", out, place + at, told)
            place = out.find(mark, place + 4)
    return bytes(out)


def test_an_archive_comes_apart() -> None:
    """Parts are what was packed."""
    assert dict(unpack(zipped(a=b"one", b=b"2" * 5_000), most=10_000)) == {"a": b"one", "b": b"2" * 5_000}


@pytest.mark.parametrize("spoil", [lambda z: lying(z, 10), lambda z: lying(z, 5_001), lambda z: z[:-30]])
def test_an_archive_that_lies_is_refused(spoil: Callable[[bytes], bytes]) -> None:
    """A part that is larger or smaller than told, or a directory cut off."""
    with pytest.raises(RefusedError, match="damaged"):
        dict(unpack(spoil(zipped(a=b"2" * 5_000)), most=10_000))
    with pytest.raises(RefusedError, match="more than"):
        dict(unpack(zipped(a=b"2" * 50_000), most=10_000))


BOMBS = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_door import lying, zipped
from fleet.cli import run
folder = Path(sys.argv[1])
(folder / "dots.toml").write_text("a" + ".a" * 50_000 + " = 1")
(folder / "deep.toml").write_text("a = " + "[" * 100_000)
(folder / "line.csv").write_bytes(b"x" * 100_000_000)
(folder / "good.csv").write_text("sheet_no,measured_on,body_family\\nA1,2024-03-01,F1\\n")
bomb = zipped(**{"xl/workbook.xml": b" " * 400_000_000})
(folder / "lies.xlsx").write_bytes(lying(bomb, 1_000))
(folder / "lies.npz").write_bytes(lying(bomb, 1_000))
(folder / "true.npz").write_bytes(bomb)
bomb = None
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
Path("/proc/self/clear_refs").write_text("5") if Path("/proc/self/clear_refs").exists() else None
for command in (
    "intake good.csv --guide /dev/zero", "intake good.csv --guide dots.toml",
    "intake good.csv --guide deep.toml",
    "merge /dev/zero", "merge lies.npz", "merge true.npz", "intake lies.xlsx", "intake line.csv",
    "intake /dev/zero", "attainment --policy /dev/zero", "suspects --prior dots.toml", "guide /dev/zero",
    "--store :memory: status", "--store good.csv status", "--store /dev/zero status",
):
    assert run(command.split()) == 2, command
peak = [line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
print(int(peak[0].split()[1]) // 1024)
"""


@pytest.mark.long
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the peak of memory from /proc")
def test_bombs_cost_half_a_gigabyte_at_most(tmp_path: Path) -> None:
    """Fifteen commands on files made to fill the memory: one line each, status 2, little memory."""
    done = subprocess.run(
        [sys.executable, "-c", BOMBS, tmp_path, Path(__file__).parent],
        cwd=tmp_path,
        env={**os.environ, "FLEET_STORE": str(tmp_path / "store.duckdb")},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stderr.splitlines()
    assert len(lines) == 15
    assert all(line.startswith("fleet: ") and "inside fleet" not in line for line in lines), lines
    assert int(done.stdout) <= 500


OTHERS = {
    "json": b'{"a": 1}',
    "csv": b"a,b\n1,2\n",
    "sqlite": b"SQLite format 3\0" + b"\0" * 4080,
    "parquet": b"PAR1" + b"\0" * 100 + b"PAR1",
}


@pytest.mark.parametrize("kind", OTHERS)
@pytest.mark.parametrize("command", ["status", "intake good.csv", "check", "refit"])
def test_a_store_that_is_something_else_is_left_alone(
    kind: str,
    command: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Whatever another file in the store's place is, it is said in one line and stays as it is."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.csv").write_text("sheet_no,measured_on,body_family\nA1,2024-03-01,F1\n")
    other = tmp_path / f"other.{kind}"
    other.write_bytes(OTHERS[kind])
    assert run(["--store", str(other), *command.split()]) == 2
    assert (
        capfd.readouterr().err
        == f"fleet: {other} is not a fleet store; name the store with --store or FLEET_STORE.\n"
    )
    assert other.read_bytes() == OTHERS[kind]

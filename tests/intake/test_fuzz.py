"""Mangled files: never a crash, a hang or a flood of memory, never a row unaccounted for.

A file hangs where it takes more than ten seconds of processor time, or where the work sleeps that long; time
in a queue because the machine serves others is not its own (`effort`). Figures: `--log-cli-level=info`.
"""

from __future__ import annotations

import io
import logging
import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest
from effort import Effort, measured

from fleet.cli import run
from fleet.columns import COLUMNS
from fleet.errors import FleetError
from fleet.intake import TokenKey, check_sheets, propose_guide, read_sheets
from fleet.intake.guides.guide import Guide, Rule
from fleet.store import Store, check_store

T = TypeVar("T")
_LOG = logging.getLogger(__name__)
LONG = bool(os.environ.get("FLEET_LONG"))
N_FILES = 5000 if LONG else 150
N_COMMANDS = 300 if LONG else 8
LONGEST_S = 10.0
"""Processor time, or time asleep, beyond which a file counts as hanging."""
MOST_MORE_KB = 300_000
"""Memory that one mangled file may take beyond what the process holds (`fleet explain store`)."""
KEY = TokenKey(b"k" * 32)
GUIDE = Guide(
    rules=(
        Rule("sheet_no", "sheet_no", blanks="_"),
        Rule("vtf_mn", "vtf_mn", unit="g"),
        Rule("zenith_deg", "zenith_deg", sense={"cw": 1, "ccw": -1}),
        Rule("stylus_profile", "stylus_profile", words={"line": "line_contact"}, optional=True),
    ),
    decimal=",",
    dates="dmy",
    delimiter=";",
    encoding="cp1252",
)
NASTY = [
    *(
        "nan",
        "inf",
        "-inf",
        "1e400",
        "1e-400",
        "-0",
        "0x1F",
        "1_000",
        "1,5",
        "1.000,5",
        "١٢",
        "－5",
        "½",
        "1e",
        "+",
    ),
    *(
        '"',
        '""',
        '"a',
        'a"b',
        "'",
        "\0",
        "\r",
        "\n",
        "\r\n",
        "\x1a",
        "\ufeff",
        "\u2028",
        "\x85",
        "\x1c",
        "\u202e",
    ),
    *(
        "\U0001f600" * 50,
        "x" * 200_000,
        "9" * 400,
        "=1+1",
        "@x",
        "a@b.example",
        " ",
        "\t",
        ";",
        ",",
        ",,,,,",
        "|",
    ),
    *(
        "2024-02-30",
        "9999-12-31",
        "0000-00-00",
        "10000-01-01",
        "31.12.9999",
        "00.00.0000",
        "2024-01-01T00:00",
    ),
    *("cw", "1 cw", "1 ccw cw", "1 g mN", "e5", "None", "NULL", "TRUE", "\ud7ff", "é" * 100, "\u0301" * 100),
]


def base(rng: random.Random, delimiter: str) -> str:
    names = ["sheet_no", "measured_on", "body_family", "vtf_mn", "zenith_deg", *rng.sample(list(COLUMNS), 5)]
    names = list(dict.fromkeys(names))
    rows = [[f"A{i}", "2024-01-01", "F1", "19", "1", "1", "", "x", "0", "y"][: len(names)] for i in range(12)]
    return "\n".join(delimiter.join(row) for row in [names, *rows]) + "\n"


def mangle(rng: random.Random, delimiter: str) -> bytes:
    """A small table with some of its text, structure and bytes spoiled."""
    text = base(rng, delimiter)
    for _ in range(rng.randrange(1, 8)):
        at = rng.randrange(len(text) + 1)
        kind = rng.randrange(6)
        if kind == 0:
            text = text[:at] + rng.choice(NASTY) + text[at:]
        elif kind == 1:
            text = text[:at] + text[at + rng.randrange(1, 40) :]
        elif kind == 2:
            lines = text.split("\n")
            rng.shuffle(lines)
            text = "\n".join(lines)
        elif kind == 3:
            cells = text.split(delimiter)
            cells[rng.randrange(len(cells))] = rng.choice(NASTY)
            text = delimiter.join(cells)
        elif kind == 4:
            text += text[at : at + 200]
        else:
            text = text.replace("\n", rng.choice(["\r\n", "\r", "\n\n", "\n \n"]))
    data = bytearray(
        text.encode(rng.choice(["utf-8", "utf-8", "utf-8", "cp1252", "utf-16"]), errors="replace")
    )
    for _ in range(rng.choice([0, 0, 0, 1, 5])):
        if data:
            data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


def attempt(read: Callable[[], T]) -> T | None:
    """What is read, or None if it is refused in one line of reasonable length."""
    refusal = ""
    try:
        return read()
    except FleetError as error:
        refusal = str(error)
    assert 0 < len(refusal) < 2000
    assert "\n" not in refusal
    return None


def read_and_check(path: Path, guide: Guide | None) -> str:
    """What became of the file: refused in one line, or every row accounted for."""
    table = attempt(lambda: read_sheets(path, guide))
    if table is None:
        return "refused"
    checked = check_sheets(table, key=KEY)
    assert len(checked.good) + checked.put_aside == checked.rows_read == len(table.lines) + len(table.broken)
    assert {fault.line for fault in checked.faults} >= {fault.line for fault in table.broken}
    lines = [*checked.good.index, *{fault.line for fault in checked.faults}]
    assert len(lines) == len(set(lines)) == checked.rows_read
    for fault in checked.faults:
        assert len(fault.value) < 60
        assert "\n" not in str(fault)
    return "read"


class Worst:
    """The most that any file has taken so far."""

    def __init__(self) -> None:
        with measured() as before:
            pass
        self.first_kb = before.peak_kb
        self.work = Effort()

    def note(self, effort: Effort) -> None:
        """Hold one more file to the limits."""
        assert effort.longest_s < LONGEST_S, effort
        assert effort.peak_kb - self.first_kb < MOST_MORE_KB, effort
        now = self.work
        self.work = Effort(
            max(now.processor_s, effort.processor_s),
            max(now.asleep_s, effort.asleep_s),
            max(now.peak_kb, effort.peak_kb),
        )

    def __str__(self) -> str:
        now = self.work
        return (
            f"at most {now.processor_s:.2f} s of processor time, {now.asleep_s:.2f} s asleep, "
            f"{now.peak_kb / 1000:.0f} MB of memory ({self.first_kb / 1000:.0f} MB before the first)"
        )


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_mangled_text_never_crashes_and_loses_no_row(tmp_path: Path) -> None:
    """Each file is refused in one line or each of its rows is either good or has a fault."""
    rng = random.Random(20241124)
    became: dict[str, int] = {"refused": 0, "read": 0}
    worst = Worst()
    for number in range(N_FILES):
        guide = GUIDE if number % 3 == 0 else None
        path = tmp_path / "f.csv"
        path.write_bytes(mangle(rng, ";" if guide else ","))
        with measured() as effort:
            became[read_and_check(path, guide)] += 1
            if number % 10 == 0:
                attempt(lambda path=path: propose_guide(path))
        worst.note(effort)
    _LOG.info("%s files, %s; %s", N_FILES, became, worst)
    assert min(became.values()) > N_FILES / 10


@pytest.mark.parametrize("kind", ["parquet", "xlsx"])
def test_mangled_containers_never_crash(tmp_path: Path, write: Callable[..., Path], kind: str) -> None:
    """Flipped, cut and swollen Parquet files and workbooks are refused in one line or read whole."""
    pd = pytest.importorskip("pandas")
    frame = pd.DataFrame(
        {"sheet_no": ["A1"], "measured_on": ["2024-01-01"], "body_family": ["F"], "vtf_mn": [19.0]}
    )
    whole = tmp_path / f"whole.{kind}"
    if kind == "xlsx":
        pytest.importorskip("openpyxl")
        frame.to_excel(whole, index=False)
    else:
        frame.to_parquet(whole)
    rng = random.Random(5)
    became: dict[str, int] = {"refused": 0, "read": 0}
    for _ in range(N_FILES // 10):
        data = bytearray(whole.read_bytes())
        for _ in range(rng.randrange(1, 6)):
            data[rng.randrange(4, len(data))] = rng.randrange(256)
        cut = bytes(data[: rng.choice([len(data), len(data), rng.randrange(5, len(data))])])
        became[read_and_check(write(cut, f"f.{kind}"), None)] += 1
    assert became["refused"]


def test_a_workbook_of_hostile_parts_is_refused(write: Callable[..., Path]) -> None:
    """A packed file without a workbook in it, or with entities that grow without end, is one line."""
    pytest.importorskip("openpyxl")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        bomb = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + "".join(
            f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(8)
        )
        archive.writestr("xl/workbook.xml", bomb + "]><workbook>&i;</workbook>")
        archive.writestr("[Content_Types].xml", "<Types/>")
    assert read_and_check(write(packed.getvalue(), "f.xlsx"), None) == "refused"


def mangled_file(rng: random.Random, number: int, folder: Path, whole: dict[str, bytes]) -> list[str]:
    """Write a mangled file of some kind; the words that take it in."""
    kind = ("csv", "csv", "guided", "parquet", "xlsx", "bomb")[number % 6]
    path = folder / f"f{number}.{'csv' if kind == 'guided' else 'xlsx' if kind == 'bomb' else kind}"
    if kind in whole:
        data = bytearray(whole[kind])
        for _ in range(rng.randrange(1, 5)):
            data[rng.randrange(4, len(data))] = rng.randrange(256)
        path.write_bytes(data[: rng.choice([len(data), rng.randrange(5, len(data))])])
    elif kind == "bomb":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for part in rng.sample(["xl/workbook.xml", "xl/worksheets/sheet1.xml", "[Content_Types].xml"], 2):
                archive.writestr(part, b"<a>" * rng.choice([10, 10**5, 10**7]))
    else:
        path.write_bytes(mangle(rng, ";" if kind == "guided" else ","))
    return ["intake", *(["--guide", "guide.toml"] if kind == "guided" else []), path.name]


GUIDE_TEXT = """[file]
delimiter = ";"
encoding = "cp1252"
decimal = ","
dates = "dmy"
[columns.sheet_no]
to = "sheet_no"
blanks = "_"
[columns.vtf_mn]
to = "vtf_mn"
unit = "g"
"""


@pytest.mark.timeout(3600)
def test_mangled_files_through_the_command(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Whatever comes: no traceback, no hang, no file half in, memory bounded, and the counts add up."""
    pd = pytest.importorskip("pandas")
    pytest.importorskip("openpyxl")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", str(tmp_path / "store" / "fleet.duckdb"))
    (tmp_path / "guide.toml").write_text(GUIDE_TEXT)
    frame = pd.DataFrame(
        {"sheet_no": ["P1"], "measured_on": ["2024-01-01"], "body_family": ["F"], "vtf_mn": [19.0]}
    )
    frame.to_parquet("whole.parquet")
    frame.to_excel("whole.xlsx", index=False)
    whole = {kind: (tmp_path / f"whole.{kind}").read_bytes() for kind in ("parquet", "xlsx")}
    rng = random.Random(20241125)
    store = Store(tmp_path / "store" / "fleet.duckdb").create()
    became: dict[int, int] = {0: 0, 1: 0, 2: 0}
    worst = Worst()
    for number in range(N_COMMANDS):
        words = mangled_file(rng, number, tmp_path, whole)
        before = len(store.intakes())
        with measured() as effort:
            status = run(words)
        worst.note(effort)
        said = "".join(capfd.readouterr())
        assert "Traceback" not in said
        assert "something went wrong inside fleet" not in said, (words, said)
        became[status] += 1
        intakes = store.intakes()
        assert len(intakes) <= before + (status < 2)
        if len(intakes) > before:
            last = intakes.iloc[-1]
            assert last["accepted"] + last["put_aside"] + last["already_there"] == last["rows_read"]
    _LOG.info("%s files by exit status %s; %s", N_COMMANDS, became, worst)
    assert check_store(store).problems == ()
    assert became[2] > N_COMMANDS / 10
    assert became[0] + became[1] > N_COMMANDS / 10

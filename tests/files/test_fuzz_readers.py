"""Mangled guides, policies, priors, logins, wishes, tallies, Parquet, workbooks: one line each, no more."""

from __future__ import annotations

import gzip
import io
import os
import random
import re
import zipfile
from collections import Counter
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from effort import measured
from worlds import ideal, tokened

from fleet.cli import run
from fleet.cli.week.attainment_comparisons import other_policy
from fleet.cli.week.login import login_from
from fleet.errors import FleetError
from fleet.faults.verdicts import load_prior
from fleet.files.door import unpack
from fleet.fitting.quick_refit import refit_from_file
from fleet.intake import load_guide, propose_guide, read_sheets
from fleet.output import xlsx_bytes
from fleet.policy.files import DEFAULT_TOML, load_policy
from fleet.policy.policy import Policy
from fleet.sharing.exchange import export_tallies
from fleet.sharing.files import read_exported
from fleet.store import Store, check_store
from fleet.store.tallies import TEACHING, gather
from fleet.tallies.files import read_tallies, write_tallies

FILES = 4_200 if os.environ.get("FLEET_LONG") else 60
"""Of each kind: 50,400 in all in the long form."""
FILES_FOR_COMMANDS = 1_001 if os.environ.get("FLEET_LONG") else 33
MOST_MORE_KB = 300 << 10
"""Most memory beside the 200 MB that a process with all readers loaded holds: half a gigabyte in all."""

GUIDE = """\
[file]
delimiter = ";"
decimal = ","
dates = "dmy"
[columns.No]
to = "sheet_no"
blanks = "_"
[columns."Force g"]
to = "vtf_mn"
unit = "g"
empty = ["-", "n/a"]
[columns.Zenith]
to = "zenith_deg"
sense = { cw = 1, ccw = -1 }
[columns.Tip]
to = "stylus_profile"
words = { line = "line_contact" }
optional = true
[constant]
bench = "north"
"""
LOGIN = """\
[auth]
redirect_uri = "https://fleet.example.org/oauth2callback"
cookie_secret = "0123456789abcdef0123456789abcdef"
client_id = "fleet"
client_secret = "secret"
server_metadata_url = "https://login.example.org/.well-known/openid-configuration"
[shared]
allow = ["a@example.org", "@example.net"]
"""
PRIOR = "[faults]\nrake_set_wrong = 0.01\nsuspension_soft = 0.02\n"
WISH = "tracking_limit_deg = 24; rake_accepted_deg = [90, 93]; currency = 'EUR'"
POLICY = DEFAULT_TOML + '\n[other]\nbased_on = "default"\ntracking_limit_deg = 23\n'
VALUES = [
    *("1", "-1", "0", "1e400", "nan", "-inf", "9" * 400, "9" * 5000, "0x1f", "1_000", "true"),
    *("[]", "{}", "[[1]]", "[1, 'a']", "{a = 1}", "[" * 30 + "]" * 30, "[nan, 1]", "[{}, {}]", "{'' = ''}"),
    *(
        "''",
        "'x'",
        '"\\u0000"',
        "'" + "y" * 3000 + "'",
        "'//[::1'",
        "'https://['",
        "'\u202e'",
        "'\U0001f600'",
    ),
    *("'default'", "'other'", "2024-01-01", "07:32:00"),
]
TABLES = ["[a]", "[[default]]", "[file.x]", "a = 1", "[columns]", "name = 'x'", "= 1", "[[columns.No]]"]
FIGURES = ["null", "1e999", "-5", "[]", "{}", '"x"', "NaN", "9" * 30, "true", ""]


def mangle_text(rng: random.Random, text: str) -> bytes:
    """A TOML text with values, keys, lines or bytes spoiled."""
    lines = text.split("\n")
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(lines))
        key = lines[at].split("=")[0]
        lines[at] = rng.choice(
            [
                f"{key}= {rng.choice(VALUES)}",
                f"{key}.{key.strip() or 'a'} = {rng.choice(VALUES)}",
                lines[at] * 2,
                "",
                rng.choice(
                    [
                        "[a]",
                        "[[default]]",
                        "[file.x]",
                        "a = 1",
                        "[columns]",
                        "name = 'x'",
                        "= 1",
                        "[[columns.No]]",
                    ]
                ),
                re.sub(r"\w+", lambda m: rng.choice([m[0], m[0][::-1], "x"]), lines[at]),
                f"{lines[at]} # {'.' * rng.choice([5, 500])}",
            ]
        )
    raw = bytearray("\n".join(lines).encode(errors="surrogatepass"))
    return spoil_bytes(rng, raw) if rng.random() < 0.3 else bytes(raw)


def mangled(rng: random.Random, kind: str, content: bytes) -> bytes:
    """A good file of a kind, spoiled in the way that suits it."""
    suffix = READERS[kind][0]
    if suffix in {"toml", "txt", "json"}:
        return mangle_text(rng, content.decode())
    if suffix == "parquet":
        return spoil_bytes(rng, bytearray(content))
    if kind != "gzip":
        return mangle_archive(rng, content)
    raw = gzip.compress(mangle_archive(rng, gzip.decompress(content)), 1)
    return spoil_bytes(rng, bytearray(raw)) if rng.random() < 0.2 else raw


def spoil_bytes(rng: random.Random, raw: bytearray) -> bytes:
    """Some bytes changed, a piece cut out or doubled."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(raw) or 1)
        what = rng.randrange(4)
        if what == 0 and raw:
            raw[at % len(raw)] = rng.randrange(256)
        elif what == 1:
            del raw[at : at + rng.randint(1, 50)]
        elif what == 2:
            raw[at:at] = raw[at : at + rng.randint(1, 50)]
        elif rng.random() < 0.2:
            del raw[at:]
    return bytes(raw)


def mangle_archive(rng: random.Random, raw: bytes) -> bytes:
    """An archive with bytes spoiled, or with whole parts that are sound as such and wrong inside."""
    if rng.random() < 0.2:
        return spoil_bytes(rng, bytearray(raw))
    parts = dict(unpack(raw, most=1 << 27))
    for _ in range(rng.randint(1, 2)):
        name = rng.choice(list(parts))
        what = rng.randrange(4)
        if what == 0:
            parts[name] = spoil_bytes(rng, bytearray(parts[name]))
        elif what == 1:
            parts[name] = parts[rng.choice(list(parts))]
        elif what == 2:
            parts[f"{name}x"] = parts.pop(name)
        else:
            parts[name] = mangle_figures(rng, parts[name])
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    return kept.getvalue()


def mangle_figures(rng: random.Random, content: bytes) -> bytes:
    """Figures and words inside, in whichever of the two widths texts have here."""
    wide = b"\0\0\0" in content
    text = content.decode("utf-32-le" if wide and len(content) % 4 == 0 else "latin-1", errors="replace")
    found = list(re.finditer(r"-?\d+\.?\d*|\"[a-z_]+\"", text))
    if not found:
        return content
    spot = rng.choice(found)
    new = rng.choice(FIGURES)[: len(spot[0])].ljust(len(spot[0]))
    text = text[: spot.start()] + new + text[spot.end() :]
    return text.encode("utf-32-le" if wide and len(content) % 4 == 0 else "latin-1", errors="replace")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A good file of each kind, as bytes."""
    folder = tmp_path_factory.mktemp("good")
    sheets, _ = ideal(4).sheets(120)
    store = Store(folder / "fleet.duckdb").create()
    store.append(tokened(sheets), file_name="sheets.csv")
    with store.reader() as con:
        write_tallies(folder / "tallies.npz", gather(con, TEACHING), {"bench": "north"})
    export_tallies(store, folder / "shared.npz", bench="north")
    rows = pd.DataFrame(
        {"sheet_no": ["A1", "A2"], "measured_on": ["2024-01-01"] * 2, "body_family": ["F1"] * 2}
    )
    rows.assign(vtf_mn=[19.0, 20.5]).to_parquet(folder / "rows.parquet")
    texts = {"guide": GUIDE, "policy": POLICY, "prior": PRIOR, "login": LOGIN, "wish": WISH}
    return {
        **{name: text.encode() for name, text in texts.items()},
        "tallies": (folder / "tallies.npz").read_bytes(),
        "exported": (folder / "shared.npz").read_bytes(),
        "parquet": (folder / "rows.parquet").read_bytes(),
        "workbook": xlsx_bytes(rows),
        "json": rows.to_json(orient="records", indent=1).encode(),
        "zip": zipped(rows.to_csv(index=False).encode()),
        "gzip": gzip.compress(xlsx_bytes(rows)),
    }


def zipped(content: bytes) -> bytes:
    """A zip folder of one table."""
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("rows.csv", content)
    return kept.getvalue()


def read_table_file(path: Path) -> None:
    read_sheets(path)
    propose_guide(path)


READERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "guide": ("toml", load_guide),
    "policy": ("toml", load_policy),
    "prior": ("toml", load_prior),
    "login": ("toml", login_from),
    "wish": (
        "txt",
        lambda path: other_policy(path.read_text("utf-8", "replace"), Policy(), {"default": Policy()}),
    ),
    "tallies": ("npz", read_tallies),
    "exported": ("npz", lambda path: read_exported(path.read_bytes(), path.name)),
    "parquet": ("parquet", read_table_file),
    "workbook": ("xlsx", read_table_file),
    "json": ("json", read_table_file),
    "zip": ("zip", read_table_file),
    "gzip": ("xlsx.gz", read_table_file),
}


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kind", READERS)
def test_a_mangled_file_is_read_or_refused_in_one_line(
    kind: str, good: dict[str, bytes], tmp_path: Path
) -> None:
    """Whatever is in it, no other error than ours comes out of a reader."""
    suffix, read = READERS[kind]
    rng = random.Random(kind)
    path = tmp_path / f"mangled.{suffix}"
    path.write_bytes(good[kind])
    path.chmod(0o600)
    read(path)
    done: Counter[str] = Counter()
    with measured() as effort:
        for _ in range(FILES):
            path.write_bytes(mangled(rng, kind, good[kind]))
            try:
                read(path)
                done["read"] += 1
            except FleetError as error:
                short = len(str(error)) < 1_000 and "\n" not in str(error)
                done["refused" if short else f"long: {error}"] += 1
    print(f"\n{kind}: {dict(done)}, peak {effort.peak_kb >> 10} MB")  # noqa: T201
    assert done["refused"]
    assert set(done) <= {"read", "refused"}
    assert effort.more_kb < MOST_MORE_KB


COMMANDS = {
    "guide": "intake {good} --guide {file}",
    "policy": "attainment --policy {file}",
    "prior": "suspects --prior {file}",
    "wish": "attainment --what-if {text}",
    "tallies": "refit --tallies {file}",
    "exported": "merge {file}",
    **dict.fromkeys(["parquet", "workbook", "json", "zip", "gzip"], "intake {file}"),
}
"""All kinds but the login, whose command starts a server."""


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_a_mangled_file_costs_a_command_one_line(
    good: dict[str, bytes], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The command that takes it in ends with 0, 1 or 2; where 2, it has said one line and stored nothing."""
    store = Store(tmp_path / "fleet.duckdb").create()
    store.append(ideal(4).sheets(60)[0].drop(columns="serial"), file_name="sheets.csv")
    (tmp_path / "good.csv").write_text("No;Force g;Zenith;Tip\nA_1;1,9;0,5 cw;line\n")
    rng = random.Random(7)
    done: Counter[tuple[str, int]] = Counter()
    with measured() as effort:
        for number in range(FILES_FOR_COMMANDS):
            kind = list(COMMANDS)[number % len(COMMANDS)]
            path = tmp_path / f"mangled.{READERS[kind][0]}"
            path.write_bytes(mangled(rng, kind, good[kind]))
            names = {"good": str(tmp_path / "good.csv"), "file": str(path)}
            names["text"] = path.read_text("utf-8", "replace") if kind == "wish" else ""
            words = [word.format(**names) for word in COMMANDS[kind].split()]
            before = store.revision()
            status = run(["--store", str(store.path), *words])
            said = capfd.readouterr().err
            assert "inside fleet" not in said, (words, said)
            assert "Traceback" not in said
            assert status in {0, 1, 2}
            if status == 2:
                lines = [line for line in said.splitlines() if not line.startswith("Note: ")]
                assert [line[:7] for line in lines] == ["fleet: "], said
                assert store.revision() == before
            done[kind, status] += 1
    print(f"\n{dict(done)}, peak {effort.peak_kb >> 10} MB")  # noqa: T201
    assert {kind for kind, status in done if status == 2} == set(COMMANDS)
    assert effort.more_kb < MOST_MORE_KB
    assert check_store(store).problems == ()


def test_every_file_of_words_that_a_command_reads_is_fuzzed() -> None:
    """Whoever reads TOML does so through the door."""
    users = [
        entry.name
        for folder in ("intake/guides", "policy", "faults", "cli/week")
        for entry in (resources.files("fleet") / folder).iterdir()
        if entry.name.endswith(".py") and "import tomllib" in entry.read_text(encoding="utf-8")
    ]
    assert users == []


def test_parquet_whose_texts_are_no_text_is_refused(tmp_path: Path) -> None:
    """Its reader takes texts to be UTF-8 as they are; a code of other bytes never gets any further."""
    texts = pa.array([b"A\xff1", b"A2"]).cast(pa.binary()).view(pa.string())
    columns = {"sheet_no": texts, "measured_on": ["2024-01-01"] * 2, "body_family": ["F1"] * 2}
    path = tmp_path / "bytes.parquet"
    pq.write_table(pa.table(columns), path)
    for read in (read_sheets, propose_guide):
        with pytest.raises(FleetError, match="cannot be read as Parquet"):
            read(path)


@pytest.mark.parametrize("part", ["sums.tracking.moments", "sums.tracking.counts"])
def test_tallies_of_sums_that_no_sheets_have_are_refused(
    part: str, good: dict[str, bytes], tmp_path: Path
) -> None:
    """Sound as a file, and nothing that could be fitted: one line that names it."""
    held = dict(np.load(io.BytesIO(good["tallies"])))
    path = tmp_path / "large.npz"
    np.savez(path, **{**held, part: held[part] * 1e200})
    with pytest.raises(FleetError, match=r"large\.npz holds sums that no sheets have"):
        refit_from_file(Store(tmp_path / "fleet.duckdb"), path)


def test_a_zip_folder_of_a_newer_kind_is_refused(good: dict[str, bytes], tmp_path: Path) -> None:
    """One whose directory asks for a version that nobody knows is refused, not looked into."""
    path = tmp_path / "newer.zip"
    place = good["zip"].index(b"PK\1\2") + 6
    path.write_bytes(good["zip"][:place] + b"\x96" + good["zip"][place + 1 :])
    with pytest.raises(FleetError, match=r"newer\.zip cannot be read"):
        read_sheets(path)

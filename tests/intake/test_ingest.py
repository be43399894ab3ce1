"""A file's way into the store: every row is accounted for, and nobody is given away."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.columns import COLUMNS, STORED_COLUMNS, Column
from fleet.errors import FleetError
from fleet.intake import TokenKey, intake_file, load_key, propose_guide
from fleet.intake.guides.guide import Guide, Rule
from fleet.output import write_frame, xlsx_bytes
from fleet.store import Store

HEAD = "sheet_no,measured_on,body_family,serial,vtf_mn\n"
GOOD = "A1,2024-03-01,F1,S1,19\nA2,2024-03-02,F1,S2,19.5\n"
Write = Callable[..., Path]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store" / "fleet.duckdb")


def test_good_rows_go_in_and_bad_rows_are_named(write: Write, store: Store) -> None:
    """The counts add up to the rows read, and the record of the intake holds the same counts."""
    path = write(
        HEAD + GOOD + "A3,2024-03-03,F1,S3,2\n,2024-03-03,F1,,\nA5,2024-03-03\nA1,2024-03-01,F1,S1,19\n"
    )
    report = intake_file(store, path)
    assert (report.rows_read, report.accepted, report.put_aside, report.already_there) == (6, 2, 3, 1)
    assert [fault.line for fault in report.faults] == [4, 5, 6]
    assert report.sentence == "sheets.csv: 6 rows read, 2 taken in, 1 already there, 3 put aside."
    record = store.intakes().iloc[0]
    assert (record["file_name"], record["rows_read"], record["accepted"]) == ("file 1.csv", 6, 2)
    assert (record["put_aside"], record["already_there"]) == (3, 1)
    assert store.current()["sheet_no"].tolist() == ["A1", "A2"]


def test_the_same_file_again_changes_nothing(write: Write, store: Store) -> None:
    """A repeat is a no-op: no new version, no intake, the same revision."""
    path = write(HEAD + GOOD)
    intake_file(store, path)
    before = store.revision()
    again = intake_file(store, path)
    assert (again.accepted, again.already_there, again.intake_id) == (0, 2, None)
    assert store.revision() == before == 1
    assert len(store.intakes()) == 1


def test_the_same_sheets_in_other_dress_change_nothing(write: Write, store: Store) -> None:
    """Other column order, spelling of a number or of the serial, quoting: the sheet is the same."""
    intake_file(store, write(HEAD + GOOD))
    again = intake_file(
        store, write('vtf_mn,serial,body_family,sheet_no,measured_on\n19.00,"s 1",F1,A1,2024-03-01\n')
    )
    assert (again.accepted, again.already_there) == (0, 1)


def test_other_contents_under_a_known_number_are_put_aside(write: Write, store: Store) -> None:
    """A contradiction keeps the old sheet and says how to correct it."""
    intake_file(store, write(HEAD + GOOD))
    report = intake_file(store, write(HEAD + "A1,2024-03-01,F1,S1,20\n"))
    assert (report.accepted, report.put_aside) == (0, 1)
    assert "--supersede" in str(report.faults[0])
    assert store.current()["vtf_mn"].tolist() == [19.0, 19.5]


def test_a_correction_supersedes_and_the_old_version_stays(write: Write, store: Store) -> None:
    """On request the new contents count, and the history shows both."""
    intake_file(store, write(HEAD + GOOD))
    report = intake_file(store, write(HEAD + "A1,2024-03-01,F1,S1,20\n"), supersede=True)
    assert (report.accepted, report.superseded) == (1, 1)
    assert store.current()["vtf_mn"].tolist() == [20.0, 19.5]
    history = store.history("A1")
    assert history["version"].tolist() == [1, 2]
    assert history["vtf_mn"].tolist() == [19.0, 20.0]
    assert store.revision() == 2


def test_a_number_used_twice_in_one_file_lets_the_first_in(write: Write, store: Store) -> None:
    """Even with --supersede the second of two different rows is put aside and names the first's line."""
    report = intake_file(store, write(HEAD + GOOD + "A1,2024-03-01,F1,S1,25\n"), supersede=True)
    assert (report.accepted, report.put_aside) == (2, 1)
    (fault,) = report.faults
    assert (fault.line, fault.column) == (4, "sheet_no")
    assert "line 2" in fault.reason


def test_odd_rows_go_in_marked(write: Write, store: Store) -> None:
    """What looked odd at the door is found again in the store; marks are no part of a sheet's contents."""
    head = "sheet_no,measured_on,body_family,stylus_profile,sra_static_deg,sra_dynamic_deg,zenith_deg\n"
    rows = "A1,2024-03-01,F1,,90,92,\nA2,2024-03-01,F1,,92,91,\nA3,2024-03-01,F1,spherical,90,92,1\n"
    intake_file(store, write(head + rows))
    found = store.current(["marks"])["marks"]
    assert found.isna().tolist() == [False, True, False]
    assert found.dropna().tolist() == ["sag_reversed", "sag_reversed;spherical_rake;spherical_zenith"]
    bare = store.current(list(STORED_COLUMNS))
    assert store.append(bare, file_name="again.csv").already_there == 3


def test_two_benches_may_use_the_same_number(write: Write, store: Store) -> None:
    """A sheet number is unique per bench only."""
    text = "bench,sheet_no,measured_on,body_family\nnorth,A1,2024-03-01,F1\nsouth,A1,2024-03-02,F2\n"
    assert intake_file(store, write(text)).accepted == 2
    assert store.history("A1", bench="south")["body_family"].tolist() == ["F2"]


def test_another_key_is_refused_and_nothing_goes_in(
    write: Write, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tokens of two keys never mix in one store."""
    intake_file(store, write(HEAD + GOOD))
    monkeypatch.setenv("FLEET_SECRET", "quite another secret")
    with pytest.raises(FleetError, match="made with another token key"):
        intake_file(store, write(HEAD + "A9,2024-03-01,F1,S9,19\n"))
    assert len(store.current()) == 2


def test_a_lost_key_is_not_silently_replaced(write: Write, store: Store, own_key: Path) -> None:
    """A store with tokens doesn't get a second key made for it."""
    intake_file(store, write(HEAD + GOOD))
    own_key.unlink()
    with pytest.raises(FleetError, match="is not there"):
        intake_file(store, write(HEAD + "A9,2024-03-01,F1,S9,19\n"))
    assert not own_key.exists()


def test_a_file_of_faults_alone_leaves_no_trace(write: Write, store: Store) -> None:
    """Where nothing goes in, neither an intake nor the key is noted."""
    report = intake_file(store, write(HEAD + "A1,soon,F1,S1,19\n"))
    assert (report.accepted, report.put_aside) == (0, 1)
    assert (store.key_check(), store.revision(), len(store.intakes())) == (None, 0, 0)


def test_sheets_without_serials_need_no_key(write: Write, store: Store, own_key: Path) -> None:
    """No key file is made for a file that has no serials."""
    intake_file(store, write("sheet_no,measured_on,body_family\nA1,2024-03-01,F1\n"))
    assert not own_key.exists()
    assert store.key_check() is None


def test_a_file_that_cannot_be_read_makes_no_store(write: Write, store: Store) -> None:
    """The file is looked at before anything is made."""
    with pytest.raises(FleetError):
        intake_file(store, write(""))
    assert not store.path.exists()


def test_today_can_be_told(write: Write, store: Store) -> None:
    """A measurement after the last allowed day is put aside."""
    report = intake_file(store, write(HEAD + GOOD), today=dt.date(2024, 3, 1))
    assert [(f.line, f.reason) for f in report.faults] == [(3, "is in the future")]


def test_what_goes_out_comes_in_again_unchanged(tmp_path: Path, store: Store, write: Write) -> None:
    """Numbers that a spreadsheet would run are defused in CSV and workbooks, and read back as they were."""
    numbers = ["+A1", "-A2", "A4", "=A5"]
    rows = "".join(f"{number},2024-03-01,-F1,,-1.5\n" for number in numbers)
    report = intake_file(store, write("sheet_no,measured_on,body_family,serial,zenith_deg\n" + rows))
    kept = store.current(["sheet_no", "measured_on", "body_family", "zenith_deg"])
    assert (report.accepted, sorted(kept["sheet_no"])) == (3, ["+A1", "-A2", "A4"])
    write_frame(kept, tmp_path / "out.csv")
    write_frame(kept, tmp_path / "out.parquet")
    (tmp_path / "out.xlsx").write_bytes(xlsx_bytes(kept))
    assert "'-A2,2024-03-01,'-F1,-1.5" in (tmp_path / "out.csv").read_text()
    for kind in ("csv", "parquet", "xlsx"):
        again = intake_file(store, tmp_path / f"out.{kind}")
        assert (again.already_there, again.put_aside) == (3, 0)


def planted_file(path: Path, rng: random.Random) -> tuple[int, list[str]]:
    """1 000 rows, four of five with a name or a mail address in some column; (rows without, serials)."""
    serials = [f"PLANTED-SERIAL-{i:04d}" for i in range(1000)]
    right = {name: _right_cell(column) for name, column in COLUMNS.items() if name != "serial"}
    lines = [",".join([*right, "serial", "Owner Planted Person", "planted0@person.example", "remark"])]
    clean = 0
    for i, serial in enumerate(serials):
        row = {**right, "sheet_no": f"A{i}"}
        if i % 5:
            row[rng.choice(list(row))] = rng.choice(
                [f"Planted Person {i}", f"planted{i}@person.example", f"Planted; Person {i}", f"{i} Planted"]
            )
        else:
            clean += 1
        lines.append(",".join([*row.values(), serial, f"Planted Person {i}", "planted", f"Planted said {i}"]))
    path.write_text("\n".join(lines) + "\n")
    return clean, serials


def _right_cell(column: Column) -> str:
    if column.kind == "number":
        return f"{column.low:g}"
    return {"date": "2024-03-01", "code": "C1", "text": "E1"}.get(column.kind) or column.words[0]


@pytest.mark.parametrize("guided", [False, True])
def test_planted_names_and_serials_are_found_nowhere(
    tmp_path: Path, store: Store, own_key: Path, guided: bool
) -> None:
    """Names, mail addresses and serials put into every column and header are in no file and in no message."""
    path = tmp_path / "Planted-Person.csv"
    clean, serials = planted_file(path, random.Random(4))
    rules = tuple(Rule(name, name) for name in COLUMNS)
    report = intake_file(store, path, guide=Guide(rules) if guided else None)
    assert (report.rows_read, report.accepted, report.put_aside) == (1000, clean, 1000 - clean)
    said = report.sentence.replace(report.file, "") + "".join(
        str(fault._replace(file="")) for fault in (*report.faults, *report.warnings)
    )
    said += str(report.ignored) + propose_guide(path).toml
    kept = (
        b"".join(f.read_bytes() for f in store.path.parent.rglob("*") if f.is_file()) + own_key.read_bytes()
    )
    for planted in ("planted", "person"):
        assert planted not in said.lower()
        assert planted.encode() not in kept.lower()
    assert store.intakes()["file_name"].tolist() == ["file 1.csv"]
    key = load_key(make=False)
    assert isinstance(key, TokenKey)
    assert key.token(serials[0]).encode() in kept

"""Whatever goes wrong is one line on standard error and exit status 2, never a traceback."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet import cli
from fleet.cli import common
from fleet.errors import FleetError

Fleet = Callable[..., "object"]

WRONG = [
    (("nonsense",), "No such command 'nonsense'"),
    (("quote", "--no-such"), "No such option: --no-such"),
    (("intake",), "Missing argument"),
    (("intake", "absent.csv"), "there is no file absent.csv"),
    (("intake", "no-tables"), "there is no .csv"),
    (("intake", "empty.csv"), "empty.csv"),
    (("status",), "there is no store at own.duckdb yet"),
    (("attainment",), "there is no store at own.duckdb yet"),
    (("suspects",), "there is no store at own.duckdb yet"),
    (("quote",), "name a file of enquiries, or say what is known"),
    (("quote", "--kind", "boron"), "--kind takes STYLUS/CANTILEVER"),
    (("quote", "--kind", "line_contact/boron", "--stylus", "elliptical"), "contradict each other"),
    (("quote", "absent.csv"), "there is no file absent.csv"),
    (("quote", "absent.csv", "--family", "F1"), "leave the other facts out"),
    (("quote", "--vtf-mn", "1.9"), "1.9 g is 18.6 mN: is it grams?"),
    (("quote", "--family", "F1", "--out", "quotes.txt"), "--out quotes.txt: what kind of file?"),
    (("quote", "--family", "F1", "--out", "nowhere/quotes.csv"), "there is no folder nowhere"),
    (("quote", "--family", "F1", "--draws", "draws"), "--draws draws: what kind of file?"),
    (("wedges", "--most", "0"), "it must be at least 1"),
    (("quote", "--family", "F1", "--policy", "absent.toml"), "policy file absent.toml"),
    (("quote", "--family", "F1", "--policy-name", "loud"), "there is no policy 'loud'"),
    (("judge",), "type its readings"),
    (("judge", "--family", "Mr Somebody"), "--family: (11 characters, not shown) is not a code"),
    (("judge", "absent.csv"), "there is no file absent.csv"),
    (("tilt",), "type what was read, such as --sra-dynamic-deg"),
    (("tilt", "--sra-dynamic-deg", "9,1"), "has a decimal comma"),
    (("explain", "magic"), "topics are"),
    (("attainment", "--per", "decade"), "'decade' is not one of 'year', 'quarter', 'month'"),
    (("suspects", "--fdr", "7"), "--fdr': it must be at most 0.5"),
    (("dashboard", "--port", "80"), "--port"),
    (("dashboard", "--port", "x"), "it must be a whole number"),
    (("refit", "--since", "5.1.24"), "'5.1.24' is no day: write YYYY-MM-DD"),
]


SLIPS = {
    "explain colums": "columns?",
    "quote --kind line_contct/boron": "line_contact/boron?",
    "quote --kind elliptical/boron --policy-name dfault": "default?",
    "attainment --by body": "body_family?",
    "attainment --by kind,assembly_sorce": "assembly_source?",
    "verdict A1 helthy": "healthy?",
    "verdict A1 confirmed misred": "misread?",
    "verdict A11 healthy": "numbers like it: A1",
    "history A11": "numbers like it: A1",
}


@pytest.mark.parametrize("words", SLIPS)
def test_a_slip_names_what_was_meant(fleet: Fleet, sheets: Path, words: str) -> None:
    """A topic, kind, column, policy, verdict or number that isn't known is answered with the nearest."""
    fleet("intake", str(sheets))
    ran = fleet(*words.split())
    assert (ran.status, SLIPS[words] in ran.err) == (2, True), ran.err


def test_no_kind_is_meant_where_half_of_it_is_like_none(fleet: Fleet) -> None:
    """A word like no stylus isn't turned into one because the cantilever is known."""
    ran = fleet("quote", "--kind", "moon/boron")
    assert (ran.status, "did you mean" in ran.err) == (2, False), ran.err


@pytest.mark.long
def test_a_code_or_column_that_may_be_a_slip_is_told(fleet: Fleet, demo_store: Path) -> None:
    """A family typed that was never measured, and a file's column that isn't known, go on with a question."""
    assert "family F025 was never measured here; did you mean F024?" in fleet("quote", "--family", "F025").err
    assert "never measured" not in fleet("quote", "--family", "F024").err
    Path("s.csv").write_text("sheet_no,measured_on,body_family,sra_dynamc_deg\nA1,2024-01-02,F1,91\n")
    ran = fleet("intake", "s.csv", "--store", "new.duckdb")
    assert "not looked at: sra_dynamc_deg; did you mean sra_dynamic_deg?" in ran.out


@pytest.mark.parametrize(("words", "says"), WRONG, ids=[" ".join(words) for words, _ in WRONG])
def test_wrong_use_is_one_line(fleet: Fleet, words: tuple[str, ...], says: str) -> None:
    """Each way of getting it wrong gets one line that says what, nothing on standard output, status 2."""
    Path("empty.csv").touch()
    Path("no-tables").mkdir()
    ran = fleet(*words)
    assert ran.status == 2
    assert ran.out == ""
    assert ran.err.startswith("fleet: ")
    assert ran.err.count("\n") == 1
    assert says in ran.err


def test_a_bug_of_ours_is_one_line_too(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unexpected error names its kind and how to see more, and repeats no data."""

    def broken(_path: object) -> None:
        raise ZeroDivisionError("the owner's name")

    monkeypatch.setattr(common, "store_path", broken)
    ran = fleet("status")
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert "ZeroDivisionError" in ran.err
    assert "FLEET_DEBUG=1" in ran.err
    assert "owner" not in ran.err


def test_debugging_shows_where(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """With FLEET_DEBUG=1 the error itself comes out."""
    monkeypatch.setenv("FLEET_DEBUG", "1")
    with pytest.raises(FleetError, match="there is no store"):
        fleet("status")


def test_main_leaves_with_the_status(monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry point hands the status to the system."""
    monkeypatch.setattr(cli, "run", lambda _arguments: 1)
    with pytest.raises(SystemExit) as left:
        cli.main(["status"])
    assert left.value.code == 1


def test_interrupt_is_quiet(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C stops without a traceback, with the status shells expect."""

    def interrupted(_path: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(common, "store_path", interrupted)
    ran = fleet("status")
    assert (ran.status, ran.err) == (130, "fleet: stopped.\n")


def test_not_a_store(fleet: Fleet) -> None:
    """A file that is no store is refused in one line."""
    Path("own.duckdb").write_bytes(b"not a database at all" * 100)
    ran = fleet("status")
    assert ran.status == 2
    assert ran.err == "fleet: own.duckdb is not a fleet store; name the store with --store or FLEET_STORE.\n"


def test_a_terminal_without_degree_signs() -> None:
    """On a terminal that knows only ASCII, signs are replaced and nothing fails."""
    code = "from fleet.cli import main; main(['explain', 'columns'])"
    environment = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "LC_ALL": "C"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=False)
    assert done.returncode == 0
    assert b"sra_dynamic_deg" in done.stdout
    assert b"Traceback" not in done.stderr


def test_python_m_fleet() -> None:
    """`python -m fleet` is the same command: its help, and its exit status."""
    words = [sys.executable, "-m", "fleet"]
    shown = subprocess.run([*words, "--help"], capture_output=True, text=True, check=False)
    assert shown.returncode == 0
    assert "Usage: fleet" in shown.stdout
    wrong = subprocess.run([*words, "status"], capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("fleet: ")
    assert len(wrong.stderr.splitlines()) == 1

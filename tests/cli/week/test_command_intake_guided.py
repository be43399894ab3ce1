"""`fleet intake` of files with headers of their own: asked once, kept, recognised the next time."""

from __future__ import annotations

import builtins
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.store import Store

Fleet = Callable[..., "object"]
OWN = """No;Date;Model;Force (g);SRA;VTA;Zenith
N1;13.04.2024;V-1;2,0;91,5;20,75;0,5
N2;14.04.2024;V-1;2,0;91,0;20,5;-0,5
"""


@pytest.fixture
def own(empty_folder: Path) -> Path:
    """A bench's own file, which says neither still nor turning, nor what + is."""
    path = empty_folder / "own book.csv"
    path.write_text(OWN)
    return path


def test_without_a_terminal_the_draft_is_kept_and_nothing_goes_in(fleet: Fleet, own: Path) -> None:
    """One line names the draft; once its questions are answered the same command takes the file in."""
    ran = fleet("intake", str(own))
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert "drafted in own.guides/own-book.toml: 7 columns recognised, 2 questions to answer" in ran.err
    assert not Path("own.duckdb").exists()
    assert "has 2 open questions" in fleet("intake", str(own)).err
    draft = Path("own.guides/own-book.toml")
    draft.write_text("\n".join(x for x in draft.read_text().splitlines() if not x.startswith("ask")))
    assert "2 taken in" in fleet("intake", str(own)).out


def test_at_a_terminal_it_asks_once(fleet: Fleet, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each column is shown; the answers become a guide that knows the next file by its headers."""
    typed = iter(["seven", "2", "1"])
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(builtins, "input", lambda *_: next(typed))
    monkeypatch.setattr("typer.prompt", lambda *_: next(typed))
    ran = fleet("intake", str(own))
    assert ran.status == 0
    assert "91,5 | 91,0" in ran.out
    assert "Type a number from 1 to" in ran.out
    assert "Kept as own.guides/own-book.toml" in ran.out
    sheets = Store("own.duckdb").current()
    assert sheets["sra_static_deg"].tolist() == [91.5, 91.0]
    assert sheets["sra_dynamic_deg"].isna().all()
    assert sheets["vta_dynamic_deg"].isna().all()
    assert sheets["zenith_deg"].tolist() == [-0.5, 0.5]
    Path("next.csv").write_text(OWN.replace("N", "M"))
    Path("next.csv").write_text(Path("next.csv").read_text().replace("Mo;", "No;"))
    again = fleet("intake", "next.csv")
    assert "next.csv: 2 rows read, 2 taken in" in again.out


def test_a_column_that_is_missing_later_is_told(fleet: Fleet, own: Path) -> None:
    """A file that lacks one of a kept guide's columns is told so; nothing is asked anew or goes in."""
    fleet("intake", str(own))
    draft = Path("own.guides/own-book.toml")
    draft.write_text("\n".join(x for x in draft.read_text().splitlines() if not x.startswith("ask")))
    Path("later.csv").write_text("\n".join(line.rsplit(";", 1)[0] for line in OWN.splitlines()))
    ran = fleet("intake", "later.csv")
    assert ran.status == 2
    assert 'later.csv lacks "Zenith", which the guide own.guides/own-book.toml names' in ran.err
    draft.write_text(draft.read_text().replace('to = "zenith_deg"', 'to = "zenith_deg"\noptional = true'))
    assert "2 taken in" in fleet("intake", "later.csv").out


def test_a_file_without_a_required_column_drafts_nothing(fleet: Fleet) -> None:
    """Where no column is a model's, the line says so."""
    Path("x.csv").write_text("No;Date;SRA\nA;13.04.2024;91,5\n")
    ran = fleet("intake", "x.csv")
    assert ran.status == 2
    assert "has no column that is known as body_family" in ran.err
    assert not Path("own.guides").exists()


def test_several_files_are_counted_together(fleet: Fleet, sheets: Path) -> None:
    """A folder's files are added up, and what else lies in it is named."""
    folder = sheets.parent / "many"
    folder.mkdir()
    text = sheets.read_text()
    (folder / "a.csv").write_text(text)
    (folder / "b.csv").write_text(text.replace("A1,", "B1,"))
    (folder / "c.txt").touch()
    ran = fleet("intake", str(folder))
    together = (
        "Together: 8 rows on 2 pages of 2 files: 5 taken in, 3 already there, 0 put aside, 0 not looked at."
    )
    assert together in ran.out
    assert "Not looked at, as they are no tables that fleet reads: c.txt." in ran.out


def test_many_faults_of_a_kind_share_a_line(fleet: Fleet) -> None:
    """Nine rows with one slip are one line with their number and the first places; others keep their own."""
    rows = "".join(f"A{i},2024-03-01,F1,edgy\n" for i in range(9)) + "B,2024-13-01,F1,\n"
    Path("x.csv").write_text(f"sheet_no,measured_on,body_family,stylus_profile\n{rows}")
    lines = fleet("intake", "x.csv").err.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("  x.csv, 9 rows (lines 2, 3, 4, 5, 6, ...), stylus_profile: is not one of")
    assert lines[1].startswith("  x.csv line 11, measured_on: 2024-13-01 is not a day")

"""What one cell says of its whole row: a check pickup, a body read as mounted, no measurement at all."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.intake import Checked, Guide, check_sheets, propose_guide, read_sheets
from fleet.intake.guides.guide import guide_from
from fleet.intake.guides.questions import with_answer

Write = Callable[..., Path]
HEAD = "No,Date,Model,SRA still,SRA turning,VTA turning"


def read(path: Path, picks: Sequence[str] = ()) -> tuple[Checked, Guide]:
    """The file by its draft, the answers being those whose words hold one of these texts; and the guide."""
    proposal = propose_guide(path)
    guide = proposal.guide
    for question in proposal.open:
        words = [choice.words for choice in question.choices]
        picked = [n for n, said in enumerate(words) if any(pick in said for pick in picks)]
        guide = with_answer(guide, question, picked or ([] if question.several else [0]))
    text = proposal.text_of(guide)
    kept = guide_from(tomllib.loads(text), "g.toml")
    return check_sheets(read_sheets(path, kept)), kept


@pytest.fixture
def table(write: Write) -> Write:
    """Writes these lines as a CSV."""
    return lambda *lines: write("\n".join(lines) + "\n", "own.csv")


def rows(own: Sequence[str]) -> list[str]:
    """Ten sheets, each with this cell in a column of the bench's own."""
    return [f"{n},2024-03-{n + 1:02},F{n % 3},92.5,91.5,22.{n},{word}" for n, word in enumerate(own)]


def sheets(checked: Checked) -> pd.DataFrame:
    """The good rows by number."""
    return checked.good.set_index("sheet_no")


def test_rows_that_an_unknown_column_parts_are_asked_about(table: Write) -> None:
    """Nothing goes in before somebody says what the rarer word means; as mounted, the angles stay out."""
    path = table(f"{HEAD},Plane", *rows(["level"] * 8 + ["mount"] * 2))
    asked = [q for q in propose_guide(path).open if "part some rows" in q.text]
    assert len(asked) == 1
    assert '2 rows with "mount" under "Plane"' in asked[0].choices[0].words
    assert "part some rows" in " ".join(propose_guide(path).guide.questions)
    checked, guide = read(path, ["leave their angles out"])
    assert guide.rows == {"Plane": {"level": "", "mount": "as mounted"}}
    level = ["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"]
    assert sheets(checked).loc[["8", "9"], level].isna().all(axis=None)
    assert sheets(checked).loc["7", level].notna().all()


def test_another_word_later_is_not_taken_for_level(table: Write) -> None:
    """A word that the guide says nothing of keeps its row out; all figures but the usual one are one case."""
    _, guide = read(table(f"{HEAD},Plane", *rows(["level"] * 8 + ["mount"] * 2)), ["leave their angles out"])
    later = check_sheets(read_sheets(table(f"{HEAD},Plane", *rows(["level", "hand held"])), guide))
    assert [fault.line for fault in later.faults] == [3]
    assert "says nothing under [rows]" in later.faults[0].reason
    _, guide = read(table(f"{HEAD},Pitch", *rows(["0.0"] * 8 + ["1.5", "2"])), ["leave their angles out"])
    later = check_sheets(read_sheets(table(f"{HEAD},Pitch", *rows(["0.0", "3.5"])), guide))
    assert list(sheets(later)["sra_static_deg"].isna()) == [False, True]


def test_two_answers_to_one_column_stand_together(table: Write) -> None:
    """One word may mean the check pickup and another no sheet at all."""
    path = table(f"{HEAD},Plane", *rows([""] * 8 + ["house", "aborted"]))
    checked, _ = read(path, ['"house" under "Plane": the bench', '"aborted" under "Plane": no sheets'])
    assert list(sheets(checked)["purpose"]) == ["unit"] * 8 + ["reference"]
    assert checked.passed == {"that the guide calls no sheets": 1}


@pytest.mark.parametrize(
    ("header", "word", "purpose"),
    [("S/N", "own", "reference"), ("S/N", "own4711", "unit"), ("Plane", "check cart", "reference")],
)
def test_known_words_tell_the_check_pickup(table: Write, header: str, word: str, purpose: str) -> None:
    """A word that benches write of their check pickup is taken so, and told, wherever it stands."""
    path = table(f"{HEAD},{header}", *rows(["", "x1", "x2", "x3", "x4", "x5", "x6", word]))
    checked, _ = read(path)
    assert sheets(checked).loc["7", "purpose"] == purpose
    told = [line for question in propose_guide(path).open for line in question.told]
    assert any("of the check pickup" in line for line in told) == (purpose == "reference")


def test_what_is_taken_for_the_check_pickup_can_be_undone(table: Write) -> None:
    """The bench's answer goes before the word."""
    path = table(f"{HEAD},S/N", *rows(["x1", "x2", "x3", "x4", "x5", "own"]))
    checked, _ = read(path, ["own says nothing of its row"])
    assert set(sheets(checked)["purpose"]) == {"unit"}


def test_a_row_without_a_reading_is_put_aside(table: Write) -> None:
    """A number, a day and a model alone are no measurement."""
    path = table(f"{HEAD}", *[row.rsplit(",", 1)[0] for row in rows([""] * 6)], "6,2024-04-01,F1,,-,")
    checked, _ = read(path)
    assert [fault.reason for fault in checked.faults] == ["holds no reading: nothing was measured"]


def test_no_frequency_where_no_compliance_is_told(table: Write) -> None:
    """A frequency in the column's name holds for the rows that tell a compliance."""
    cells = ["12", "15", "", "n/k", "-", "20", "18", "11"]
    checked, guide = read(table(f"{HEAD},Compliance 10 Hz", *rows(cells)))
    assert guide.constant == {"compliance_frequency_hz": "10"}
    good = sheets(checked)
    both = good["compliance_um_per_mn"].notna() == good["compliance_frequency_hz"].notna()
    assert both.all()
    assert good["compliance_frequency_hz"].isna().sum() == 3


def test_a_list_with_a_strange_word_is_not_half_read(table: Write) -> None:
    """What is worn and mucky is not worn alone: where a word isn't known, none of the cell's is told."""
    checked, _ = read(
        table(f"{HEAD},Condition", *rows(["worn", "worn/mucky", "mucky", "dirty", "mucky", "worn"]))
    )
    assert list(sheets(checked)["peculiarities"].fillna("")) == ["worn", "", "", "dirty", "", "worn"]


def test_a_guide_says_nothing_of_rows_by_a_persons_column() -> None:
    """Free text is never read, whatever is made of it."""
    with pytest.raises(FleetError, match="never read"):
        guide_from({"rows": {"Remarks": {"own": "check pickup"}}}, "g.toml")
    with pytest.raises(FleetError, match='each "", "as mounted"'):
        guide_from({"rows": {"Plane": {"own": "reference"}}}, "g.toml")

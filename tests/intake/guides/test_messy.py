"""Benches' own files, written at random: what goes in is what the bench wrote, and no row is lost."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest
from messy_files import Messy, answer_all, write_messy

from fleet.columns import COLUMNS
from fleet.intake import Guide, check_sheets, propose_guide, read_sheets
from fleet.intake.guides.guide import guide_from

LONG = os.environ.get("FLEET_LONG") == "1"
FILES = 2000 if LONG else 25
FIRST = 10_000
MOST_QUESTIONS = 5
MOST_ROWS_ASIDE = 0.02


def kept(text: str) -> Guide:
    """The guide that a draft's text is once its questions are answered."""
    lines = [line for line in text.splitlines() if not line.startswith("ask")]
    return guide_from(tomllib.loads("\n".join(lines)), "kept.toml")


def misread(messy: Messy, guide: Guide) -> tuple[list[str], int, int]:
    """(cells that went in as something else, rows in, rows put aside), every row being accounted for."""
    table = read_sheets(messy.path, guide)
    checked = check_sheets(table)
    assert checked.rows_read + sum(table.passed.values()) == messy.handed_in
    good = checked.good.set_index("sheet_no")
    read = {rule.to for rule in guide.rules} - {"sheet_no"}
    wrong = []
    for number, row in good.iterrows():
        truth = messy.truth[str(number)]
        for name in read:
            got, want = row[name], truth.get(name)
            if name == "measured_on":
                got = str(got.date())
            if got != got or got is None:
                same = want is None
            elif COLUMNS[name].kind == "number":
                same = want is not None and abs(got - want) < 2e-6
            else:
                same = got == want
            if not same:
                wrong.append(f"{messy.path.name}: {number} {name} {got} for {want}")
    return wrong, len(good), checked.put_aside


@pytest.mark.parametrize("part", range(FIRST, FIRST + FILES, 25))
def test_nothing_is_misread_silently(tmp_path: Path, part: int) -> None:
    """Titles, units, commas, dittos, signs, pages, two header rows: no cell goes in as another."""
    wrong: list[str] = []
    rows_in = aside = 0
    for seed in range(part, part + 25):
        messy = write_messy(tmp_path, seed)
        proposal = propose_guide(messy.path)
        assert len(proposal.open) <= MOST_QUESTIONS
        cells, went_in, stayed = misread(messy, kept(proposal.text_of(answer_all(proposal, messy))))
        wrong += cells
        rows_in, aside = rows_in + went_in, aside + stayed
    assert wrong == []
    assert aside <= MOST_ROWS_ASIDE * (rows_in + aside)

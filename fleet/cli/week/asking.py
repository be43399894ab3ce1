"""A file with headers of its own, at the terminal: what each column is taken for, and what must be asked."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import typer

from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError
from fleet.numerals import percent

if TYPE_CHECKING:
    from fleet.intake import Guide, Proposal
    from fleet.intake.guides.questions import Question

_LONGEST_CELLS: Final = 30


def guide_for_new(file: Path, folder: Path) -> Guide:
    """Draft a guide for a file, keep it with the answers typed; without a terminal keep the draft and stop.

    Raises
    ------
    FleetError
        If it can't be drafted, lacks a required column, or there is nobody to ask.
    """
    from fleet.intake import propose_guide
    from fleet.intake.guides.kept import keep_guide, new_place

    proposal = propose_guide(file)
    if proposal.lacks:
        raise FleetError(
            f"{file.name} has no column that is known as {', '.join(proposal.lacks)}; other names "
            f"need a reading guide: fleet guide {file}"
        )
    place = new_place(file, folder)
    if not sys.stdin.isatty():
        keep_guide(proposal.toml, place)
        do = "answer its ask lines and delete them" if proposal.open else "look it over"
        raise FleetError(
            f"{file.name} has column names of its own. A guide to them is drafted in {place}: "
            f"{proposal.sentence.rstrip('.')}; {do}, then the same command again."
        )
    show_columns(proposal)
    guide = ask_all(proposal)
    keep_guide(proposal.text_of(guide), place)
    say(f"Kept as {place}; files with these column names are read by it from now on.")
    return guide


def show_columns(proposal: Proposal) -> None:
    """Print each column: its name, three cells, what it is taken for, how sure, and why."""
    from fleet.intake.guides.propose import samples

    columns: dict[str, list[object]] = {name: [] for name in ("column", "cells", "read as", "sure", "why")}
    for read in proposal.columns:
        rule = read.rule
        cells = " | ".join(samples(proposal.table, read))
        columns["column"].append(read.header)
        columns["cells"].append(cells if len(cells) <= _LONGEST_CELLS else f"{cells[: _LONGEST_CELLS - 1]}…")
        columns["read as"].append(
            f"{rule.to}{f' from {rule.unit}' if rule.unit else ''}" if rule else "not read"
        )
        columns["sure"].append(percent(read.sure) if rule else "")
        columns["why"].append(read.why)
    say(table(columns))
    say(proposal.sentence)


def ask_all(proposal: Proposal) -> Guide:
    """Ask every question; the guide with its answers."""
    from fleet.intake.guides.questions import with_answer

    guide = proposal.guide
    for number, question in enumerate(proposal.open, start=1):
        say(f"\n{number}. {question.text}")
        for line in question.told:
            say(f"   {line}")
        if question.picture:
            say(question.picture)
        for place, choice in enumerate(question.choices, start=1):
            say(f"   {place}  {choice.words}")
        guide = with_answer(guide, question, _answer(question))
    return guide


def _answer(question: Question) -> list[int]:
    """The places that were typed, from 0; asked again until they can be understood."""
    ask = "Numbers of what is wrong, 0 if all is right" if question.several else "Number"
    while True:
        words = str(typer.prompt(ask)).replace(",", " ").split()
        numbers = [int(word) for word in words if word.isdecimal()]
        if len(numbers) == len(words) and words:
            if question.several and numbers == [0]:
                return []
            picked = all(1 <= n <= len(question.choices) for n in numbers)
            if picked and (question.several or len(numbers) == 1):
                return [n - 1 for n in numbers]
        say(f"Type a number from {0 if question.several else 1} to {len(question.choices)}.")

"""Every command explains itself and stands in the README."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import typer

from fleet import __version__
from fleet.cli import COMMANDS as COMMANDS_BY_FOLDER
from fleet.cli import build_app, column_options
from fleet.columns import ENQUIRY_COLUMNS

Fleet = Callable[..., "object"]
README = Path(__file__).resolve().parents[2] / "README.md"


def _callbacks(app: typer.Typer, before: str = "") -> dict[str, Callable[..., object]]:
    """Every command's function by the words that call it."""
    found = {
        before + (command.name or command.callback.__name__.replace("_", "-")): command.callback
        for command in app.registered_commands
        if command.callback is not None
    }
    for group in app.registered_groups:
        found |= _callbacks(group.typer_instance, f"{before}{group.name} ")
    return found


CALLBACKS = _callbacks(build_app())
COMMANDS = sorted(CALLBACKS)


def test_there_are_commands() -> None:
    """The main job's commands are all there."""
    main_job = {"demo", "intake", "refit", "quote", "suspects", "attainment", "judge", "dashboard", "status"}
    assert main_job <= set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(fleet: Fleet, name: str) -> None:
    """`fleet COMMAND --help` says what the command does, and what each of its options does."""
    ran = fleet(*name.split(), "--help")
    assert ran.status == 0
    assert f"fleet {name}" in ran.out
    described = CALLBACKS[name].__doc__
    assert described
    assert described.split()[0] in ran.out
    options = re.findall(r"^[│ ]*(--[a-z-]+)", ran.out, flags=re.MULTILINE)
    assert options
    for option in options:
        line = next(line for line in ran.out.splitlines() if option in line)
        assert re.search(r"[A-Za-z]{3,}.*[a-z]{2,}", line.replace(option, "")), f"{option} has no help"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_in_the_readme(name: str) -> None:
    """The README has an example of every command."""
    text = README.read_text(encoding="utf-8")
    assert re.search(rf"^fleet (--store \S+ )?{name}\b", text, flags=re.MULTILINE)


def test_version(fleet: Fleet) -> None:
    """`fleet --version` says which fleet this is."""
    assert fleet("--version").out == f"fleet {__version__}\n"


def test_no_command_shows_the_help(fleet: Fleet) -> None:
    """`fleet` alone shows what it can do, and that is no error."""
    ran = fleet()
    assert ran.status == 0
    assert "intake" in ran.out
    papers = fleet("report")
    assert papers.status == 0
    assert all(paper in papers.out for paper in ("quote", "unit", "maker", "year"))


def test_the_weeks_ten_stand_in_front(fleet: Fleet) -> None:
    """The first panel holds the week's ten commands; below it the panels stand in their order."""
    out = fleet("--help").out
    first = out.split("─ Every week ─")[1].split("─ Before bench time ─")[0]
    shown = re.findall(r"^│ ([a-z]+) ", first, flags=re.MULTILINE)
    week = [
        "intake", "refit", "quote", "judge", "unit",
        "suspects", "verdict", "attainment", "report", "dashboard",
    ]  # fmt: skip
    assert shown == week
    places = [out.index(f"─ {panel} ─") for panel, _ in COMMANDS_BY_FOLDER.values()]
    assert places == sorted(places)


def test_a_command_is_found_by_its_name() -> None:
    """Each command stands in a module of its own name, in its panel's folder."""
    home = README.parent / "fleet" / "cli"
    for folder, (_, names) in COMMANDS_BY_FOLDER.items():
        assert [n for n in names.split() if not (home / folder / f"{n}.py").exists()] == []
    named = [n for _, names in COMMANDS_BY_FOLDER.values() for n in names.split()]
    assert sorted(named) == sorted({name.split()[0] for name in COMMANDS})


def test_topics(fleet: Fleet) -> None:
    """Every topic that `fleet explain` lists has a page that begins with a heading."""
    listed = fleet("explain").out
    topics = re.findall(r"^  (\S+)  ", listed, flags=re.MULTILINE)[1:]
    assert {"columns", "policy", "signs", "start"} <= set(topics)
    for topic in topics:
        assert fleet("explain", topic).out.startswith("# ")


def test_the_columns_page_is_the_catalogue(fleet: Fleet) -> None:
    """The page of columns names every column with its range."""
    page = fleet("explain", "columns").out
    assert "- vtf_mn: 5 to 60 mN;" in page
    assert [name for name in ENQUIRY_COLUMNS if f"- {name}" not in page] == []


def test_typed_facts_are_checked_like_a_file() -> None:
    """What is typed becomes one typed row with every column of the catalogue."""
    given = {"enquiry_id": "x", "vtf_mn": "19.6", "stylus_profile": "SPHERICAL"}
    row, told = column_options.typed_row({**dict.fromkeys(ENQUIRY_COLUMNS), **given}, ENQUIRY_COLUMNS)
    assert set(told) == set(given)
    assert row["vtf_mn"].tolist() == [19.6]
    assert row["stylus_profile"].tolist() == ["spherical"]
    assert np.isnan(row["compliance_um_per_mn"].astype(float)).all()

"""`fleet.toml` beside the store stands in for options; what is typed wins."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Fleet = Callable[..., "object"]
ALIGN = ("align", "--sra-dynamic-deg", "92", "--vta-dynamic-deg", "24", "--json")


def label(ran: object) -> str:
    """Which policy an alignment went by."""
    return str(json.loads(ran.out)[0]["policy"])


@pytest.fixture
def beside(tmp_path: Path) -> Path:
    """A folder for a store, with a policy and settings that name it."""
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "mine.toml").write_text(
        "[default]\ntracking_limit_deg = 24.0\n[strict]\ntracking_limit_deg = 20.0\n"
    )
    (folder / "fleet.toml").write_text('policy = "mine.toml"\nworkshop = "Bench two"\npaper = "letter"\n')
    return folder


def test_settings_are_those_beside_the_store(
    fleet: Fleet, beside: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By `--store` before or after the command, or `FLEET_STORE`; typed options win; elsewhere none are."""
    store = str(beside / "fleet.duckdb")
    usual = label(fleet(*ALIGN))
    mine = {label(fleet("--store", store, *ALIGN)), label(fleet(*ALIGN, f"--store={store}"))}
    monkeypatch.setenv("FLEET_STORE", store)
    mine.add(label(fleet(*ALIGN)))
    assert len(mine) == 1
    assert usual not in mine
    assert label(fleet(*ALIGN, "--policy-name", "strict")) not in {usual, *mine}
    (beside / "other.toml").write_text("[default]\n")
    assert label(fleet(*ALIGN, "--policy", str(beside / "other.toml"))) == usual


@pytest.mark.long
def test_a_paper_bears_the_workshop_s_name(
    fleet: Fleet, beside: Path, sheets: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commands below others, such as `report owner`, have the settings too."""
    monkeypatch.setenv("FLEET_STORE", str(beside / "fleet.duckdb"))
    fleet("intake", str(sheets))
    fleet("refit")
    ran = fleet("report", "owner", "A1", "--out", "card.html")
    assert ran.status == 0, ran.err
    assert "Bench two" in Path("card.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('polixy = "a"', "polixy is no setting; settings are texts named policy, prior, policy_name, paper"),
        ("paper = 4", "paper is no setting"),
        ("paper = ", "is no TOML"),
        ('paper = "a5"', "a5"),
        ('policy = "absent.toml"', "absent.toml"),
    ],
)
def test_a_wrong_setting_is_one_line(fleet: Fleet, beside: Path, text: str, says: str) -> None:
    """Unknown names, wrong kinds, no TOML, a value that the option doesn't take: status 2 and one line."""
    (beside / "fleet.toml").write_text(text)
    ran = fleet("--store", str(beside / "fleet.duckdb"), "report", "year")
    assert ran.status == 2
    assert says in ran.err
    assert ran.err.strip().count("\n") == 0

"""Terminal, JSON and page give one answer on suspects: the judgement's."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from dashboards.data import store_state, suspects
from fleet.cli import run
from fleet.faults.sentences import JUDGED_COLUMNS


@pytest.fixture
def asked(
    filled: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> tuple[str, str]:
    """What the terminal prints in full, and what `--out suspects.json` writes."""
    monkeypatch.setenv("FLEET_STORE", str(filled))
    file = tmp_path / "suspects.json"
    assert run(["suspects", "--most", "1000"]) == 0
    printed = capsys.readouterr().out
    assert run(["suspects", "--out", str(file)]) == 0
    return printed, file.read_text(encoding="utf-8")


@pytest.mark.long
def test_terminal_json_and_page_say_the_same(filled: Path, asked: tuple[str, str]) -> None:
    """Sentence, order, flags, likeliest faults, chances and reasons agree, sheet for sheet."""
    printed, written = asked
    path = str(filled)
    listed = suspects.ranked_suspects(path, store_state.revision(path), 0.05)
    rows = pd.DataFrame(json.loads(written))
    assert tuple(rows) == JUDGED_COLUMNS
    assert len(rows) == len(listed.table) > 100
    for column in ("sheet_no", "unit", "flagged", "leading_fault", "why"):
        assert rows[column].tolist() == listed.table[column].tolist(), column
    for column in ("score", "p_value", "q_value", "p_healthy", "p_misread"):
        assert rows[column].to_numpy(dtype=float) == pytest.approx(
            listed.table[column].to_numpy(dtype=float), rel=1e-6, abs=1e-9, nan_ok=True
        ), column
    assert printed.splitlines()[0] == listed.sentence
    flagged = listed.table[listed.table["flagged"]].drop_duplicates("unit")
    assert len(flagged) > 3
    reasons = [line.strip() for line in printed.splitlines() if line.startswith("  ") and ": " in line]
    assert reasons == [f"{s}: {w}" for s, w in flagged[["sheet_no", "why"]].to_numpy().tolist()]

"""Suspects on the command line, against the judgement's own figures."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.faults.suspects import suspects
from fleet.fitting.kept_model import load_house
from fleet.store import Store
from fleet.words import NO_REPAIR

Fleet = Callable[..., "object"]


pytestmark = pytest.mark.usefixtures("demo_store")


@pytest.fixture(scope="module")
def judged(demo_folder: Path) -> pd.DataFrame:
    """The judgement's own table of the demo bench."""
    store = Store(demo_folder / "fleet.duckdb")
    sheets = store.current()
    return suspects(load_house(store), sheets[sheets["purpose"] == "unit"]).table


@pytest.mark.long
def test_suspects_written_are_the_judgements(fleet: Fleet, judged: pd.DataFrame) -> None:
    """--out holds a row for every sheet judged, as the judgement gives it, check pickups left out."""
    assert fleet("suspects", "--out", "suspects.csv").status == 0
    written = pd.read_csv("suspects.csv")
    assert list(written) == list(judged)
    assert len(written) == 900
    assert written["sheet_no"].tolist() == judged["sheet_no"].tolist()
    assert written["flagged"].tolist() == judged["flagged"].tolist()
    np.testing.assert_allclose(
        written["p_healthy"], judged["p_healthy"].astype(float), rtol=1e-7, atol=1e-300
    )


def test_suspects_read_by_people(fleet: Fleet, judged: pd.DataFrame) -> None:
    """On a terminal: the sentence, causes counted, as many suspects as asked with their reasons."""
    ran = fleet("suspects", "--most", "3")
    assert ran.status == 0
    assert ran.out.startswith("835 units judged, ")
    assert "Probably: " in ran.out
    for sheet, why in judged.loc[judged["flagged"], ["sheet_no", "why"]].head(3).to_numpy():
        assert f"{sheet}: {why}" in ran.out
    assert " more; --most shows them" in ran.out
    assert ran.out.endswith(f"{NO_REPAIR}\n")


@pytest.mark.long
def test_a_stricter_list_is_shorter(fleet: Fleet) -> None:
    """A smaller share of false alarms flags no unit more, and some fewer."""
    lists = {}
    for rate in ("0.3", "0.0001"):
        table = pd.read_csv(io.StringIO(fleet("suspects", "--fdr", rate, "--out", "-").out))
        lists[rate] = set(table.loc[table["flagged"], "unit"])
    assert lists["0.0001"] < lists["0.3"]


def test_the_page_about_suspects_is_listed(fleet: Fleet) -> None:
    """`fleet explain` lists the topic, and the page tells of every fault's limits and of the peers."""
    assert "  suspects " in fleet("explain").out
    page = fleet("explain", "suspects").out
    for words in ("near-oracle", "MinCovDet", "AEC-Q001", "What it can't see", "--prior FILE"):
        assert words in page

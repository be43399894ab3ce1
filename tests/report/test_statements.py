"""The statement on one unit: repeats and uncertainty are right, what is off is said, no one is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.faults.statement import statement
from fleet.faults.unit_life import Life, unit_life
from fleet.fitting.kept_model import load_house
from fleet.house_model.house import House
from fleet.policy.policy import Policy
from fleet.report.page import html
from fleet.report.statements import statement_paper
from fleet.store import Store, unit_of, unit_record

TWICE = "DEMO-W00000618"


@pytest.fixture(scope="module")
def house(demo_folder: Path) -> House:
    """The demo bench's model."""
    return load_house(Store(demo_folder / "fleet.duckdb"))


@pytest.fixture(scope="module")
def visits(demo_folder: Path) -> pd.DataFrame:
    """Two visits of a sound unit."""
    store = Store(demo_folder / "fleet.duckdb")
    return unit_record(store, unit=unit_of(store, TWICE)).visits


def life_of(visits: pd.DataFrame, house: House | None, **last: object) -> Life:
    changed = visits.copy()
    for name, value in last.items():
        changed.loc[changed.index[-1], name] = value
    return unit_life(changed, Policy(), house)


def test_repeats_and_uncertainty(visits: pd.DataFrame, house: House) -> None:
    """The mean of two unchanged visits, its uncertainty two noises over the root of two."""
    found = statement(life_of(visits, house), house)
    row = found.readings.set_index("reading").loc["zenith_deg"]
    assert row["repeats"] == 2
    assert row["mean"] == pytest.approx(visits["zenith_deg"].mean())
    assert row["uncertainty"] == pytest.approx(2.0 * house.noise["zenith_deg"] / np.sqrt(2.0))
    assert not found.kind["outside"].any()
    assert "every reading lies within" in found.sentence


def test_a_change_starts_the_count_anew(visits: pd.DataFrame, house: House) -> None:
    """After a stylus has turned only the visits since count, and the zenith is said to be outside."""
    found = statement(life_of(visits, house, zenith_deg=7.0), house)
    assert found.visits == (TWICE,)
    assert found.readings["repeats"].tolist() == [1] * len(found.readings)
    assert found.kind.set_index("quantity").loc["zenith", "outside"]
    assert "outside what is normal for its kind: zenith error 7.0°" in found.sentence


def test_without_a_model_or_readings(visits: pd.DataFrame) -> None:
    """Without a model nothing is said of its kind; without readings nothing is stated."""
    assert "not known here yet" in statement(life_of(visits, None)).sentence
    bare = visits[["sheet_no", "measured_on", "stylus_profile"]]
    assert "Nothing was read" in statement(unit_life(bare, Policy())).sentence


def test_no_one_is_named(visits: pd.DataFrame, house: House) -> None:
    """Neither serial nor token, family, source, bench's operator nor generator's code is on the paper."""
    life = life_of(visits, house, zenith_deg=7.0)
    page = html([statement_paper(statement(life, house), life, house, on=date(2024, 5, 31))])
    last = visits.iloc[-1]
    for name in ("serial_token", "unit", "body_family", "assembly_source"):
        assert str(last[name]) not in page
    assert f">{last['operator']}<" not in page
    for words in ("expanded uncertainty", "It names no cause", "zenith error", "2023-"):
        assert words in page

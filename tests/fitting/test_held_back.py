"""Readings that can't be true together don't teach until somebody has looked at them."""

from __future__ import annotations

import datetime as dt
import re
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from worlds import ideal, tokened

from fleet.columns import ENQUIRY_COLUMNS, HELD_BACK
from fleet.fitting.fit import fit_store
from fleet.fitting.refit import refit
from fleet.house_model.house import House
from fleet.house_model.loo_residuals import residuals
from fleet.house_model.predict import Forecaster
from fleet.intake.plausible import _ODDITIES, marks
from fleet.policy.policy import Policy
from fleet.quotes.quote import quote
from fleet.store import Store, record_verdict
from fleet.store.verdicts import withdraw_verdict


@pytest.fixture(scope="module")
def sheets() -> pd.DataFrame:
    made = tokened(ideal(5, n_families=5, repeat_share=0.0).sheets(61)[0]).reset_index(drop=True)
    return made.assign(measured_on=pd.to_datetime(made["measured_on"]))


@pytest.fixture
def store(sheets: pd.DataFrame, tmp_path: Path) -> Store:
    """A store with 60 sheets as they are."""
    made = Store(tmp_path / "fleet.duckdb").create()
    good = sheets.iloc[:60].assign(marks=None)
    made.append(good, file_name="a")
    return made


def odd(sheets: pd.DataFrame) -> pd.DataFrame:
    """The 61st sheet with its tracking angle misread so that no assembly could have both angles."""
    row = sheets.iloc[[60]].assign(sra_static_deg=67.0, sra_dynamic_deg=66.0, vta_dynamic_deg=58.0)
    row["measured_on"] = pd.to_datetime(row["measured_on"])
    return row.assign(marks=marks(row))


def quoted(house: House) -> pd.DataFrame:
    """A quote for a kind of which nothing but the profile is told."""
    row = {name: [None] for name in ENQUIRY_COLUMNS if name != "serial"}
    enquiry = pd.DataFrame(row | {"enquiry_id": ["E1"], "stylus_profile": ["elliptical"]})
    return quote(enquiry, Forecaster(house), {"default": Policy()}).table


def test_what_is_held_back_is_named_alike_everywhere() -> None:
    """Every code is one of the door's; the store's views name the same ones."""
    assert set(HELD_BACK) < {o.mark for o in _ODDITIES}
    sql = (resources.files("fleet.store") / "migrations" / "012_held_back.sql").read_text(encoding="utf-8")
    lists = re.findall(r"\[([^\]]*)\]", sql)
    assert len(lists) == 2
    assert all(tuple(re.findall(r"'(\w+)'", found)) == HELD_BACK for found in lists)


def test_a_marked_sheet_teaches_nothing_until_a_verdict(store: Store, sheets: pd.DataFrame) -> None:
    """The model is the same to the last digit with and without it; after a verdict of its day it teaches."""
    before = fit_store(store)
    row = odd(sheets)
    assert row["marks"].item() == "built_in_odd"
    store.append(row, file_name="b")
    assert len(store.current()) == 61
    held = fit_store(store)
    assert held.units == before.units == 60
    pd.testing.assert_frame_equal(quoted(before), quoted(held))
    unit = store.current().set_index("sheet_no").loc[row["sheet_no"].item(), "unit"]
    day = row["measured_on"].dt.date.item()
    revision = store.revision()
    record_verdict(store, unit, "healthy", recorded_on=day - dt.timedelta(days=1))
    assert store.changes_since(revision) == 1
    assert len(store.teaching()) == 60, "it was looked at before it was measured"
    record_verdict(store, unit, "healthy", recorded_on=day)
    assert len(store.teaching()) == 61
    assert store.current()["marks"].isna().all()
    after = fit_store(store)
    assert after.units == 61
    assert not quoted(after).equals(quoted(before))


@pytest.mark.long
def test_a_verdict_taken_back_holds_it_back_again(store: Store, sheets: pd.DataFrame) -> None:
    """The sheet bears its mark again and doesn't teach; the model is old, and no sums of before are used."""
    row = odd(sheets)
    store.append(row, file_name="b")
    unit = store.current().set_index("sheet_no").loc[row["sheet_no"].item(), "unit"]
    record_verdict(store, unit, "healthy", recorded_on=row["measured_on"].dt.date.item())
    refit(store)
    revision = store.revision()
    withdraw_verdict(store, unit)
    assert len(store.teaching()) == 60
    assert store.current()["marks"].notna().sum() == 1
    assert store.changes_since(revision) == 1
    assert refit(store, quick=True).house.units == 60


def test_a_correction_lets_it_teach(store: Store, sheets: pd.DataFrame) -> None:
    """Read again, the sheet has no mark and teaches."""
    store.append(odd(sheets), file_name="b")
    store.append(sheets.iloc[[60]].assign(marks=None), file_name="c", supersede=True)
    assert len(store.teaching()) == 61


@pytest.mark.long
def test_a_quick_refit_holds_back_and_lets_in_alike(store: Store, sheets: pd.DataFrame) -> None:
    """Quick and full refits agree after the marked sheet came in and after it was looked at."""
    refit(store)
    row = odd(sheets)
    store.append(row, file_name="b")
    unit = store.current().set_index("sheet_no").loc[row["sheet_no"].item(), "unit"]
    for looked_at in (False, True):
        if looked_at:
            record_verdict(store, unit, "other_fault", recorded_on=row["measured_on"].dt.date.item())
        quick = refit(store, quick=True)
        assert quick.grown is not None, quick.sentence
        full = fit_store(store)
        assert quick.house.units == full.units == 60 + looked_at


def test_it_is_judged_by_a_model_that_it_did_not_teach(store: Store, sheets: pd.DataFrame) -> None:
    """Its residuals are those of a sheet from elsewhere: nothing of it is taken off."""
    store.append(odd(sheets), file_name="b")
    house, current = fit_store(store), store.current()
    mine = current[current["marks"].notna()]
    taught = residuals(house, mine, taught=np.array([True]))
    outside = residuals(house, mine, taught=np.array([False]))
    np.testing.assert_array_equal(taught.value, outside.value)

"""Verdicts are kept by unit, the newest counts, and they go with their unit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.store import (
    Store,
    change_key,
    check_store,
    count_faults,
    forget_sheet,
    forget_unit,
    list_verdicts,
    record_verdict,
    unit_of,
    withdraw_verdict,
)

Sheets = Callable[..., pd.DataFrame]


@pytest.fixture
def filled(store: Store, sheets: Sheets) -> Store:
    """Three sheets: two units with a serial's token, one sheet that is its own unit."""
    rows = ({"serial_token": "tok"}, {"serial_token": "other"}, {})
    store.append(sheets(*rows), file_name="a.csv", key_check="k")
    return store


def verdicts(store: Store) -> list[tuple[str, str]]:
    return [(v.unit, v.outcome) for v in list_verdicts(store).itertuples()]


def test_a_sheet_number_stands_for_its_unit(filled: Store, sheets: Sheets) -> None:
    """A number finds its unit, a unit finds itself, anything else is refused in a line."""
    assert unit_of(filled, "A0") == unit_of(filled, "tok-1") == "tok-1"
    assert unit_of(filled, "A2") == "sheet:main:A2"
    with pytest.raises(FleetError, match="no such sheet or unit"):
        unit_of(filled, "A9")
    filled.append(sheets({"bench": "second"}), file_name="b.csv")
    with pytest.raises(FleetError, match="2 units have a sheet of that number; add --bench"):
        unit_of(filled, "A0")
    assert unit_of(filled, "A0", bench="second") == "sheet:second:A0"


def test_the_newest_verdict_counts(filled: Store) -> None:
    """Both verdicts on a unit stay in the record, the later one counts, each is one more revision."""
    before = filled.revision()
    record_verdict(filled, "tok-1", "healthy", recorded_on=dt.date(2025, 1, 2))
    record_verdict(filled, "tok-1", "confirmed", fault="weak_channel", recorded_on=dt.date(2025, 1, 1))
    assert filled.revision() == before + 2
    found = list_verdicts(filled)
    assert found["fault"].tolist() == ["weak_channel"]
    assert pd.to_datetime(found["recorded_on"]).dt.date.tolist() == [dt.date(2025, 1, 1)]
    assert list_verdicts(filled, every=True)["outcome"].tolist() == ["healthy", "confirmed"]
    assert count_faults(filled) == {"weak_channel": 1}


def test_a_verdict_taken_back_gives_way_to_the_one_before(filled: Store) -> None:
    """The record keeps it, nothing counts it, no model grows old by it, and taking back has an end."""
    fitted = filled.revision()
    record_verdict(filled, "tok-1", "healthy")
    record_verdict(filled, "tok-1", "confirmed", fault="weak_channel")
    assert withdraw_verdict(filled, "tok-1")[:2] == ("confirmed", "weak_channel")
    assert verdicts(filled) == [("tok-1", "healthy")]
    assert withdraw_verdict(filled, "tok-1")[:2] == ("healthy", None)
    assert verdicts(filled) == []
    assert len(list_verdicts(filled, every=True)) == 2
    assert filled.changes_since(fitted) == 0
    with pytest.raises(FleetError, match="none to take back"):
        withdraw_verdict(filled, "tok-1")


def test_a_verdict_makes_no_model_old(filled: Store, sheets: Sheets) -> None:
    """Changes since a revision count sheets and corrections, not verdicts."""
    fitted = filled.revision()
    record_verdict(filled, "tok-1", "healthy")
    assert filled.changes_since(fitted) == 0
    filled.append(sheets({"sheet_no": "B1"}), file_name="b.csv")
    record_verdict(filled, "other-1", "healthy")
    assert filled.changes_since(fitted) == 1


def test_a_forgotten_units_verdicts_go_with_it(filled: Store) -> None:
    """Forgetting a unit by its token or a sheet by its number erases the verdicts, and no other's."""
    for unit in ("tok-1", "other-1", "sheet:main:A2"):
        record_verdict(filled, unit, "healthy")
    forget_unit(filled, "tok")
    assert verdicts(filled) == [("other-1", "healthy"), ("sheet:main:A2", "healthy")]
    forget_sheet(filled, "A2")
    assert verdicts(filled) == [("other-1", "healthy")]
    forget_sheet(filled, "A1")
    assert verdicts(filled) == []
    assert check_store(filled).problems == ()


def test_verdicts_follow_a_new_token_key(filled: Store) -> None:
    """With a new key a verdict stays with its unit."""
    record_verdict(filled, "tok-1", "healthy")
    record_verdict(filled, "sheet:main:A2", "other_fault")
    change_key(filled, lambda token: f"new{token}", old_check="k", new_check="l")
    assert sorted(verdicts(filled)) == [("newtok-1", "healthy"), ("sheet:main:A2", "other_fault")]
    assert unit_of(filled, "A0") == "newtok-1"

"""What is typed is judged as the only cell of a file is."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd
import pytest

from fleet.columns import COLUMNS
from fleet.errors import FleetError
from fleet.files.tokens import TokenKey
from fleet.intake import typed
from fleet.intake.checks import check_table
from fleet.intake.texts import meaning
from fleet.intake.typed import check_typed, text_table

KEY = TokenKey(b"a secret of some length")
TEXTS = (
    "91", " 91.25 ", "+5", "-0", ".5", "5.", "1e1", "1e999", "1_0", "0x1A", "nan", "inf", "91,5", "1.8 g",
    "'-3", "1.8", "10", "100.0", "\u00a091\u00a0", "2024-05-31", "2024-02-30", "31.05.2024", "2999-01-01",
    "20240531", "BORON", "Bor on", "worn; Retipped", ";", "worn;new", "owners_wish", "F01", "F 01", "a@b",
    "x" * 41, "x" * 101, "a\tb", "SN 123/4", "", "   ", "'=F01",
)  # fmt: skip


def of_a_file(name: str, text: str) -> tuple[Any, str]:
    """The value of a file's only cell, and its fault."""
    read = check_table(text_table({name: text}), {name: COLUMNS[name]}, key=KEY)
    if read.faults:
        (fault,) = read.faults
        return None, str(FleetError(f"{name}: {fault.value or 'the value'} {fault.reason}"))
    value = read.good.iloc[0, 0]
    value = value.date() if isinstance(value, pd.Timestamp) else value
    return (None, "") if value != value else (value, "")


def as_typed(name: str, text: str) -> tuple[Any, str]:
    """The value of the same text typed, and its fault."""
    try:
        (value,) = next(iter(check_typed({name: text}, {name: COLUMNS[name]})[0].values()))
    except FleetError as error:
        return None, str(error)
    return (None, "") if value != value else (value, "")


@pytest.mark.parametrize("name", COLUMNS)
def test_a_text_means_the_same_typed_and_in_a_file(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Value and fault of every column, whatever the text."""
    monkeypatch.setattr(typed, "load_key", lambda *, make: None if make else KEY)
    told = {text: as_typed(name, text) for text in TEXTS}
    assert told == {text: of_a_file(name, text) for text in TEXTS}


def test_today_is_no_day_in_the_future() -> None:
    """A sheet of the day itself is taken, one of the next day isn't."""
    today = dt.date(2024, 5, 31)
    assert meaning("2024-05-31", COLUMNS["measured_on"], today) == (today, "")
    assert meaning("2024-06-01", COLUMNS["measured_on"], today)[1] == "is in the future"

"""One owner of every name, number and caution that a person reads."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet import words
from fleet.columns import COLUMNS, ENQUIRY_COLUMNS
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import LINKS
from fleet.numerals import NOT_KNOWN, figure, number, p_value, percent, percent_span, signed, span, unknown

CHANCES = {
    0.0: "0 %",
    0.0039: "<1 %",
    0.007: "<1 %",
    0.5: "50 %",
    0.993: ">99 %",
    0.9999: ">99 %",
    1.0: "100 %",
}


@pytest.mark.parametrize(("chance", "said"), CHANCES.items())
def test_no_chance_is_a_certainty_that_it_is_not(chance: float, said: str) -> None:
    """0 % and 100 % stand for exactly that; what rounds to them is said to lie below or above."""
    assert percent(chance) == said
    assert percent(np.float64(chance)) == said


def test_the_thresholds_go_with_the_digits() -> None:
    """With one digit the same holds a tenth nearer to the ends; the ends of a span follow."""
    assert [percent(p, 1) for p in (0.0005, 0.001, 0.9992, 0.9990)] == [
        "<0.1 %",
        "0.1 %",
        ">99.9 %",
        "99.9 %",
    ]
    assert percent_span(0.0004, 0.71) == "<1 to 71 %"
    assert percent_span(0.4, 0.996) == "40 to >99 %"
    assert [percent(p) for p in (0.01, 0.99, -0.031)] == ["1 %", "99 %", "-3 %"]


@pytest.mark.parametrize("nothing", [None, float("nan"), np.nan, pd.NA, pd.NaT, np.float32("nan")])
def test_what_is_not_known_has_one_sign(nothing: object) -> None:
    """Whatever kind of nothing a value is, and whoever prints it, the same dash stands for it."""
    assert unknown(nothing)
    told = [percent(nothing), number(nothing), figure(nothing, "°"), signed(nothing, "°"), p_value(nothing)]  # type: ignore[arg-type]
    assert {*told, span(nothing, 1.0), percent_span(0.1, nothing)} == {NOT_KNOWN}


def test_numbers_have_no_minus_nought_and_their_unit_once() -> None:
    """A degree sign stands close, other units after a blank; an interval tells its unit once."""
    assert (number(-0.001), signed(-0.001, "°"), signed(0.2, "dB", 1)) == ("0.00", "0.00°", "+0.2 dB")
    assert (figure(91.25, "°", 1), figure(45.0, "min", 0), figure(3.0, "%", 0)) == ("91.2°", "45 min", "3 %")
    assert span(-0.004, 2.0, "°") == "0.00 to 2.00°"


def test_everything_that_is_read_has_its_names() -> None:
    """Every column of sheet and enquiry, every link and every fault is named; units are the contract's."""
    for name, column in {**ENQUIRY_COLUMNS, **COLUMNS}.items():
        assert words.QUANTITIES[name].unit == column.unit
    assert all(words.quantity(link.name).long for link in LINKS)
    assert set(words.FAULT_WORDS) == set(FAULTS)
    names = [q.long for q in words.QUANTITIES.values()]
    assert len(set(names)) == len(names)
    shorts = [q.short for q in words.QUANTITIES.values()]
    assert len(set(shorts)) == len(shorts)

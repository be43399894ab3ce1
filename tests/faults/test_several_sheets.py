"""Units with several sheets: when these disagree, and the chance of one that was judged several times."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fleet.estimation.prior_only import prior_house
from fleet.faults.promise import Promise
from fleet.faults.suspects import (
    DISAGREE_SIGMAS,
    _by_unit,
    _company,
    _readings,
    _sentence,
    find_disagreements,
)
from fleet.house_model.chain import JUDGED


@pytest.mark.parametrize(("times", "told"), [(0.97, False), (1.03, True)])
def test_sheets_disagree_beyond_the_noise_of_a_difference(times: float, told: bool) -> None:
    """A difference of two readings has the root of twice the variance of one: the limit goes by that."""
    house = prior_house()
    limit = DISAGREE_SIGMAS * np.hypot(house.noise["sra_dynamic_deg"], house.noise["sra_dynamic_deg"])
    frame = pd.DataFrame({"unit": ["a", "a", "b"], "sra_dynamic_deg": [91.0, 91.0 + times * limit, 99.0]})
    assert set(find_disagreements(house, frame)) == ({0, 1} if told else set())


def test_a_unit_looked_at_often_has_its_chance_times_its_sheets() -> None:
    """Two sheets at 0.01 and 0.3 make 0.02; three at 0.5 or more make 1, not 1.5.

    By hand: Bonferroni's bound, and Benjamini and Hochberg 1995 over units: the least of two, times two.
    """
    p, q = _by_unit(np.array([0.01, 0.5, 0.3, 0.6, 0.7]), np.array([0, 1, 0, 1, 1]))
    assert p == pytest.approx([0.02, 1.0])
    assert q == pytest.approx([0.04, 1.0])


def test_a_units_other_sheets_are_told_as_sound_or_not() -> None:
    """From a half on a sheet reads sound; one of which nothing was read is not told, nor the sheet itself."""
    judged: Any = SimpleNamespace(
        scores=SimpleNamespace(
            score=np.array([9.0, 1.0, np.nan, 4.0, 1.0]), healthy=np.array([0.01, 0.55, 0.9, 0.45, 0.9])
        ),
        unit=np.array([0, 0, 0, 0, 1]),
        frame=pd.DataFrame({"sheet_no": ["A", "B", "C", "D", "E"]}),
    )
    assert _company(judged, np.array([0, 4])) == {0: (("B",), ("D",))}
    assert _company(judged, np.array([1])) == {1: ((), ("A", "D"))}


def test_readings_stand_in_the_groups_that_are_told() -> None:
    """By hand: the family, what the sheet lacks, the quantity, and the doubt about the units' own part."""
    value = np.zeros((3, len(JUDGED)))
    value[1, JUDGED.index("zenith")] = value[2, 1:] = np.nan
    pattern = [int(np.packbits(~np.isnan(row), bitorder="little")[0]) for row in value]
    resid: Any = SimpleNamespace(
        value=value,
        share=np.full(value.shape, 0.5),
        doubt=np.arange(1.0, 4.0)[:, None] * np.ones(value.shape),
        pattern=np.array(pattern),
        observed=pd.DataFrame({"family": ["F1", "F2", "F1"]}),
    )
    p = np.where(np.isnan(value), np.nan, 0.5)
    found, groups = _readings(resid, p)
    n = len(JUDGED)
    assert found.tolist() == [0.5] * (2 * n)
    assert groups["family"].tolist() == ["family F1"] * n + ["family F2"] * (n - 1) + ["family F1"]
    assert groups["pattern"].tolist()[: 2 * n - 1] == ["sheets with all readings"] * n + [
        "sheets without zenith"
    ] * (n - 1)
    assert groups["pattern"].iloc[-1].startswith("sheets without built-in angle, sag, ")
    assert groups["reading"].iloc[-1] == "static tracking angle"
    assert groups["doubt"].tolist() == [0.5] * n + [1.0] * (n - 1) + [1.5]


def test_a_list_without_a_flag_says_so() -> None:
    """What the list promises stands there only where something is flagged."""
    kept = Promise(0.05, 0.05)
    assert (
        _sentence(10, 0, kept)
        == "10 units judged, 0 flagged: none differs from its kind by more than chance explains."
    )
    assert _sentence(10, 2, kept) == f"10 units judged, 2 flagged; {kept.sentence}"

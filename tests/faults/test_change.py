"""What changed between two visits: found where it is true, silent where nothing changed, on every subset."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fleet.faults.change import DRIFTED, MISREAD, NOISE, STATES, WORN, compare
from fleet.house_model.chain import READING_NOISE, READINGS
from synthetic_data.spec import TIDY
from synthetic_data.world import World, WorldSpec

SIDE = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg")
FIRST = {
    "sheet_no": "A1",
    "measured_on": pd.Timestamp("2024-01-08"),
    "stylus_profile": "line_contact",
    "sra_static_deg": 92.0,
    "sra_dynamic_deg": 91.2,
    "vta_dynamic_deg": 22.0,
    "zenith_deg": 0.5,
    "azimuth_optical_deg": -0.3,
    "azimuth_electrical_deg": 0.2,
    "channel_balance_db": 0.1,
    "hours_used": 200.0,
}


def later(**moved: float) -> dict[str, Any]:
    """The same unit 300 hours later, these readings moved."""
    visit: dict[str, Any] = FIRST | {"sheet_no": "A2", "measured_on": pd.Timestamp("2024-07-08")}
    visit["hours_used"] = 500.0
    return visit | {name: FIRST[name] + by for name, by in moved.items()}  # type: ignore[operator]


@pytest.fixture(scope="module")
def pairs() -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Two visits each of 300 invented units: other operators, warmth and hours, nothing else changed."""
    sheets, _ = World(WorldSpec(seed=7, **TIDY, repeat_share=0.5, slip_share=0.0)).sheets(600)
    visits = [v.sort_values("measured_on").to_dict("records") for _, v in sheets.groupby("serial")]
    return [(v[0], v[1]) for v in visits if len(v) == 2]


def share_called(pairs: list[tuple[dict[str, Any], dict[str, Any]]], **moved: float) -> dict[str, float]:
    """Shares of the pairs called each state, their later visit moved by so much, either sense by turns."""
    called = dict.fromkeys(STATES, 0)
    for k, (before, after) in enumerate(pairs):
        sense = 1.0 if set(moved) == set(SIDE) else (-1.0) ** k
        change = compare(before, after | {n: after[n] + sense * by for n, by in moved.items()})
        called[change.state if change.changed else NOISE] += 1
    return {state: n / len(pairs) for state, n in called.items()}


def test_nothing_changed(pairs: list[tuple[dict[str, Any], dict[str, Any]]]) -> None:
    """Of units in which nothing changed at most three in a hundred are called changed."""
    assert len(pairs) == 300
    assert share_called(pairs)[NOISE] >= 0.97


@pytest.mark.parametrize(
    ("moved", "state", "found"),
    [
        (dict.fromkeys(SIDE, -2.0), WORN, 0.9),
        (dict.fromkeys(SIDE[:2], 3.0), DRIFTED, 0.9),
        ({"zenith_deg": 2.0}, DRIFTED, 0.9),
        ({"azimuth_electrical_deg": 1.5}, DRIFTED, 0.9),
        ({"sra_dynamic_deg": 3.0}, MISREAD, 0.8),
    ],
    ids=["settled", "stylus moved", "stylus turned", "generator moved", "one rake misread"],
)
def test_true_changes_are_found(
    pairs: list[tuple[dict[str, Any], dict[str, Any]]], moved: dict[str, float], state: str, found: float
) -> None:
    """A change of some degrees is found, and called what it is."""
    assert share_called(pairs, **moved)[state] >= found


def test_every_subset_of_readings() -> None:
    """Whatever is read at both visits, chances add to one, stand on no other reading, or are not told."""
    moved = later(zenith_deg=4.0, sra_static_deg=-0.2)
    for n in range(len(READINGS) + 1):
        for names in itertools.combinations(READINGS, n):
            gone = {name: None if k % 2 else math.nan for k, name in enumerate(READINGS) if name not in names}
            change = compare(FIRST | gone, moved)
            assert set(change.moved) == set(names)
            assert change.sentence
            if not names:
                assert change.state == ""
                assert not change.changed
                assert "nothing can be compared" in change.sentence
                continue
            assert sum(change.chances.values()) == pytest.approx(1.0)
            assert change.changed == ("zenith_deg" in names)


def test_one_reading_alone_may_be_misread() -> None:
    """A tracking angle read alone that jumps may as well be a slip: it is never told as a sure change."""
    change = compare({"vta_dynamic_deg": 20.0}, {"vta_dynamic_deg": 24.0})
    assert change.changed
    assert change.chances[MISREAD] > 0.05
    assert max(change.chances.values()) < 0.9


def test_two_benches_are_said() -> None:
    """A change between two benches' readings says that the benches themselves may differ."""
    moved = later(zenith_deg=3.0)
    assert "Two benches read it" in compare(FIRST | {"bench": "a"}, moved | {"bench": "b"}).sentence
    assert "Two benches" not in compare(FIRST | {"bench": "a"}, moved | {"bench": "a"}).sentence


def test_hours_excuse_what_they_do() -> None:
    """A fall of two degrees is wear after a thousand hours rather than after none, where it can't be wear."""
    fall = dict.fromkeys(SIDE, -2.0)
    assert compare(FIRST, later(**fall) | {"hours_used": 1200.0}).chances[WORN] > 0.5
    assert compare(FIRST, later(**fall) | {"hours_used": 200.0}).chances[WORN] < 1e-6


@pytest.mark.parametrize(
    "gone", [("hours_used",), ("measured_on", "hours_used"), ("measured_on",), ("sheet_no",)]
)
def test_without_days_or_hours(gone: tuple[str, ...]) -> None:
    """Without hours or days the change is told all the same, its hours unknown."""
    strip = dict.fromkeys(gone)
    change = compare(FIRST | strip, later(**dict.fromkeys(SIDE, -2.5)) | strip)
    assert change.state == WORN
    assert math.isnan(change.hours) == ("hours_used" in gone)
    assert ("sheet A1" in change.sentence) == ("measured_on" in gone)


def test_hours_that_fall_are_not_believed() -> None:
    """Fewer hours than before are a slip: the days speak instead."""
    assert math.isnan(compare(FIRST, later() | {"hours_used": 20.0}).hours)


def test_a_spherical_stylus_has_no_rake() -> None:
    """Rakes and zenith of a spherical stylus are not compared."""
    change = compare(FIRST | {"stylus_profile": "spherical"}, later(zenith_deg=9.0, sra_static_deg=9.0))
    assert not set(change.moved) & {"sra_static_deg", "sra_dynamic_deg", "zenith_deg"}
    assert not change.changed


def test_another_force_is_no_wear() -> None:
    """A third more force presses the angles down; that alone is no change of the unit."""
    fell = later(**dict.fromkeys(SIDE, -1.5))
    heavier = compare(FIRST | {"vtf_mn": 18.0}, fell | {"vtf_mn": 24.0})
    alike = compare(FIRST | {"vtf_mn": 18.0}, fell | {"vtf_mn": 18.0})
    assert heavier.chances[NOISE] > 0.5 > alike.chances[NOISE]


def test_the_likelihood_of_one_reading_by_hand() -> None:
    """With a zenith alone the odds are the prior's times the ratio of the two normal densities, summed."""
    from scipy import stats

    from fleet.faults.change import MOVED, SLIPPED, WAYS

    d = 1.7
    found = compare({"zenith_deg": 0.0}, {"zenith_deg": d}).chances
    sd = math.sqrt(2.0) * READING_NOISE["zenith_deg"]
    weight = {}
    for state, share in ((DRIFTED, MOVED), (MISREAD, SLIPPED)):
        mine = [w for w in WAYS if w.state == state]
        (way,) = [w for w in mine if "zenith_deg" in w.moves]
        density = np.mean(
            [stats.norm.pdf(d, s * mu, math.hypot(sd, tau)) for mu, tau in way.bumps for s in (1, -1)]
        )
        weight[state] = share / len(mine) * density
    sound = 1.0 - sum(
        s / len([w for w in WAYS if w.state == t]) for t, s in ((DRIFTED, MOVED), (MISREAD, SLIPPED))
    )
    weight[NOISE] = sound * stats.norm.pdf(d, 0.0, sd)
    total = sum(weight.values())
    for state, part in weight.items():
        assert found[state] == pytest.approx(part / total, rel=1e-9)

"""What an enquiry may be: combinations that fit what was told, and their weights."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.chain import FACTOR_COLUMNS, FACTORS
from fleet.house_model.factor_scenarios import (
    BY_CHANCE,
    NEVER_SEEN,
    OTHER_FIGURE,
    OTHER_NAME,
    ScenarioChooser,
    Scenarios,
    codes_alike,
    known_factors,
)
from fleet.house_model.family_facts import FleetFacts


def row(family: str, source: str, profile: str, n: int, **other: str) -> dict[str, object]:
    same = {"cantilever": "boron", "generator": "moving_coil", "frequency": "10", "bench": "main"}
    return {**same, "family": family, "source": source, "profile": profile, "n": n, **other}


@pytest.fixture
def chooser() -> ScenarioChooser:
    """Three families of 60, 30 and 10 units; F1 comes from two sources."""
    combos = pd.DataFrame(
        [
            row("F1", "S1", "elliptical", 40),
            row("F1", "S2", "elliptical", 20),
            row("F2", "S1", "line_contact", 30),
            row("F3", "S2", "line_contact", 10),
        ]
    )
    families = pd.DataFrame(
        {
            "compliance_um_per_mn": [12.0, 20.0, np.nan],
            "cantilever_length_mm": [5.5, 6.0, 5.0],
            "vtf_mn": [18.0, 16.0, 20.0],
            "tilt_room_deg": [3.0, 4.0, np.nan],
            "n": [60, 30, 10],
        },
        index=pd.Index(["F1", "F2", "F3"], name="family"),
    )
    return ScenarioChooser(FleetFacts.of(combos[[*FACTORS, "n"]], families, {}))


def shares(found: Scenarios, factor: str) -> dict[str, float]:
    """Weight per level of one factor."""
    level = found.levels[:, FACTORS.index(factor)]
    return pd.Series(found.weights).groupby(level).sum().to_dict()


NEW = 0.5 / 101.0


def test_a_family_told_is_that_family_in_its_own_shares(chooser: ScenarioChooser) -> None:
    """The sources of a known family keep their counts; nothing else is possible."""
    found = chooser.choose({"family": "F1"}, {})
    assert shares(found, "family") == {"F1": pytest.approx(1.0)}
    assert shares(found, "source") == {"S1": pytest.approx(2 / 3), "S2": pytest.approx(1 / 3)}
    assert (found.known_family, found.matched, found.let_go) == (True, 60.0, ())


def test_a_source_told_counts_even_for_a_family_that_never_had_it(chooser: ScenarioChooser) -> None:
    """A contradiction lets the told factor go in the match, not in the answer."""
    found = chooser.choose({"family": "F2", "source": "S2"}, {})
    assert shares(found, "source") == {"S2": pytest.approx(1.0)}
    assert found.let_go == ("source",)
    assert found.matched == 30.0


def test_nothing_told_is_the_fleet_and_a_little_of_what_it_never_saw(chooser: ScenarioChooser) -> None:
    """Families in their counts; a new family as often as the fleet's single units suggest."""
    found = chooser.choose({}, {})
    assert shares(found, "family") == {
        "F1": pytest.approx(0.6 * (1 - NEW)),
        "F2": pytest.approx(0.3 * (1 - NEW)),
        "F3": pytest.approx(0.1 * (1 - NEW)),
        NEVER_SEEN: pytest.approx(NEW),
    }


def test_a_told_figure_picks_out_the_families_that_have_it(chooser: ScenarioChooser) -> None:
    """12 µm/mN is F1's, hardly F2's, perhaps F3's whose figure nobody knows, and less likely a new one's."""
    found = chooser.choose({}, {"compliance_um_per_mn": 12.0})
    parts = np.array([60.0 * (1 - NEW), 30.0 * (1 - NEW) * OTHER_FIGURE, 10.0 * (1 - NEW) * 0.3,
                      100.0 * NEW * BY_CHANCE])  # fmt: skip
    want = parts / parts.sum()
    got = shares(found, "family")
    assert [got[f] for f in ("F1", "F2", "F3", NEVER_SEEN)] == pytest.approx(list(want))


def test_a_told_tilt_room_weighs_by_distance(chooser: ScenarioChooser) -> None:
    """A room of 4.0° fits F2 and not F1 at 3.0°, which stands more than three spreads away."""
    got = shares(chooser.choose({}, {"tilt_room_deg": 4.0}), "family")
    assert got["F2"] > 0.8
    assert got["F1"] < 0.06


def test_a_code_never_met_may_be_another_name(chooser: ScenarioChooser) -> None:
    """Half the weight goes to a family never seen under that code, half to known ones that match the rest."""
    found = chooser.choose({"family": "K9", "profile": "line_contact"}, {})
    got = shares(found, "family")
    assert not found.known_family
    assert got["K9"] == pytest.approx(0.5)
    assert got["F2"] == pytest.approx(0.75 * 0.5)
    assert got["F3"] == pytest.approx(0.25 * 0.5)
    assert shares(found, "profile") == {"line_contact": pytest.approx(1.0)}


def test_a_new_code_is_hardly_another_name_where_codes_alike_are_kept_apart() -> None:
    """Eight codes of one make-up, three of them with the same figures: 1 in 5 is left to another name."""
    names = [f"F{i}" for i in range(8)]
    combos = pd.DataFrame([row(name, "S1", "elliptical", 10) for name in names])
    own = {"profile": "elliptical", "cantilever": "boron", "generator": "moving_coil", "source": "S1"}
    families = pd.DataFrame(
        {
            **own,
            "compliance_um_per_mn": [12.0, 12.0, 12.0, 15.0, 18.0, 22.0, 27.0, np.nan],
            "cantilever_length_mm": 5.5,
            "vtf_mn": 18.0,
            "tilt_room_deg": 3.0,
            "n": 10,
        },
        index=pd.Index(names, name="family"),
    )
    facts = FleetFacts.of(combos[[*FACTORS, "n"]], families, {})
    assert codes_alike(facts) == 3
    chooser = ScenarioChooser(facts)
    got = shares(chooser.choose({"family": "NEW", "profile": "elliptical"}, {}), "family")
    assert got["NEW"] == pytest.approx(1.0 - OTHER_NAME[0] / (OTHER_NAME[1] + 3))


def test_a_kind_the_fleet_never_had_lets_go_in_order(chooser: ScenarioChooser) -> None:
    """An unknown profile is answered from all combinations, the profile itself kept as told."""
    found = chooser.choose({"profile": "narrow_edge"}, {})
    assert found.let_go == ("profile",)
    assert shares(found, "profile") == {"narrow_edge": pytest.approx(1.0)}
    assert found.matched == 100.0


def test_weights_always_sum_to_one_and_candidates_differ(chooser: ScenarioChooser) -> None:
    """Whatever is told."""
    for told in ({}, {"family": "F3"}, {"family": "new"}, {"source": "S2", "profile": "elliptical"}):
        for figures in ({}, {"vtf_mn": 16.0}, {"vtf_mn": 5.0, "tilt_room_deg": 9.0}):
            found = chooser.choose(told, figures)
            assert found.weights.sum() == pytest.approx(1.0)
            assert len({tuple(x) for x in found.levels}) == len(found.levels)


def test_an_empty_fleet_has_one_candidate(chooser: ScenarioChooser) -> None:
    """What is told is taken as told, the rest was never seen."""
    nothing = FleetFacts.of(
        pd.DataFrame(columns=[*FACTORS, "n"]),
        pd.DataFrame(
            columns=["compliance_um_per_mn", "cantilever_length_mm", "vtf_mn", "tilt_room_deg", "n"]
        ),
        {},
    )
    found = ScenarioChooser(nothing).choose({"profile": "elliptical"}, {})
    assert found.levels[0, FACTORS.index("profile")] == "elliptical"
    assert found.levels[0, FACTORS.index("family")] == NEVER_SEEN
    assert (found.matched, found.weights.tolist()) == (0.0, [1.0])


def test_told_factors_are_labels_and_gaps_are_not_told() -> None:
    """Empty, missing and NaN are not told; numbers lose their trailing zeros."""
    told = known_factors(
        {"body_family": "F1", "generator": None, "stylus_profile": "", "compliance_frequency_hz": 10.0,
         "assembly_source": float("nan")},
        FACTOR_COLUMNS,
    )  # fmt: skip
    assert told == {"family": "F1", "frequency": "10"}

"""Attainment set against something, on the command line: chances, pooling, what-if, trends, funnel,
capability."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.alignment.targets import MEASURES
from fleet.attainment.attainment import attainment
from fleet.attainment.comparisons import source_funnel, trends, what_if
from fleet.cli.week.attainment import Measure
from fleet.cli.week.attainment_comparisons import other_policy
from fleet.errors import FleetError
from fleet.policy.policy import Policy
from fleet.store import Store

Fleet = Callable[..., "object"]


def table_of(ran: object) -> pd.DataFrame:
    """The table that a command wrote on standard output."""
    assert (ran.status, ran.err) == (0, "")
    return pd.read_csv(io.StringIO(ran.out))


@pytest.fixture
def units(demo_store: Path) -> pd.DataFrame:
    """Every sheet of the demo bench."""
    return Store(demo_store).current()


def test_measures_are_those_of_the_table() -> None:
    """--measure offers exactly the rates that an attainment table has."""
    assert tuple(measure.value for measure in Measure) == MEASURES


def test_what_if_by_key(fleet: Fleet, units: pd.DataFrame) -> None:
    """ "If tracking were 24?" is the answer of the library under that policy, with what changed in words."""
    words = ("attainment", "--by", "assembly_source", "--what-if", "tracking_limit_deg=24")
    ran = fleet(*words)
    assert "Nothing was measured again" in ran.out
    assert "Changed: tracking_limit_deg 22 -> 24." in ran.out
    found = table_of(fleet(*words, "--out", "-"))
    wish = Policy().but(tracking_limit_deg=24)
    expected = what_if(units, ["assembly_source"], Policy(), wish)
    np.testing.assert_allclose(found["rate_other"], expected["rate_other"], rtol=1e-6)
    anew = attainment(units, ["assembly_source"], wish)
    now = found[found["measure"] == "both_reachable"]
    np.testing.assert_allclose(now["rate_other"], anew["both_reachable_rate"], rtol=1e-6)
    assert now["gained"].sum() > 0
    assert now["lost"].sum() == 0


@pytest.mark.usefixtures("demo_store")
def test_what_if_by_name_and_by_file(fleet: Fleet) -> None:
    """A policy of the file by its name, another file's default and the same keys typed say the same."""
    Path("own.toml").write_text("[default]\n[lax]\nrake_accepted_deg = [90.0, 93.0]\n")
    Path("lax.toml").write_text("[default]\nrake_accepted_deg = [90.0, 93.0]\n")
    asked = [("--policy", "own.toml", "--what-if", "lax"), ("--what-if", "lax.toml")]
    asked.append(("--what-if", "rake_accepted_deg=[90.0, 93.0]"))
    first, *others = (table_of(fleet("attainment", *words, "--out", "-")) for words in asked)
    for other in others:
        pd.testing.assert_frame_equal(
            first.drop(columns=["policy", "policy_other"]), other.drop(columns=["policy", "policy_other"])
        )


def test_wishes_that_are_no_policy() -> None:
    """A name that isn't there, an unknown key, text for a number, no TOML: one line each."""
    for wish, says in (
        ("nobody", "neither a policy"),
        ("tracking=24", "no key 'tracking'"),
        ('tracking_limit_deg="wide"', "must be a number"),
        ("tracking_limit_deg=wide", "can't be read"),
    ):
        with pytest.raises(FleetError, match=says):
            other_policy(wish, Policy(), {"default": Policy()})
    several = other_policy("tracking_limit_deg=24; rake_accepted_deg=[90.0,93.0]", Policy(), {})
    assert (several.tracking_limit_deg, several.rake_accepted_deg) == (24, (90.0, 93.0))


def test_trend(fleet: Fleet, units: pd.DataFrame) -> None:
    """Each group's trend by year if no period is named, q-values allowing for all of them."""
    found = table_of(fleet("attainment", "--trend", "--by", "assembly_source", "--out", "-"))
    expected = trends(attainment(units, ["assembly_source"], Policy(), "year"))
    np.testing.assert_allclose(found["z"], expected["z"], rtol=1e-5)
    told = found["p_value"].notna()
    assert (found.loc[told, "q_value"] >= found.loc[told, "p_value"] - 1e-9).all()
    shown = fleet("attainment", "--trend", "--per", "quarter", "--by", "all", "--measure", "rake_level").out
    assert shown.startswith("The rake target met on a level headshell: ")
    assert "change [points a quarter]" in shown


def test_funnel_of_sources(fleet: Fleet, units: pd.DataFrame) -> None:
    """The funnel is of the sources unless told otherwise, the lowest first, with its common rate."""
    found = table_of(fleet("attainment", "--funnel", "--out", "-"))
    expected, limits = source_funnel(attainment(units, ["assembly_source"], Policy()))
    assert found["assembly_source"].tolist() == expected["assembly_source"].tolist()
    np.testing.assert_allclose(found["z"], expected["z"], rtol=1e-5)
    shown = fleet("attainment", "--funnel").out
    assert f"the common rate is {limits.centre:.0%}".replace("%", " %") in shown
    assert "a reason to look, not a verdict" in shown


@pytest.mark.long
@pytest.mark.usefixtures("demo_store")
def test_pooled_and_chance(fleet: Fleet) -> None:
    """Small groups are drawn toward the fleet; the chance says which noise it rests on."""
    words = ("attainment", "--pooled", "--chance", "house")
    found = table_of(fleet(*words, "--out", "-"))
    whole = table_of(fleet("attainment", "--by", "all", "--out", "-"))["both_reachable_rate"].iloc[0]
    extreme = found[found["both_reachable_rate"] == 0]
    assert len(extreme)
    assert ((extreme["both_reachable_pooled"] > 0) & (extreme["both_reachable_pooled"] < whole)).all()
    chance = found["both_reachable_chance"]
    assert chance.between(0, 1).all()
    assert ((chance > 0) & (chance < 1))[~found["kind"].str.startswith("spherical")].all()
    shown = fleet(*words).out
    assert "both targets within reach of some tilt, pooled" in shown
    assert "(the house model)" in shown
    by_repeats = fleet("attainment", "--chance", "repeats", "--measure", "rake_built").out
    assert "repeat readings)" in by_repeats
    assert "the rake target met as built, chance" in by_repeats


def test_chance_without_what_it_needs(fleet: Fleet, sheets: Path) -> None:
    """No house model, too few repeats, a conflict: one line that says so, status 2."""
    fleet("intake", str(sheets))
    for words, says in (
        (("--chance", "house"), "no house model yet"),
        (("--chance", "repeats"), "only 0 repeat readings"),
        (("--chance", "house", "--measure", "conflict_reach"), "no conflict"),
        (("--chance", "moon"), "'moon'"),
    ):
        ran = fleet("attainment", *words)
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)
        assert says in ran.err


@pytest.mark.usefixtures("demo_store")
def test_capability(fleet: Fleet) -> None:
    """Cp and Cpk of both built angles, by hand from mean and spread, and a word where they mislead."""
    found = table_of(fleet("attainment", "--capability", "--by", "all", "--out", "-")).set_index("angle")
    rake, tracking = found.loc["rake_built"], found.loc["tracking_built"]
    assert rake["cp"] == pytest.approx(2.0 / (6 * rake["sd"]), rel=1e-5)
    assert rake["cpk"] == pytest.approx(
        min(92.5 - rake["mean"], rake["mean"] - 90.5) / (3 * rake["sd"]), 1e-4
    )
    assert np.isnan(tracking["cp"])
    shown = fleet("attainment", "--capability").out
    assert "go by the count" in shown
    assert "tracking as built" in shown


def test_capability_of_few(fleet: Fleet, sheets: Path) -> None:
    """Groups of fewer than ten units get a dash and a word, not an index."""
    fleet("intake", str(sheets))
    ran = fleet("attainment", "--capability")
    assert ran.status == 0
    assert "4 of 4 lines have too few units" in ran.out


@pytest.mark.usefixtures("demo_store")
def test_one_question_at_a_time(fleet: Fleet) -> None:
    """Two comparisons, one with pooling, or publishing what can be subtracted, are refused in one line."""
    questions = [("--what-if", "tracking_limit_deg=24"), ("--trend",), ("--funnel",), ("--capability",)]
    pairs = [(*a, *b) for a, b in itertools.combinations(questions, 2)]
    more = [(*q, "--pooled") for q in questions]
    more += [(*q, "--publish") for q in (questions[0], questions[3], ("--chance", "house"))]
    for words in (*pairs, *more):
        ran = fleet("attainment", *words)
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1)


def test_an_empty_store_has_nothing_to_compare(fleet: Fleet, sheets: Path) -> None:
    """Without a sheet, trend and funnel say so in one line; what-if and capability show an empty table."""
    fleet("intake", str(sheets))
    fleet("undo", "1")
    for question in ("--trend", "--funnel"):
        ran = fleet("attainment", question)
        assert (ran.status, ran.err.count("\n")) == (2, 1)
        assert "no unit to compare" in ran.err
    for words in (("--what-if", "tracking_limit_deg=24"), ("--capability",)):
        assert fleet("attainment", *words).status == 0


@pytest.mark.usefixtures("demo_store")
def test_unknown_columns_and_private_ones(fleet: Fleet) -> None:
    """A grouping column that isn't there is one line for every question."""
    for question in ((), ("--trend",), ("--funnel",), ("--capability",), ("--what-if", "clearance_deg=0.5")):
        ran = fleet("attainment", "--by", "colour", *question)
        assert (ran.status, ran.err.count("\n")) == (2, 1)
        assert "no such column" in ran.err

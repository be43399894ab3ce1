"""Sources compared kind by kind: a source of hard kinds isn't a worse source."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.attainment.case_mix import case_mix, over_time, sentence
from fleet.charts.funnels import case_mix_figures
from fleet.errors import FleetError

MEASURE = "both_reachable"


def counts(rows: list[tuple[str, str, int, int]]) -> pd.DataFrame:
    """An attainment table of source, kind, units read, units met."""
    frame = pd.DataFrame(rows, columns=["assembly_source", "kind", f"{MEASURE}_n", f"{MEASURE}_met"])
    return frame.assign(units=frame[f"{MEASURE}_n"])


def mixed(rows: list[tuple[str, str, int, int]]) -> pd.DataFrame:
    return case_mix(counts(rows), MEASURE, "assembly_source", "kind").set_index("group")


def test_sources_that_differ_by_their_kinds_alone_stand_where_their_kinds_do() -> None:
    """Equal rates within each kind: raw rates are far apart, and nothing is left with kinds allowed for."""
    rows = [("S1", "easy", 200, 160), ("S1", "hard", 50, 10), ("S2", "easy", 50, 40), ("S2", "hard", 200, 40)]
    found = mixed(rows)
    assert found["difference"].abs().max() < 1e-12
    assert (found["outside"] == "").all()
    assert found["rate"].tolist() == [0.68, 0.32]
    assert "0 of 2 sources stand beyond the 99.8 % limits (none); by the raw rates 2 do." in sentence(
        found.reset_index(), 2
    )


def test_z_is_the_cochran_mantel_haenszel_test() -> None:
    """Its square is the statistic of statsmodels' own test without correction, on tables drawn at random."""
    from statsmodels.stats.contingency_tables import StratifiedTable

    rng = np.random.default_rng(3)
    for _ in range(20):
        n = rng.integers(5, 60, size=(2, 4))
        met = rng.binomial(n, rng.uniform(0.2, 0.8, size=(2, 4)))
        rows = [
            (s, f"K{k}", int(n[i, k]), int(met[i, k])) for i, s in enumerate(("A", "B")) for k in range(4)
        ]
        tables = [[[met[0, k], n[0, k] - met[0, k]], [met[1, k], n[1, k] - met[1, k]]] for k in range(4)]
        theirs = StratifiedTable([np.array(t, dtype=float) for t in tables]).test_null_odds(correction=False)
        assert mixed(rows).loc["A", "z"] ** 2 == pytest.approx(theirs.statistic)


def test_a_source_that_is_better_within_its_kinds_stands_out_by_as_much() -> None:
    """Thirty points more in every kind are told as such, whatever kinds it makes."""
    rows = [
        ("S1", "easy", 100, 95),
        ("S1", "hard", 300, 180),
        ("S2", "easy", 300, 195),
        ("S2", "hard", 100, 30),
    ]
    found = mixed(rows)
    assert found.loc["S1", "outside"] == found.loc["S2", "outside"] == "99.8"
    assert found.loc["S1", "difference"] > 0 > found.loc["S2", "difference"]
    shown = case_mix_figures(found.reset_index())
    assert shown["against chance"].tolist() == ["beyond 99.8 %"] * 2


def test_kinds_that_no_other_source_makes_say_nothing() -> None:
    """A source alone with its kind can't be compared; its raw rate stands, and a dash beside it."""
    found = mixed([("S1", "own", 40, 4), ("S2", "a", 30, 20), ("S3", "a", 30, 21)])
    assert found.loc["S1", "compared"] == 0
    assert np.isnan(found.loc["S1", "z"])
    assert found.loc["S1", "rate"] == pytest.approx(0.1)
    last = case_mix_figures(found.reset_index()).iloc[-1]
    assert last["their kinds would give"] == last["difference"] == "–"
    with pytest.raises(FleetError, match="nothing to compare"):
        case_mix(counts([("S1", "a", 0, 0)]), MEASURE, "assembly_source", "kind")


def test_a_source_that_takes_on_harder_kinds_is_not_getting_worse() -> None:
    """Its rate falls from 68 to 43 % as hard kinds come in; within each kind no period stands off."""
    rows = [
        ("2023", "easy", 150, 120),
        ("2023", "hard", 50, 15),
        ("2024", "easy", 50, 40),
        ("2024", "hard", 150, 46),
    ]
    frame = counts(rows).rename(columns={"assembly_source": "period"})
    own = case_mix(frame, MEASURE, "period", "kind")
    assert own["rate"].round(2).tolist() == [0.68, 0.43]
    assert own["difference"].abs().max() < 0.01
    assert over_time("S03", own) == (
        "S03: allowing for kinds, none of 2 periods stands off the others by more than chance explains "
        "(99.8 %)."
    )
    worse = counts([("2023", "easy", 150, 120), ("2024", "easy", 150, 60)])
    told = over_time(
        "S03", case_mix(worse.rename(columns={"assembly_source": "period"}), MEASURE, "period", "kind")
    )
    assert told.startswith(
        "S03: allowing for kinds, 2 of 2 periods stand beyond 99.8 % limits (2023 +20 points on"
    )
    apart = counts([("2023", "a", 30, 3), ("2024", "b", 30, 20)]).rename(
        columns={"assembly_source": "period"}
    )
    assert "no two periods have a kind in common" in over_time(
        "S03", case_mix(apart, MEASURE, "period", "kind")
    )

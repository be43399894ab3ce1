"""Rolling origin: each quarter is foretold from the past alone, and told what an enquiry would tell."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from worlds import stored, tokened

from fleet.columns import READ_BY
from fleet.errors import FleetError
from fleet.fitting.backtest import FIRST_UNITS, Fold, folds, origins
from fleet.fitting.fit import fit_store
from fleet.policy.policy import Policy
from fleet.quotes.baselines import FAMILY, POOLED
from fleet.quotes.hindcasts import (
    NEVER_TOLD,
    USUAL_SHARES,
    add_references,
    all_facts,
    as_enquiries,
    make_hindcasts,
    usual_facts,
)
from fleet.quotes.kept_quotes import FACTS
from fleet.quotes.outcomes import pair_forecasts
from fleet.store import Store
from synthetic_data.world import World, WorldSpec

START = date(2025, 1, 1)


def sheets() -> pd.DataFrame:
    return World(WorldSpec(seed=24, n_families=10)).sheets(320)[0]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return stored(tmp_path_factory.mktemp("backtest"), sheets())


@pytest.fixture(scope="module")
def tried(store: Store) -> list[Fold]:
    """The back-test's folds from a day on."""
    return list(folds(store, start=START))


def test_quarters_by_hand() -> None:
    """A unit a day from New Year 2024: the first quarter with sixty units before it is the second."""
    days = pd.Series(pd.date_range("2024-01-01", "2024-08-10", freq="D"))
    assert origins(days, None) == [
        (date(2024, 4, 1), date(2024, 7, 1)),
        (date(2024, 7, 1), date(2024, 10, 1)),
    ]
    assert origins(days, date(2024, 6, 1)) == [(date(2024, 7, 1), date(2024, 10, 1))]
    assert origins(days.head(FIRST_UNITS), None) == []


def test_each_fold_knows_the_past_alone(tried: list[Fold]) -> None:
    """Taught sheets before the origin, asked ones in the quarter, no unit in both, each unit asked once."""
    asked: list[str] = []
    for fold in tried:
        taught_on, asked_on = (pd.to_datetime(f["measured_on"]) for f in (fold.taught, fold.asked))
        assert (taught_on < pd.Timestamp(fold.origin)).all()
        assert ((asked_on >= pd.Timestamp(fold.origin)) & (asked_on < pd.Timestamp(fold.end))).all()
        assert not set(fold.taught["unit"]) & set(fold.asked["unit"])
        assert int(fold.house.units) == len(fold.taught)
        asked += fold.asked["unit"].tolist()
    assert len(asked) == len(set(asked)) > 10


@pytest.mark.long
def test_what_comes_later_changes_nothing(store: Store, tried: list[Fold], tmp_path: Path) -> None:
    """A fit before a day is the fit of a store that never saw the rest, reading noise included."""
    early = sheets()[pd.to_datetime(sheets()["measured_on"]) < pd.Timestamp(START)]
    alone = Store(tmp_path / "early.duckdb").create()
    alone.append(tokened(early), file_name="early.csv")
    assert tried[0].origin == START
    here, there = tried[0].house, fit_store(alone)
    # A unit measured again later teaches by its newest sheet, so only here it is missing.
    again = set(store.current()["unit"]) & set(alone.current()["unit"])
    newest = store.current().query("newest").set_index("unit")["measured_on"]
    late = [u for u in again if pd.Timestamp(newest[u]) >= pd.Timestamp(START)]
    assert there.units - here.units == len(late)
    assert dict(here.noise) == dict(there.noise)


def test_a_short_history_is_refused(tmp_path: Path) -> None:
    """Fewer than sixty units: one line that says what it takes."""
    with pytest.raises(FleetError, match=f"it takes {FIRST_UNITS} units"):
        next(folds(stored(tmp_path, sheets().head(40))))


def test_enquiries_tell_as_often_as_usual() -> None:
    """The assumed shares, until there are enquiries of the bench's own to take after."""
    told = usual_facts(4000, seed=1)
    for name, share in USUAL_SHARES.items():
        assert told[:, FACTS.index(name)].mean() == pytest.approx(share, abs=0.03)
    own = pd.DataFrame([dict.fromkeys(FACTS) | {"body_family": "F1"}] * 30)
    alike = usual_facts(50, own)
    assert alike[:, FACTS.index("body_family")].all()
    assert alike.sum() == 50
    assert usual_facts(50, own.head(29)).sum() > 100


def test_what_only_the_bench_finds_out_is_never_told() -> None:
    """Readings and temperature stay hidden, even where everything is told."""
    for told in (
        all_facts(5),
        usual_facts(200),
        usual_facts(200, pd.DataFrame([dict.fromkeys(FACTS, "x")] * 40)),
    ):
        for name in NEVER_TOLD:
            assert not told[:, FACTS.index(name)].any()


def test_hidden_facts_are_empty_in_the_enquiry() -> None:
    """What is told is the sheet's own; what only the bench finds out stays empty or is no column."""
    some = sheets().head(6).reset_index(drop=True)
    told = all_facts(6)
    told[:3, FACTS.index("body_family")] = False
    enquiries = as_enquiries(some, told)
    assert enquiries["body_family"].isna().tolist() == [True] * 3 + [False] * 3
    assert enquiries["vtf_mn"].equals(some["vtf_mn"])
    assert "zenith_deg" not in enquiries
    assert enquiries[list(READ_BY)].isna().all(axis=None)


def test_rivals_get_the_same_past_in_back_test_and_record(tried: list[Fold]) -> None:
    """Scored from kept quotes by the intake that taught, the rivals' figures are those of the back-test."""
    fold = tried[0]
    asked = fold.asked.head(12).reset_index(drop=True)
    kept = make_hindcasts(
        fold.house, fold.taught, asked, all_facts(12), Policy(), origin=fold.origin, boosting=False
    )
    here = pair_forecasts(kept, asked)
    known = pd.concat([fold.taught.assign(came_by=1), asked.assign(came_by=2)], ignore_index=True)
    recorded = add_references(
        pair_forecasts(kept.assign(taught_intake=1, rivals=None), asked), known, boosting=False
    )
    for rival in (FAMILY, POOLED):
        for figure, scores in here.rivals[rival].items():
            np.testing.assert_allclose(recorded.rivals[rival][figure], scores, atol=1e-6)
    assert set(kept["origin"]) == {fold.origin}

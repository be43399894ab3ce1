"""Which refit answers: the rule, case by case, and a spoilt intake that must not take over."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from worlds import stored, tokened

from fleet.fitting import promotion, trial
from fleet.fitting.kept_model import load_house
from fleet.fitting.promotion import refit_by_rule
from fleet.house_model.house import House
from fleet.statistics.quantile_forecasts import Paired
from fleet.store import Store
from fleet.store.models import model_in_use
from synthetic_data.world import World, WorldSpec


def halves(n: int = 330, first: int = 200) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sheets of one world, the earlier ones and the later ones."""
    sheets, _ = World(WorldSpec(seed=23, n_families=10)).sheets(n)
    return sheets.iloc[:first], sheets.iloc[first:]


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the earlier sheets and a first model."""
    store = stored(tmp_path_factory.mktemp("promotion"), halves()[0])
    assert refit_by_rule(store).sentence == "Model 1 is in use, the first one."
    return store.path


@pytest.fixture
def fitted(first: Path, tmp_path: Path) -> Store:
    """A copy of it that a test may change."""
    return Store(shutil.copy(first, tmp_path / "own.duckdb"))


def test_few_new_units_are_no_trial(fitted: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A handful of sheets: the new model answers, untried, and that is said."""
    house = load_house(fitted)
    monkeypatch.setattr(promotion, "fit_store", lambda *_, **__: house)
    fitted.append(tokened(halves()[1].head(10)), file_name="few.csv")
    done = refit_by_rule(fitted)
    assert (done.number, done.in_use, done.trial) == (2, 2, None)
    assert "in use, untried: fewer than 30 units" in done.sentence
    assert "fleet model --use 1" in done.sentence


@pytest.mark.long
def test_more_sheets_take_over_and_are_tried_by_fits_without_them(
    fitted: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred new units, each foretold by a fit without it and by the old model, which saw none of them."""
    fitted.append(tokened(halves()[1]), file_name="more.csv")
    seen: list[tuple[int, set[str]]] = []
    honest = trial._without

    def spied(store: Store, held: pd.DataFrame, since: date | None) -> House:
        house = honest(store, held, since)
        seen.append((int(house.units), set(held["unit"])))
        return house

    monkeypatch.setattr(trial, "_without", spied)
    done = refit_by_rule(fitted)
    assert done.trial is not None
    assert done.trial.n > 90
    assert (done.in_use, model_in_use(fitted)) == (2, 2)
    assert f"on {done.trial.n} units that neither had seen" in done.sentence
    assert len(seen) == trial.PARTS
    everyone = len(fitted.teaching())
    assert all(units == everyone - len(held) for units, held in seen)
    tried = set().union(*(held for _, held in seen))
    assert sum(len(held) for _, held in seen) == len(tried)
    read = fitted.current().dropna(subset=["sra_dynamic_deg", "vta_dynamic_deg"], how="all")["unit"]
    assert len(tried & set(read)) == done.trial.n
    old = set(tokened(halves()[0])["serial_token"].dropna())
    assert not {u.rsplit("-", 1)[0] for u in tried} & old


@pytest.mark.long
def test_many_new_units_are_tried_by_a_draw_of_them(fitted: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit of eighty: as many are tried; as a small share of all, one fit holds them all back."""
    fitted.append(tokened(halves()[1]), file_name="more.csv")
    fits = []
    honest = trial._without

    def counted(store: Store, held: pd.DataFrame, since: date | None) -> House:
        fits.append(len(held))
        return honest(store, held, since)

    monkeypatch.setattr(trial, "_without", counted)
    monkeypatch.setattr(trial, "LARGEST_TRIAL", 80)
    monkeypatch.setattr(trial, "SMALL_SHARE", 0.9)
    done = refit_by_rule(fitted)
    assert done.trial is not None
    assert done.trial.n <= 80
    assert fits == [80]


@pytest.mark.long
def test_a_shorter_span_must_be_better(fitted: Store) -> None:
    """Taught by ten months alone, quotes get worse: the fit is kept aside, the old one answers."""
    last = pd.to_datetime(halves()[0]["measured_on"]).max()
    done = refit_by_rule(fitted, since=(last - pd.Timedelta(days=300)).date())
    assert done.trial is not None
    assert done.trial.n >= promotion.TRIAL_UNITS
    assert done.trial.difference > 0.0
    assert (done.number, done.in_use, model_in_use(fitted)) == (2, 1, 1)
    assert "Model 2 is kept, but model 1 stays in use" in done.sentence
    assert "fleet model --use 2" in done.sentence


def test_a_span_too_short_to_be_tried_still_answers(fitted: Store) -> None:
    """Nothing of it is left to teach once the trial units are held back: in use, and said to be untried."""
    last = pd.to_datetime(halves()[0]["measured_on"]).max()
    done = refit_by_rule(fitted, since=(last - pd.Timedelta(days=60)).date())
    assert (done.in_use, done.trial) == (2, None)
    assert "untried" in done.sentence


@pytest.mark.parametrize(
    ("difference", "same", "taken"),
    [
        (-0.1, True, True),
        (0.01, True, True),
        (0.05, True, False),
        (-0.001, False, True),
        (0.001, False, False),
    ],
)
def test_the_rule(
    fitted: Store, monkeypatch: pytest.MonkeyPatch, difference: float, same: bool, taken: bool
) -> None:
    """More sheets: in use unless worse by over two standard errors (0.02 here); another way: if better."""
    house = replace(load_house(fitted), span=("", "") if same else ("2021-01-04", ""))
    monkeypatch.setattr(promotion, "fit_store", lambda *_, **__: house)
    monkeypatch.setattr(promotion, "_trial", lambda *_, **__: ([0.5], [0.5], ["F1"]))
    monkeypatch.setattr(promotion, "compare_scores", lambda *_: Paired(100, difference, 0.02))
    done = refit_by_rule(fitted)
    assert (done.in_use == 2) == taken
    assert model_in_use(fitted) == (2 if taken else 1)

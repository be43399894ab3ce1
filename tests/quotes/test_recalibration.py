"""Recalibration: the conformal factor by closed form, and a model with halved spread caught and repaired."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from worlds import house_of

from fleet.house_model.house import House
from fleet.house_model.predict import Draws, Forecaster
from fleet.policy.policy import Policy
from fleet.quotes.kept_quotes import archive_rows
from fleet.quotes.outcomes import ForecastPairs, pair_forecasts
from fleet.quotes.quote import Quotes, quote
from fleet.quotes.recalibration import (
    SMALLEST,
    STRETCHED,
    Correction,
    Recalibration,
    conformal_factor,
    learn,
    scale_about_median,
    undo_correction,
)
from fleet.quotes.track_record import Record, record
from fleet.statistics.forecast_scores import AS_TOLD, TOO_FEW, TOO_NARROW, TOO_WIDE
from fleet.statistics.quantile_forecasts import central_interval
from synthetic_data.world import World, WorldSpec

POLICIES = {"default": Policy()}


class Misfit(Forecaster):
    """The house model's forecasts with every spread multiplied: a model that is deliberately wrong."""

    scale = 0.5

    def draw(self, enquiries: pd.DataFrame, policies: Sequence[Policy] | None = None) -> Draws:
        d = super().draw(enquiries, policies)
        f = np.full((len(enquiries), 1), self.scale)
        names = ("sag", "sra_dynamic", "vta_dynamic", "sra_true", "vta_true")
        wrong = {name: scale_about_median(getattr(d, name), f) for name in names}
        return replace(d, **wrong, built_in=wrong["sra_dynamic"] - wrong["vta_dynamic"])


class TooWide(Misfit):
    """The same with spreads doubled."""

    scale = 2.0


class Bench(NamedTuple):
    """A fitted house and two lots of enquiries with what the bench then read."""

    house: House
    first: tuple[pd.DataFrame, pd.DataFrame]
    later: tuple[pd.DataFrame, pd.DataFrame]


@cache
def bench() -> Bench:
    world = World(WorldSpec(seed=11, n_families=24))
    sheets, _ = world.sheets(500)
    enquiries, outcomes, _ = world.enquiries(1300, new_family_share=0.02)
    lots = [
        tuple(f.iloc[part].reset_index(drop=True) for f in (enquiries, outcomes))
        for part in (slice(0, 850), slice(850, 1300))
    ]
    return Bench(house_of(sheets), lots[0], lots[1])  # type: ignore[arg-type]


FIRST, LATER = "first", "later"


@cache
def told(kind: type[Forecaster], lot: str, use: Recalibration | None = None) -> tuple[Quotes, ForecastPairs]:
    """Quotes of one lot, and the same beside what was read."""
    enquiries, outcomes = getattr(bench(), lot)
    quotes = quote(enquiries, kind(bench().house), POLICIES, recalibration=use)
    kept = pd.DataFrame(archive_rows(quotes, enquiries, bench().house, model_id=1))
    return quotes, pair_forecasts(kept, outcomes.assign(unit=outcomes["sheet_no"]))


def row(found: Record, quantity: str = "readings together", share: float = 0.9) -> pd.Series:
    table = found.coverage
    return table[(table["quantity"] == quantity) & (table["promised"] == share)].iloc[0]


@pytest.mark.long
def test_an_honest_model_is_left_alone() -> None:
    """On quotes of the house model itself the record finds nothing and the correction changes nothing."""
    _, first = told(Forecaster, FIRST)
    found = record(first)
    assert row(found)["verdict"] == AS_TOLD
    assert found.pit["sra_dynamic_deg"].shape == "even"
    learnt = learn(first, "the record")
    assert learnt.changes == ()
    assert learnt.sentence == "Nothing to correct: no group's intervals are shown wrong by the record."


@pytest.mark.long
def test_halved_spread_is_caught_and_repaired() -> None:
    """A model with halved spread is named too narrow; corrected by its record, fresh quotes hold again."""
    _, first = told(Misfit, FIRST)
    caught = record(first)
    assert row(caught)["verdict"] == TOO_NARROW
    assert row(caught)["held"] < 0.75
    assert "too narrow" in caught.sentence
    assert caught.pit["sra_dynamic_deg"].shape == TOO_NARROW
    use = learn(first, "the record of 850 quotes")
    assert {c.quantity for c in use.changes} >= {"sag_deg", "sra_dynamic_deg", "vta_dynamic_deg"}
    assert all(1.5 < c.factor < 2.7 for c in use.changes if c.quantity != "bench_minutes")
    quotes, later = told(Misfit, LATER, use)
    repaired, without = record(later), record(told(Misfit, LATER)[1])
    for q in ("readings together", "sag", "dynamic rake", "tracking angle"):
        assert row(without, q)["verdict"] == TOO_NARROW
        assert row(repaired, q)["verdict"] == AS_TOLD, q
        assert row(repaired, q)["held"] == pytest.approx(0.9, abs=0.05)
    assert repaired.scores["score"].iloc[0] < without.scores["score"].iloc[0]
    assert repaired.chances["both"].brier < without.chances["both"].brier
    assert "corrected by an earlier record" in " ".join(repaired.cautions)
    corrected = quotes.table["basis"].str.contains(r"intervals stretched by the record of 850 quotes: sag × ")
    assert corrected.mean() > 0.9


@pytest.mark.long
def test_doubled_spread_is_caught_and_drawn_in() -> None:
    """Too wide works the other way."""
    _, first = told(TooWide, FIRST)
    assert row(record(first))["verdict"] == TOO_WIDE
    use = learn(first, "the record")
    assert all(0.35 < c.factor < 0.7 for c in use.changes if c.quantity != "bench_minutes")
    assert row(record(told(TooWide, LATER, use)[1]))["verdict"] == AS_TOLD


def test_a_group_too_small_is_refused() -> None:
    """Families never seen are a dozen quotes here: as they are, whatever they show, and that is said."""
    _, first = told(Misfit, FIRST)
    use = learn(first, "the record")
    new = [c for c in use.corrections if c.standing == "new"]
    assert new
    assert all(c.weight < SMALLEST and (c.factor, c.verdict) == (1.0, TOO_FEW) for c in new)
    assert "family never seen before" in use.refused
    quotes, _ = told(Misfit, LATER, use)
    standing = np.array(quotes.standing)
    plain, _ = told(Misfit, LATER)
    mine = standing == "new"
    assert mine.any()
    assert quotes.table.loc[mine, "sag_deg_q95"].equals(plain.table.loc[mine, "sag_deg_q95"])
    assert not quotes.table.loc[mine, "basis"].str.contains("stretched").any()


@pytest.mark.long
def test_learning_takes_an_earlier_correction_out_first() -> None:
    """From corrected quotes the same factors are learnt as from plain ones: corrections don't pile up."""
    use = learn(told(Misfit, FIRST)[1], "the record")
    again = learn(told(Misfit, FIRST, use)[1], "the record")
    for a, b in zip(use.corrections, again.corrections, strict=True):
        assert (a.n, a.verdict) == (b.n, b.verdict)
        assert b.factor == pytest.approx(a.factor, rel=0.02)


def test_corrected_quantiles_can_be_taken_back() -> None:
    """What was told, less its correction, is what the model said (minutes: to interpolation in logs)."""
    use = learn(told(Misfit, FIRST)[1], "the record")
    corrected, plain = told(Misfit, LATER, use)[1], told(Misfit, LATER)[1]
    back = undo_correction(corrected)
    for q in STRETCHED:
        close = 1e-3 if q == "bench_minutes" else 1e-9
        np.testing.assert_allclose(back[q], plain.quantiles[q], atol=1e-9, rtol=close)
    assert (corrected.about["stretch"] != "{}").any()


def test_a_correction_survives_being_kept() -> None:
    """As text and back it is the same."""
    use = learn(told(Misfit, FIRST)[1], "the record")
    assert Recalibration.from_text(use.to_text()) == use
    assert json.loads(use.to_text())["source"] == "the record"


def test_quotes_stay_coherent() -> None:
    """Corrected draws: rake less tracking is the built-in angle, medians stay, bench time stays positive."""
    corrections = tuple(
        Correction(s, q, 99, 99.0, 0.5, 3.0, TOO_NARROW)
        for s in ("known", "new", "not_told")
        for q in STRETCHED
    )
    quotes, _ = told(Forecaster, LATER, Recalibration(corrections, "a test"))
    plain, _ = told(Forecaster, LATER)
    for q in ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "bench_minutes"):
        np.testing.assert_allclose(quotes.table[f"{q}_q50"], plain.table[f"{q}_q50"], rtol=0.25)
    wide = (quotes.table["sra_dynamic_deg_q95"] - quotes.table["sra_dynamic_deg_q05"]).to_numpy()
    narrow = (plain.table["sra_dynamic_deg_q95"] - plain.table["sra_dynamic_deg_q05"]).to_numpy()
    np.testing.assert_allclose(wide, 3.0 * narrow, rtol=1e-6)
    built_in = quotes.arrays["sra_dynamic_deg"] - quotes.arrays["vta_dynamic_deg"]
    raked = ~np.isnan(built_in).all(axis=1)  # a spherical stylus has no rake, an untold one may be spherical
    found = quotes.table["built_in_deg_q50"].to_numpy()
    np.testing.assert_allclose(np.nanmedian(built_in[raked], axis=1), found[raked], atol=1e-9)
    assert np.isnan(found[~raked]).all()
    assert (quotes.arrays["bench_minutes"] > 0.0).all()


@pytest.mark.parametrize(("n", "place"), [(9, 9), (18, 18), (19, 18), (99, 90), (1000, 901)])
def test_the_factor_is_the_order_statistic(n: int, place: int) -> None:
    """The ceil(0.9 (n + 1))-th smallest score (places: exact values of the formula)."""
    scores = np.random.default_rng(n).permutation(np.arange(1.0, n + 1.0))
    found = conformal_factor(scores, -np.ones(n), np.zeros(n), np.ones(n))
    assert found == place


def test_eight_quotes_cannot_support_ninety_percent() -> None:
    """ceil(0.9 x 9) is the ninth of eight: no finite interval, and none is made up."""
    assert conformal_factor(np.arange(8.0), -np.ones(8), np.zeros(8), np.ones(8)) == float("inf")


def test_the_corrected_interval_holds_as_promised() -> None:
    """Over many records of 50 the corrected 90 % interval holds a new reading 46 times in 51: k / (n + 1)."""
    rng = np.random.default_rng(8)
    runs, n = 4000, 50
    held = 0
    for read, new in zip(3.0 * rng.standard_normal((runs, n)), 3.0 * rng.standard_normal(runs), strict=True):
        held += abs(new) <= conformal_factor(read, -np.ones(n), np.zeros(n), np.ones(n))
    assert held / runs == pytest.approx(46 / 51, abs=4.0 * np.sqrt(0.09 / runs))


def test_intervals_told_are_those_kept() -> None:
    """The kept 90 % interval is the one in the quote's table."""
    quotes, later = told(Forecaster, LATER)
    low, high = central_interval(later.quantiles["sra_dynamic_deg"], 0.9)
    np.testing.assert_allclose(low, quotes.table["sra_dynamic_deg_q05"], rtol=1e-9)
    np.testing.assert_allclose(high, quotes.table["sra_dynamic_deg_q95"], rtol=1e-9)

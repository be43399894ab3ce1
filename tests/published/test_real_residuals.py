"""Suspects among real residuals: measurements that people made, with faults of known size put into some.

Sets as scikit-learn ships them: iris (R. A. Fisher, Annals of Eugenics 7, 1936, 179), wine (M. Forina et
al., PARVUS, 1988; UCI Machine Learning Repository), breast cancer cells (W. N. Street, W. H. Wolberg and
O. L. Mangasarian, SPIE 1905, 1993, 861), diabetes (B. Efron et al., Annals of Statistics 32, 2004, 407).
Their columns, seven at a time, stand for the seven links of a sheet that reads everything: less their
group's mean, whitened by a covariance from which rows beyond 3.5 sds were left out as the robust cut does,
and given the covariance of a sheet. None was made by normal draws; cells and diabetes have long tails.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from sklearn import datasets
from sound_units import sound_sheet
from statsmodels.stats.multitest import multipletests
from worlds import Fleet, fleet_of, ideal, lines

from fleet.faults.likelihood_ratio import rank_blocks
from fleet.faults.promise import promise
from fleet.faults.signatures import MECHANICAL, signatures
from fleet.house_model.chain import JUDGED
from fleet.house_model.house import CUT_SIGMAS
from fleet.house_model.loo_residuals import Residuals, residuals

SEEDS = (0, 1)
FDR = 0.05
FAULTY = 0.055
SETS = {
    "iris": (datasets.load_iris, [slice(0, 4)]),
    "wine": (datasets.load_wine, [slice(0, 7), slice(6, 13)]),
    "cells": (datasets.load_breast_cancer, [slice(0, 7), slice(10, 17), slice(20, 27)]),
    "diabetes": (datasets.load_diabetes, [slice(2, 9)]),
}
ERRORS_OF_CELLS = 4
"""Place of their block in `blocks`."""


def whitened(x: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Residuals less their group's mean, whitened by what lies inside the robust cut."""
    for label in np.unique(group):
        x[group == label] -= np.median(x[group == label], axis=0)
    inside = np.ones(len(x), dtype=bool)
    for _ in range(4):
        mean, cov = x[inside].mean(axis=0), np.cov(x[inside].T)
        white = np.linalg.solve(np.linalg.cholesky(cov), (x - mean).T).T
        inside = (np.abs(x - mean) <= CUT_SIGMAS * np.sqrt(np.diag(cov))).all(axis=1)
    return white


@cache
def blocks() -> list[np.ndarray]:
    """Whitened residuals of every block of columns."""
    out = []
    for load, columns in SETS.values():
        data = load()
        few = len(np.unique(data.target)) < 5
        group = data.target if few else np.zeros(len(data.target))
        out += [whitened(data.data[:, c].astype(float), group) for c in columns]
    return out


@cache
def tidy() -> Fleet:
    """A bench without heavy tails of its own: it lends its covariance of a sheet."""
    return fleet_of(
        ideal(5, n_families=12, n_new_families=2, spherical_share=0.12, hundred_hz_share=0.3), 420
    )


def judged(white: np.ndarray, *, tail: float | None, seed: int) -> np.ndarray:
    """Flags, hits, faults and expected false flags where faults were put into some rows."""
    house = tidy().house
    facts = next(x for x in lines(tidy().world) if x["stylus_profile"] != "spherical")
    one = residuals(house, sound_sheet(house, facts))
    n, d = white.shape
    rng = np.random.default_rng(seed)
    value = np.full((n, len(JUDGED)), np.nan)
    value[:, :d] = white @ np.linalg.cholesky(one.covariance[0, :d, :d]).T
    expected = np.repeat(one.expected, n, axis=0)
    shown = [
        s for s in signatures(expected, house.cant_share)
        if s.fault in MECHANICAL and np.abs(s.vector[..., :d]).max() > 0.2
    ]  # fmt: skip
    bad = rng.random(n) < FAULTY
    for i in np.flatnonzero(bad):
        signature = shown[rng.integers(len(shown))]
        size, spread = signature.bumps[rng.integers(len(signature.bumps))]
        sign = rng.choice([-1.0, 1.0]) if signature.both else 1.0
        vector = signature.vector if signature.vector.ndim == 1 else signature.vector[i]
        value[i, :d] += sign * (size + spread * rng.standard_normal()) * vector[:d]
    resid = Residuals(
        value,
        expected,
        np.repeat(one.covariance, n, axis=0),
        np.ones_like(value),
        np.zeros_like(value),
        one.observed.iloc[np.zeros(n, dtype=int)],
        {},
    )
    scores = rank_blocks(house, resid.take, n, bulk=np.arange(n), tail=tail, draws=50)
    flagged = multipletests(scores.p_value, alpha=FDR, method="fdr_bh")[0]
    told = promise(scores.p_value, flagged, (scores.p_faulty, scores.w_faulty), FDR).expected
    return np.array([flagged.sum(), (flagged & bad).sum(), bad.sum(), told * flagged.sum()])


@cache
def each(tail: float | None, seeds: tuple[int, ...] = SEEDS) -> np.ndarray:
    """What `judged` says, pooled over seeds, a row a block."""
    return np.array([np.sum([judged(w, tail=tail, seed=s) for s in seeds], axis=0) for w in blocks()])


def rates(found: np.ndarray) -> tuple[float, float, float]:
    """Recall, share of false flags and the share that was expected, pooled over blocks."""
    flags, hits, bad, told = found.sum(axis=0)
    return float(hits / bad), float(1.0 - hits / flags), float(told / flags)


@pytest.mark.long
def test_learnt_tails_take_much_of_the_false_alarms_off_real_residuals() -> None:
    """Asked 5 %: with normal tails two flags in three are false, with learnt ones three in ten.

    The rate is not kept on such data: most of the false flags are of one block (errors of cells' sizes),
    where patients of one group scatter together in all features.  Elsewhere about one in ten is false.
    """
    _, normal, _ = rates(each(0.0))
    recall, false, _ = rates(each(None))
    assert false < 0.5 * normal, (false, normal)
    assert recall > 0.25
    best = np.delete(each(None), ERRORS_OF_CELLS, axis=0)
    assert rates(best)[1] <= 0.125  # .102 with thirteen other seeds: 57 of 558 flags


@pytest.mark.parametrize("tail", [pytest.param(0.0, marks=pytest.mark.long), None])
def test_the_list_tells_about_the_true_share_of_false_alarms(tail: float | None) -> None:
    """Under a null far too narrow and under the learnt one: within a third."""
    _, false, told = rates(each(tail, SEEDS[:1]))
    assert told == pytest.approx(false, rel=1.0 / 3.0)

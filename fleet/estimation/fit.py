"""Fitting the house model: spreads, then every link with its uncertainty, from sums inside the robust cut.

A small fleet leans on documented beliefs (`fleet.house_model.priors`), a large one forgets them.
What the cut left out (`fleet.estimation.trimming`) is counted and put back where a quote
speaks of real units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from fleet.estimation.fit_steps import Fitter
from fleet.estimation.trimmed_statistics import CutTallies
from fleet.estimation.trimming import cut_tallies
from fleet.house_model.canonical_variates import JOINT, canonical_rows, combine, covariance_from_sums
from fleet.house_model.cell_sums import Sums, Tallies
from fleet.house_model.chain import JUDGED, LINK, LINKS, PAIR_LINKS, PAIRED, Link, noise_matrix
from fleet.house_model.family_facts import FleetFacts
from fleet.house_model.house import House, LinkFit
from fleet.house_model.priors import BELIEFS, TERM_ROWS, Belief, pair_belief
from fleet.house_model.variance_function import Spread, nearest_covariance
from fleet.statistics.bayes import LogPrior, fit_bayes, half_t_prior, response_sd
from fleet.statistics.gram import Floats, Gram
from fleet.statistics.reml import fit_reml

KEPT_VARIANCE: Final = 0.993888
"""Variance of a standard normal cut at ±3.5 (derived: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1))."""
FEW_ROWS: Final = 30
FEWEST_FAMILIES: Final = 8
"""Below this many families how tracking and built-in angle go together between families isn't learnt."""


@dataclass(frozen=True)
class Sampling:
    """How the posterior is sampled: draws of the importance sample (None: the engine's own), and its seed."""

    draws: int | None = None
    seed: int = 20


def fit_house(
    tallies: Tallies,
    facts: FleetFacts,
    noise: Mapping[str, float],
    *,
    revision: int = 0,
    sampling: Sampling | None = None,
    robust: bool = True,
) -> House:
    """Fit every link of the chain to bench sheets that somebody can sum up.

    Parameters
    ----------
    tallies : whoever sums the teaching sheets up
    facts : families and combinations of the same sheets
    noise : standard deviation per reading
    revision : data revision that the tallies stand for
    sampling : of the posterior
    robust : False takes every row at its word (for comparison)

    Returns
    -------
    House
    """
    cut = cut_tallies(tallies, noise, robust=robust)
    return fit_cut(cut, facts, noise, revision=revision, sampling=sampling)


def fit_cut(
    cut: CutTallies,
    facts: FleetFacts,
    noise: Mapping[str, float],
    *,
    revision: int = 0,
    sampling: Sampling | None = None,
) -> House:
    """Fit every link of the chain to sums inside the robust cut (see `fit_house`)."""
    finisher = _Finisher(cut, noise, sampling or Sampling())
    names = [link.name for link in LINKS]
    spreads = {
        n: finisher.spread_from_moments(cut.products, LINK[n], cut.sums[n], cut.spreads[n], finisher.kept)
        for n in names
    }
    links = {n: finisher.final(cut.sums[n], LINK[n], spreads[n], BELIEFS[n], cut.cut.loc[[n]]) for n in names}
    turn = finisher.pair_rows()
    for link, weights in zip(PAIR_LINKS, turn, strict=True):
        links[link.name] = finisher.pair_link(link, weights)
    correlation = _correlation(cut.products, spreads, cut.scale_s2)
    notes = tuple(
        f"{LINK[n].words}: {links[n].rows:.0f} sheets, so common practice still speaks along"
        for n in names
        if links[n].rows < FEW_ROWS
    )
    return House(
        links, facts, dict(noise), correlation, turn, cut.scale_s2, cut.faulty, revision, notes=notes
    )


class _Finisher(Fitter):
    """The last steps of one fit: posteriors of the links and of the pair's combinations."""

    def __init__(self, cut: CutTallies, noise: Mapping[str, float], sampling: Sampling) -> None:
        super().__init__(cut.cells, cut.scale_s2, noise)
        self.joint, self.products, self.sampling = cut.sums[JOINT], cut.products, sampling
        self.kept = KEPT_VARIANCE if cut.robust else 1.0

    def pair_rows(self) -> Floats:
        """Canonical combinations of tracking and built-in angle, from REML fits of both and of their sum."""
        if len(np.unique(self.levels["family"])) < FEWEST_FAMILIES:
            return np.eye(2)
        t, b = (_pooled(self.products, n, n) for n in PAIRED)
        cross = _pooled(self.products, *PAIRED)
        unit = np.array([[t, cross], [cross, b]])
        family = []
        link = PAIR_LINKS[0]
        for weights in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([1.0, 1.0])):
            spread = Spread(0.0, max(float(weights @ unit @ weights), 1e-6), 0.0, {}, 0.0)
            gram = self.gram(combine(self.joint, weights, link.name), link, spread, pair_belief(weights))
            which = [term.name for term in link.terms].index("family")
            family.append(float(fit_reml(gram, sigma=self.known_sigma(gram)).sds[which] ** 2))
        return canonical_rows(covariance_from_sums(*family), unit)

    def pair_link(self, link: Link, weights: Floats) -> LinkFit:
        """Fit one combination; its residuals' products follow from those of the two angles."""
        sums, belief = combine(self.joint, weights, link.name), pair_belief(weights)
        parts = [
            self.products[(self.products["a"] == a) & (self.products["b"] == b)].reset_index(drop=True)
            for a, b in (("tracking", "tracking"), PAIRED, ("built_in", "built_in"))
        ]
        mean = [p["total"] / p["n"].clip(lower=1.0) for p in parts]
        w1, w2 = weights
        total = (w1**2 * mean[0] + 2.0 * w1 * w2 * mean[1] + w2**2 * mean[2]) * parts[1]["n"]
        own = parts[1].assign(a=link.name, b=link.name, total=total.clip(lower=0.0))
        noise = float(weights @ noise_matrix(PAIRED, dict(self.noise)) @ weights)
        rows = max(float(parts[1]["n"].sum()), 1.0)
        rough = Spread(noise, max(float(total.sum()) / rows - noise, belief.base), 0.0, {}, 0.0)
        spread = self.spread_from_moments(own, link, sums, rough, self.kept, belief=belief)
        return self.final(sums, link, spread, belief, None)

    def final(
        self, sums: Sums, link: Link, spread: Spread, belief: Belief, cut: pd.DataFrame | None
    ) -> LinkFit:
        """Posterior of one link; ``cut`` holds its row of the cut summary, if it has one."""
        gram = self.gram(sums, link, spread, belief)
        prior, sigma = _prior(gram, link, belief), self.known_sigma(gram)
        posterior = fit_bayes(
            gram, prior=prior, sigma=sigma, draws=self.sampling.draws, seed=self.sampling.seed
        )
        rows = float(sums.counts.sum())
        n, beyond, size = (rows, 0.0, 0.0) if cut is None else cut[["n", "cut", "cut_size"]].iloc[0]
        weighted = self.weighted(sums, spread)
        return LinkFit(link, weighted, spread, posterior, float(n), float(beyond), float(size))


def _prior(gram: Gram, link: Link, belief: Belief) -> LogPrior:
    """Half-t(4) on the sds: half the response's own spread, a small fleet's pulled toward what is believed.

    Weights make the residual sd of the fit about 1, so the sds come out in the response's own units.
    """
    if link.name == "sag":
        return half_t_prior(belief.term)
    own = 0.5 * response_sd(gram)
    rows = max(gram.n - len(gram.anchors), 0.0)
    square = (rows * own**2 + TERM_ROWS * belief.term**2) / (rows + TERM_ROWS)
    return half_t_prior(float(np.sqrt(square)))


def _pooled(products: pd.DataFrame, a: str, b: str) -> float:
    """Mean product of two links' residuals over the whole fleet."""
    rows = products[(products["a"] == a) & (products["b"] == b)]
    return float(rows["total"].sum() / max(rows["n"].sum(), 1.0))


def _correlation(products: pd.DataFrame, spreads: Mapping[str, Spread], s2: Floats) -> Floats:
    """Correlation of the residuals of the judged links, pooled over sources and scale classes."""
    size = len(JUDGED)
    out = np.eye(size)
    for i, a in enumerate(JUDGED):
        for j, b in enumerate(JUDGED):
            if j <= i or a not in spreads or b not in spreads:
                continue
            rows = products[
                ((products["a"] == a) & (products["b"] == b)) | ((products["a"] == b) & (products["b"] == a))
            ]
            source = rows["source"].astype(str).to_numpy(dtype=object)
            klass = s2[rows["scale_class"].to_numpy(dtype=int)]
            scale = np.sqrt(spreads[a].total(klass, source) * spreads[b].total(klass, source))
            expected = float((rows["n"].to_numpy() * scale).sum())
            if expected > 0.0:
                weight = float(rows["n"].sum())
                value = float(rows["total"].sum()) / expected
                out[i, j] = out[j, i] = value * weight / (weight + 10.0)
    out = nearest_covariance(out, floor=1e-3)
    d = np.sqrt(np.diag(out))
    return np.asarray(out / d / d[:, None])

"""Fitting the house model: spreads, then every link with its uncertainty, from sums inside the robust cut.

A small fleet leans on documented beliefs (`fleet.house_model.priors`), a large one forgets them.
What the cut left out (`fleet.estimation.trimming`) is counted and put back where a quote
speaks of real units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fleet.estimation.family_spread import lean_on, share_families
from fleet.estimation.fit_steps import Fitter, Squares, residual_products
from fleet.estimation.trimmed_statistics import TrimmedTallies
from fleet.estimation.trimming import trim_tallies
from fleet.house_model.angle_sums import (
    JOINT,
    LOADING,
    add_sums,
    combine,
    lone_sums,
    separate_rows,
)
from fleet.house_model.cell_sums import CutRows, Fitted, Sums, Tallies
from fleet.house_model.chain import (
    JUDGED,
    LINK,
    LINKS,
    PAIR_COVARIATES,
    PAIR_LINKS,
    PAIRED,
    RAKE,
    YEARS,
    Link,
    noise_matrix,
)
from fleet.house_model.family_facts import FleetFacts
from fleet.house_model.house import House, LinkFit
from fleet.house_model.joint_angles import Alone
from fleet.house_model.priors import AGAINST, BELIEFS, DRIFT, SPREAD_ROWS, TERM_ROWS, Prior, pair_prior
from fleet.house_model.variance_function import VarianceFunction, nearest_covariance
from fleet.numerals import count
from fleet.rows import Columns, combinations
from fleet.statistics.bayes import LogPrior, fit_bayes, half_t_prior, response_sd
from fleet.statistics.gram import Floats, Gram
from fleet.statistics.reml import SHORT

KEPT_VARIANCE: Final = 0.993888
"""Variance of a standard normal cut at ±3.5 (derived: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1))."""
FEW_ROWS: Final = 30
ENOUGH_RAKES: Final = 0.5
"""The tracking angle comes first where rakes are fewer than this share of tracking angles."""


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
    cut = trim_tallies(tallies, noise, robust=robust)
    return fit_trimmed(cut, facts, noise, revision=revision, sampling=sampling)


def fit_trimmed(
    cut: TrimmedTallies,
    facts: FleetFacts,
    noise: Mapping[str, float],
    *,
    revision: int = 0,
    sampling: Sampling | None = None,
) -> House:
    """Fit every link of the chain to sums inside the robust cut (see `fit_house`)."""
    finisher = _Finisher(cut, noise, sampling or Sampling())
    names = [link.name for link in LINKS if link.name in finisher.sums]
    spreads = {
        n: finisher.spread_from_moments(
            finisher.squares[n], LINK[n], finisher.sums[n], cut.spreads[n], finisher.kept
        )
        for n in names
    }
    spreads = share_families(spreads)
    links = {n: finisher.final(finisher.sums[n], LINK[n], spreads[n], BELIEFS[n], cut.cut[n]) for n in names}
    turn = finisher.pair_rows()
    for link, weights in zip(PAIR_LINKS, turn, strict=True):
        links[link.name] = finisher.pair_link(link, weights, spreads)
    correlation = _correlation(cut.products, spreads, finisher)
    notes = tuple(
        f"{LINK[n].words}: {count(round(rows), 'sheet')}, so common practice still speaks along"
        for n, rows in ((n, max(links[n].rows, float(finisher.sums[n].counts.sum()))) for n in names)
        if rows < FEW_ROWS
    ) + tuple(
        f"{LINK[n].words}: the search for its spreads ended early; its ranges may be off"
        for n in names
        if links[n].posterior.short_by > SHORT
    )
    return House(
        links,
        facts,
        dict(noise),
        correlation,
        turn,
        cut.scale_s2,
        cut.faulty,
        revision,
        notes=notes,
        alone=finisher.alone(turn, links),
    )


class _Finisher(Fitter):
    """The last steps of one fit: posteriors of the links and of the pair's combinations."""

    def __init__(self, cut: TrimmedTallies, noise: Mapping[str, float], sampling: Sampling) -> None:
        super().__init__(cut.cells, cut.scale_s2, noise)
        self.joint, self.sampling = cut.sums[JOINT], sampling
        self.kept = KEPT_VARIANCE if cut.robust else 1.0
        self.lone = lone_sums(cut.sums)
        self.sums, self.products, self.fits = dict(cut.sums), cut.products, dict(cut.fits)
        self.squares = {n: _squares(cut.sums[n], f, n) for n, f in cut.fits.items() if n in cut.sums}
        if RAKE in cut.sums:
            # A rake is tracking plus built-in angle: its link learns from the sheets that read both as well.
            self.sums[RAKE] = add_sums(combine(self.joint, LOADING[RAKE], RAKE), cut.sums[RAKE])
            self.squares[RAKE] = _both(self.of_combination(LOADING[RAKE], RAKE), self.squares[RAKE])

    def pair_rows(self) -> Floats:
        """Two combinations of tracking and built-in angle that are fitted one at a time.

        The rake comes first, or the tracking angle where few sheets read a rake, and learns from all of them.
        A few rows of what is believed stand in where hardly a sheet reads both: with angles that go against
        each other, or a bench without rakes would quote them more widely than one that reads nothing.
        """
        sd = np.sqrt([BELIEFS[n].variance for n in PAIRED])
        believed = np.outer(sd, sd) * [[1.0, AGAINST], [AGAINST, 1.0]]
        t, b = (_pooled(self.products, n, n) for n in PAIRED)
        cross = _pooled(self.products, *PAIRED)
        rows = float(self.joint.counts.sum())
        read = np.array([[t, cross], [cross, b]])
        unit = (rows * read + SPREAD_ROWS * believed) / (rows + SPREAD_ROWS)
        tracking, rake = (float(self.sums[n].counts.sum()) if n in self.sums else rows for n in LOADING)
        return separate_rows(unit, RAKE if rake >= ENOUGH_RAKES * tracking else PAIRED[0])

    def pair_link(self, link: Link, weights: Floats, spreads: Mapping[str, VarianceFunction]) -> LinkFit:
        """Fit one combination; its residuals' products follow from those of the two angles."""
        sums, belief = combine(self.joint, weights, link.name), pair_prior(weights)
        own = self.of_combination(weights, link.name)
        alone = self.single(weights)
        if alone is not None:
            lone = self.lone[alone]
            sums = add_sums(sums, Sums(sums.columns, lone.moments, lone.counts))
            own = _both(own, _squares(lone, self.fits[alone], alone))
        noise = float(weights @ noise_matrix(PAIRED, dict(self.noise)) @ weights)
        rows, total = (float(x.sum()) for x in own)
        rough = VarianceFunction.of(noise, max(total / max(rows, 1.0) - noise, belief.variance))
        spread = self.spread_from_moments(own, link, sums, rough, self.kept, belief=belief)
        return self.final(sums, link, lean_on(spread, link.name, spreads), belief, None)

    def of_combination(self, weights: Floats, name: str) -> Squares:
        """Squared residuals of a combination over the rows that read both angles."""
        t, b = (self.fits[n] for n in PAIRED)
        w1, w2 = weights
        centre = LINK[name].centre if name in LINK else 0.0
        off = centre - w1 * LINK[PAIRED[0]].centre - w2 * LINK[PAIRED[1]].centre
        slopes = {c: w1 * t.slopes[c] + w2 * b.slopes[c] for c in PAIR_COVARIATES}
        fit = Fitted(w1 * t.at_zero + w2 * b.at_zero + off, slopes, t.bound)
        return _squares(combine(self.joint, weights, name), fit, name)

    def single(self, weights: Floats) -> str | None:
        """The link that reads just this combination, so that rows which read no more teach it alone."""
        for name, loading in LOADING.items():
            if np.array_equal(weights, loading):
                return name
        return None

    def alone(self, turn: Floats, links: Mapping[str, LinkFit]) -> tuple[Alone, ...]:
        """Rows that read the tracking angle or the rake alone, and are in neither combination's own sums."""
        taken = {self.single(weights) for weights in turn}
        out = []
        for name, loading in LOADING.items():
            sums = self.lone[name]
            if name not in taken and sums.counts.any():
                columns = ("1", *PAIR_COVARIATES, PAIR_LINKS[0].name)
                fit = links[name]
                cells = self.weighted(Sums(columns, sums.moments, sums.counts), fit.spread)
                scale = float((fit.posterior.sigma**2).mean())
                out.append(Alone(loading, replace(cells, weights=cells.weights / scale)))
        return tuple(out)

    def final(
        self, sums: Sums, link: Link, spread: VarianceFunction, belief: Prior, cut: CutRows | None
    ) -> LinkFit:
        """Posterior of one link; ``cut`` holds its row of the cut summary, if it has one."""
        gram = self.gram(sums, link, spread, belief)
        prior, sigma = _prior(gram, link, belief), self.known_sigma(gram)
        posterior = fit_bayes(
            gram,
            prior=prior,
            sigma=sigma,
            draws=self.sampling.draws,
            seed=self.sampling.seed,
            reml=self.reml(gram, link),
        )
        rows = float(sums.counts.sum())
        n, beyond, size = (rows, 0.0, 0.0) if cut is None else cut
        weighted = self.weighted(sums, spread)
        return LinkFit(link, weighted, spread, posterior, float(n), float(beyond), float(size))


def _prior(gram: Gram, link: Link, belief: Prior) -> LogPrior:
    """Half-t(4) on the sds: half the response's own spread, a small fleet's pulled toward what is believed.

    Weights make the residual sd of the fit about 1, so the sds come out in the response's own units.
    """
    if link.name == "sag":
        return half_t_prior(belief.term)
    own = 0.5 * response_sd(gram)
    rows = max(gram.n - len(gram.anchors), 0.0)
    square = (rows * own**2 + TERM_ROWS * belief.term**2) / (rows + TERM_ROWS)
    scale = [DRIFT if t.covariate == YEARS else float(np.sqrt(square)) for t in link.terms]
    return half_t_prior(np.array(scale))


def _squares(sums: Sums, fit: Fitted, name: str) -> Squares:
    """Rows and squared residuals of one link per cell."""
    return sums.counts, residual_products(sums, fit, fit, (name, name))


def _both(one: Squares, other: Squares) -> Squares:
    return one[0] + other[0], one[1] + other[1]


def _pooled(products: Columns, a: str, b: str) -> float:
    """Mean product of two links' residuals over the whole fleet."""
    rows = np.asarray((products["a"] == a) & (products["b"] == b))
    n, total = (np.asarray(products[key], dtype=np.float64)[rows].sum() for key in ("n", "total"))
    return float(total / max(n, 1.0))


def _correlation(products: Columns, spreads: Mapping[str, VarianceFunction], fitter: Fitter) -> Floats:
    """Correlation of the residuals of the judged links, pooled over sources and scale classes.

    That of a rake by itself follows from its two parts where it is needed; here it stands alone.
    """
    keys = ["source", "scale_class"]
    names = [n for n in JUDGED if n in spreads and n != RAKE]
    sd = [np.sqrt(fitter.total(spreads[n])) for n in names]
    code, first = combinations(fitter.cells, keys)
    told = (np.asarray(fitter.cells[key])[first].tolist() for key in keys)
    known = {key: i for i, key in enumerate(zip(*told, strict=True))}
    rows = np.asarray(fitter.cells["n"], dtype=np.float64)
    size = np.bincount(code, rows, minlength=len(first))
    wanted = zip(*(np.asarray(products[key]).tolist() for key in keys), strict=True)
    place = np.array([known.get(key, -1) for key in wanted], dtype=np.int64)
    index = {name: i for i, name in enumerate(names)}
    one, other = (np.array([index.get(x, -1) for x in products[key]], dtype=np.int64) for key in ("a", "b"))
    n, total = (np.asarray(products[key], dtype=np.float64) for key in ("n", "total"))
    out = np.eye(len(JUDGED))
    for i, a in enumerate(names):
        for j, b in enumerate(names[:i]):
            own = ((one == i) & (other == j)) | ((one == j) & (other == i))
            scale = np.bincount(code, rows * sd[i] * sd[j], minlength=len(first)) / size
            expected = float(np.append(scale, 0.0)[place[own]] @ n[own])
            if expected > 0.0:
                weight = float(n[own].sum())
                found = float(total[own].sum()) / expected * weight / (weight + 10.0)
                out[JUDGED.index(a), JUDGED.index(b)] = out[JUDGED.index(b), JUDGED.index(a)] = found
    out = nearest_covariance(out, floor=1e-3)
    d = np.sqrt(np.diag(out))
    return np.asarray(out / d / d[:, None])

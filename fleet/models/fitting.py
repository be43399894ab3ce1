"""Fitting the house model: robust passes over the tallies, spreads, then every link with its uncertainty.

The fit starts from the median absolute residual and cuts what lies beyond 3.5 standard deviations in two
passes, so that defective units do not teach the model what is normal; what was cut is counted and put back
where a quote speaks of real units.  A small fleet leans on documented beliefs (`fleet.models.beliefs`), a
large one forgets them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from fleet.models.bayes import LogPrior, coefficient_posterior, fit_bayes, half_t_prior, response_sd
from fleet.models.beliefs import BELIEFS, SPREAD_ROWS, TERM_ROWS, Belief, pair_belief
from fleet.models.facts import FleetFacts
from fleet.models.gram import Cells, Floats, Gram, anchored, build_gram
from fleet.models.house import CUT_SIGMAS, House, LinkFit
from fleet.models.links import FACTORS, JUDGED, LINK, LINKS, PAIR_LINKS, PAIRED, SAG_EDGES, Link, noise_matrix
from fleet.models.mixed import RemlFit, fit_reml
from fleet.models.pair import JOINT, canonical_rows, combine, covariance_from_sums
from fleet.models.spread import Spread, fit_spread, nearest_covariance
from fleet.models.sums import Fitted, Sums, Tallies

PASSES: Final = 2
MAD_TO_SD: Final = 1.482602218505602
KEPT_VARIANCE: Final = 0.993888
"""Variance of a standard normal cut at ±3.5 (derived: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1))."""
MAD_EFFICIENCY: Final = 0.37
FEW_ROWS: Final = 30
KNOWN_SIGMA_ROWS: Final = 15
"""Below this many rows the residual sd stays what the spreads say; it can't be learnt twice."""
FEWEST_FAMILIES: Final = 8
"""Below this many families how tracking and built-in angle go together between families isn't learnt."""


def fit_house(
    tallies: Tallies,
    facts: FleetFacts,
    noise: Mapping[str, float],
    *,
    revision: int = 0,
    draws: int | None = None,
    seed: int = 20,
    robust: bool = True,
) -> House:
    """Fit every link of the chain.

    Parameters
    ----------
    tallies : whoever sums the teaching sheets up
    facts : families and combinations of the same sheets
    noise : standard deviation per reading
    revision : data revision that the tallies stand for
    draws, seed : of the importance sample
    robust : False takes every row at its word (for comparison)

    Returns
    -------
    House
    """
    fitter = _Fitter(tallies.cells, tallies.sums(), noise)
    names = [link.name for link in LINKS]
    sums = fitter.sums
    spreads = {n: fitter.first_spread(n) for n in names}
    fits = fitter.fit_all(sums, spreads, np.inf)
    if robust:
        for _ in range(PASSES):
            middle = tallies.middle(fits)
            spreads = {n: fitter.spread_from_mad(middle[middle["link"] == n], LINK[n]) for n in names}
            fits = fitter.with_bounds(fits, spreads, CUT_SIGMAS)
            sums = tallies.sums(fits, names)
            fits = fitter.fit_all(sums, spreads, CUT_SIGMAS)
        sums = tallies.sums(fits, names)
    products = tallies.residual_products(fits)
    kept = KEPT_VARIANCE if robust else 1.0
    spreads = {n: fitter.spread_from_moments(products, LINK[n], sums[n], spreads[n], kept) for n in names}
    cut = tallies.cut_summary(fits)
    links = {
        n: fitter.final(sums[n], LINK[n], spreads[n], BELIEFS[n], cut.loc[[n]], draws=draws, seed=seed)
        for n in names
    }
    turn = fitter.pair_rows(sums[JOINT], products)
    for link, weights in zip(PAIR_LINKS, turn, strict=True):
        links[link.name] = fitter.pair_link(
            link, weights, sums[JOINT], products, kept, draws=draws, seed=seed
        )
    correlation = _correlation(products, spreads, fitter.s2)
    notes = tuple(
        f"{LINK[n].words}: {links[n].rows:.0f} sheets, so common practice still speaks along"
        for n in names
        if links[n].rows < FEW_ROWS
    )
    faulty = tallies.faulty(fits)
    return House(links, facts, dict(noise), correlation, turn, fitter.s2, faulty, revision, notes=notes)


class _Fitter:
    """The steps of one fit, on one set of cells."""

    def __init__(self, cells: pd.DataFrame, sums: Mapping[str, Sums], noise: Mapping[str, float]) -> None:
        self.cells, self.sums, self.noise = cells, sums, noise
        self.s2 = _mean_square_scale(sums, cells)
        self.levels = {f: cells[f].astype(str).to_numpy(dtype=object) for f in FACTORS}
        self.source = self.levels["source"]
        self.cell_s2 = self.s2[cells["scale_class"].to_numpy(dtype=int)]

    def noise_of(self, link: Link) -> float:
        return float(sum((c * self.noise[r]) ** 2 for r, c in link.reading.items()))

    def first_spread(self, name: str) -> Spread:
        """Spread before anything is fitted: the response's own, or what is believed."""
        link, belief = LINK[name], BELIEFS[name]
        total = self.sums[name].moments.sum(axis=0)
        n = max(total[0, 0], 1.0)
        own = total[-1, -1] / n - (total[0, -1] / n) ** 2
        base = belief.base if link.scale == "whole" else max(own, belief.base)
        return Spread(self.noise_of(link), base, 6.0 * belief.growth, {}, 0.0)

    def weighted(self, sums: Sums, spread: Spread) -> Cells:
        weights = 1.0 / spread.total(self.cell_s2, self.source)
        return Cells(self.levels, sums.columns, sums.moments, sums.counts, weights=weights)

    def gram(self, sums: Sums, link: Link, spread: Spread, belief: Belief) -> Gram:
        centre = link.centre if link.name in LINK else 0.0
        gram = build_gram(self.weighted(sums, spread), link.terms, link.fixed)
        anchors = belief.centred(centre) if link.name in LINK else belief.anchors
        return anchored(gram, anchors)

    def known_sigma(self, gram: Gram) -> float | None:
        return 1.0 if gram.n < KNOWN_SIGMA_ROWS else None

    def fit_all(
        self, sums: Mapping[str, Sums], spreads: Mapping[str, Spread], sigmas: float
    ) -> dict[str, Fitted]:
        fits = {}
        for n, spread in spreads.items():
            gram = self.gram(sums[n], LINK[n], spread, BELIEFS[n])
            at_zero, slopes = self.fitted(LINK[n], fit_reml(gram, sigma=self.known_sigma(gram)))
            fits[n] = Fitted(at_zero, slopes, sigmas * np.sqrt(spread.total(self.cell_s2, self.source)))
        return fits

    def with_bounds(
        self, fits: Mapping[str, Fitted], spreads: Mapping[str, Spread], sigmas: float
    ) -> dict[str, Fitted]:
        return {
            n: Fitted(f.at_zero, f.slopes, sigmas * np.sqrt(spreads[n].total(self.cell_s2, self.source)))
            for n, f in fits.items()
        }

    def fitted(self, link: Link, reml: RemlFit) -> tuple[Floats, dict[str, Floats]]:
        """Fitted response per cell: value at zero covariates and slope per covariate."""
        design = reml.gram.design
        m = len(self.cells)
        where = design.columns_of(self.levels, m)
        parts = {c: np.zeros(m) for c in ("1", *link.columns)}
        random = np.append(reml.random, 0.0)
        for term, found in zip(design.terms, where, strict=True):
            parts[term.covariate] += random[found]
        for name, value in zip(design.fixed, reml.fixed, strict=True):
            parts[name] += value
        at_zero = parts.pop("1") + link.centre
        return at_zero, parts

    def spread_from_mad(self, middle: pd.DataFrame, link: Link) -> Spread:
        squares = middle.assign(m2=(MAD_TO_SD * middle["mad"]) ** 2, n=MAD_EFFICIENCY * middle["n"])
        squares.loc[middle["n"] < 4, "n"] = 0.0
        belief = BELIEFS[link.name]
        prior = (belief.base, belief.growth, SPREAD_ROWS)
        return fit_spread(squares, self.s2, noise=self.noise_of(link), scale=link.scale, prior=prior)

    def spread_from_moments(
        self,
        products: pd.DataFrame,
        link: Link,
        sums: Sums,
        old: Spread,
        kept: float,
        *,
        belief: Belief | None = None,
    ) -> Spread:
        """Spread from the mean squares of the kept residuals, degrees of freedom taken off where used."""
        believed = belief or BELIEFS[link.name]
        own = products[(products["a"] == link.name) & (products["b"] == link.name)]
        taken = self.leverage(sums, link, old, believed)
        used = [
            taken.get((str(s), int(c)), 0.0) for s, c in zip(own["source"], own["scale_class"], strict=True)
        ]
        n = own["n"].to_numpy(dtype=float)
        free = np.maximum(n - np.array(used, dtype=float), 0.15 * n)
        m2 = own["total"].to_numpy(dtype=float) / np.maximum(free, 1e-9) / kept
        squares = pd.DataFrame(
            {"source": own["source"].astype(str), "scale_class": own["scale_class"], "n": free, "m2": m2}
        )
        prior = (believed.base, believed.growth, SPREAD_ROWS)
        return fit_spread(squares, self.s2, noise=old.noise, scale=link.scale, prior=prior)

    def pair_rows(self, joint: Sums, products: pd.DataFrame) -> Floats:
        """Canonical combinations of tracking and built-in angle, from REML fits of both and of their sum."""
        if len(np.unique(self.levels["family"])) < FEWEST_FAMILIES:
            return np.eye(2)
        t, b = (_pooled(products, n, n) for n in PAIRED)
        cross = _pooled(products, *PAIRED)
        unit = np.array([[t, cross], [cross, b]])
        family = []
        link = PAIR_LINKS[0]
        for weights in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([1.0, 1.0])):
            spread = Spread(0.0, max(float(weights @ unit @ weights), 1e-6), 0.0, {}, 0.0)
            gram = self.gram(combine(joint, weights, link.name), link, spread, pair_belief(weights))
            which = [term.name for term in link.terms].index("family")
            family.append(float(fit_reml(gram, sigma=self.known_sigma(gram)).sds[which] ** 2))
        return canonical_rows(covariance_from_sums(*family), unit)

    def pair_link(
        self,
        link: Link,
        weights: Floats,
        joint: Sums,
        products: pd.DataFrame,
        kept: float,
        *,
        draws: int | None,
        seed: int,
    ) -> LinkFit:
        """Fit one combination; its residuals' products follow from those of the two angles."""
        sums, belief = combine(joint, weights, link.name), pair_belief(weights)
        parts = [
            products[(products["a"] == a) & (products["b"] == b)].reset_index(drop=True)
            for a, b in (("tracking", "tracking"), PAIRED, ("built_in", "built_in"))
        ]
        mean = [p["total"] / p["n"].clip(lower=1.0) for p in parts]
        w1, w2 = weights
        total = (w1**2 * mean[0] + 2.0 * w1 * w2 * mean[1] + w2**2 * mean[2]) * parts[1]["n"]
        own = parts[1].assign(a=link.name, b=link.name, total=total.clip(lower=0.0))
        noise = float(weights @ noise_matrix(PAIRED, dict(self.noise)) @ weights)
        rows = max(float(parts[1]["n"].sum()), 1.0)
        rough = Spread(noise, max(float(total.sum()) / rows - noise, belief.base), 0.0, {}, 0.0)
        spread = self.spread_from_moments(own, link, sums, rough, kept, belief=belief)
        return self.final(sums, link, spread, belief, None, draws=draws, seed=seed)

    def leverage(
        self, sums: Sums, link: Link, spread: Spread, belief: Belief
    ) -> dict[tuple[str, int], float]:
        """Degrees of freedom that the fit takes from each source and scale class."""
        cells = self.weighted(sums, spread)
        gram = self.gram(sums, link, spread, belief)
        reml = fit_reml(gram, sigma=self.known_sigma(gram))
        _, cov = coefficient_posterior(gram, reml.sds[None, :], np.array([reml.sigma]))
        scaled = cov[0] / reml.sigma**2
        m = len(self.cells)
        where = [*gram.design.columns_of(self.levels, m)]
        where += [np.full(m, gram.design.q + j) for j in range(gram.p)]
        index = {c: i for i, c in enumerate(cells.columns)}
        kind = [index[t.covariate] for t in gram.design.terms] + [index[c] for c in gram.design.fixed]
        trace = np.zeros(m)
        for i, ki in zip(where, kind, strict=True):
            for j, kj in zip(where, kind, strict=True):
                trace += scaled[i, j] * cells.moments[:, ki, kj] * cells.weights
        out: dict[tuple[str, int], float] = {}
        classes = self.cells["scale_class"].to_numpy(dtype=int)
        for source, klass, value in zip(self.source, classes, trace, strict=True):
            out[str(source), int(klass)] = out.get((str(source), int(klass)), 0.0) + float(value)
        return out

    def final(
        self,
        sums: Sums,
        link: Link,
        spread: Spread,
        belief: Belief,
        cut: pd.DataFrame | None,
        *,
        draws: int | None,
        seed: int,
    ) -> LinkFit:
        """Posterior of one link; ``cut`` holds its row of the cut summary, if it has one."""
        gram = self.gram(sums, link, spread, belief)
        prior, sigma = _prior(gram, link, belief), self.known_sigma(gram)
        posterior = fit_bayes(gram, prior=prior, sigma=sigma, draws=draws, seed=seed)
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


def _mean_square_scale(sums: Mapping[str, Sums], cells: pd.DataFrame) -> Floats:
    """Mean squared sag scale per class, from the sag link's sums; the edges' where a class is empty."""
    s = sums["sag"]
    j = s.columns.index("s")
    classes = cells["scale_class"].to_numpy(dtype=int)
    size = len(SAG_EDGES) + 2
    n = np.bincount(classes, s.counts, minlength=size)
    total = np.bincount(classes, s.moments[:, j, j], minlength=size)
    edges = np.array([0.2, *SAG_EDGES, 5.0, 1.5])[:size]
    mean = np.where(n > 0, total / np.maximum(n, 1.0), edges**2)
    return np.asarray(mean)


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

"""The house model: the chain of links fitted to one fleet's tallies.

The fit starts from the median absolute residual and cuts what lies beyond 3.5 standard deviations in two
passes, so that defective units do not teach the model what is normal; what was cut is counted and put back
where a quote speaks of real units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from fleet.models.bayes import (
    LogPrior,
    Posterior,
    coefficient_posterior,
    fit_bayes,
    half_t_prior,
    response_sd,
)
from fleet.models.facts import FleetFacts
from fleet.models.gram import Cells, Floats, Gram, build_gram
from fleet.models.links import (
    ANGLES,
    JUDGED,
    LINK,
    LINKS,
    PAIR_LINKS,
    PAIRED,
    SAG_EDGES,
    Link,
    noise_matrix,
)
from fleet.models.mixed import RemlFit, fit_reml
from fleet.models.pair import JOINT, canonical_rows, combine, covariance_from_sums
from fleet.models.spread import Spread, fit_spread, nearest_covariance
from fleet.models.sums import Fitted, Sums, Tallies

CUT_SIGMAS: Final = 3.5
PASSES: Final = 2
MAD_TO_SD: Final = 1.482602218505602
KEPT_VARIANCE: Final = 0.99392
"""Variance of a standard normal cut at ±3.5 (derived: 1 − 2·3.5·φ(3.5)/(2Φ(3.5) − 1))."""
MAD_EFFICIENCY: Final = 0.37
FEWEST_ROWS: Final = 3
SLOPE_PRIOR: Final = 0.2
"""Prior scale of the spread of sag over sag scale (typically 0.5) between sources, families and profiles."""


@dataclass(frozen=True)
class LinkFit:
    """One fitted link.

    Attributes
    ----------
    link : what is modelled
    cells : sums per cell, weighted
    spread : variance of the residuals
    posterior : draws of the standard deviations, coefficients in closed form
    rows, cut, cut_size : rows read, rows beyond the cut, median size of their residuals
    """

    link: Link
    cells: Cells
    spread: Spread
    posterior: Posterior
    rows: float
    cut: float
    cut_size: float

    @property
    def gram(self) -> Gram:
        """The weighted Gram matrix that was fitted."""
        return self.posterior.gram

    @cached_property
    def coefficients(self) -> tuple[Floats, Floats]:
        """Per kept draw the coefficients' mean (r, q+p) and covariance (r, q+p, q+p); response less its centre."""
        return self.posterior.coefficients()

    @cached_property
    def centre(self) -> tuple[Floats, Floats, Floats]:
        """Coefficients' mean (q+p,), covariance (q+p, q+p) and sds (terms,) averaged over the draws."""
        mean, cov = self.coefficients
        return mean.mean(axis=0), cov.mean(axis=0), np.sqrt((self.posterior.sds**2).mean(axis=0))

    @property
    def cut_share(self) -> float:
        """Share of rows beyond the cut."""
        return self.cut / self.rows if self.rows else 0.0


@dataclass(frozen=True)
class House:
    """A fitted fleet: links, facts, reading noise and how residuals go together.

    Attributes
    ----------
    links : fitted links by name; a link with too little data is missing
    facts : families, combinations and their counts
    noise : standard deviation of one reading, per reading
    correlation : correlation of the residuals of the `JUDGED` links, in their order
    turn : (2, 2) rows that turn (tracking, built-in) into the pair's two combinations
    faulty : per source (units, units beyond a cut in any judged link)
    revision : data revision of the store
    notes : one sentence per link that could not be fitted
    """

    links: Mapping[str, LinkFit]
    facts: FleetFacts
    noise: Mapping[str, float]
    correlation: Floats
    turn: Floats
    faulty: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    revision: int = 0
    notes: tuple[str, ...] = ()

    @property
    def units(self) -> float:
        """Units that taught the model."""
        return float(self.facts.combos["n"].sum()) if len(self.facts.combos) else 0.0

    def noise_covariance(self, names: tuple[str, ...] = ANGLES) -> Floats:
        """Covariance of the reading noise in the responses of ``names``."""
        return noise_matrix(names, dict(self.noise))

    def correlation_of(self, names: tuple[str, ...]) -> Floats:
        """Residual correlations among some of the judged links."""
        index = [JUDGED.index(n) for n in names]
        return np.asarray(self.correlation[np.ix_(index, index)])

    def share_faulty(self, source: str) -> float:
        """Share of units beyond a cut in any link, the source's own record pooled toward the fleet's."""
        units = sum(n for n, _ in self.faulty.values())
        bad = sum(b for _, b in self.faulty.values())
        fleet = (bad + 1.0) / (units + 20.0)
        own_units, own_bad = self.faulty.get(source, (0.0, 0.0))
        return (own_bad + 40.0 * fleet) / (own_units + 40.0)


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
    noise = dict(noise)
    cells = tallies.cells
    sums = tallies.sums()
    names = [link.name for link in LINKS if sums[link.name].counts.sum() >= FEWEST_ROWS]
    notes = tuple(
        f"{link.words}: {sums[link.name].counts.sum():.0f} sheets are too few to learn from"
        for link in LINKS
        if link.name not in names
    )
    s2 = _mean_square_scale(sums, cells)
    fitter = _Fitter(cells, s2, noise)
    spreads = {n: fitter.first_spread(sums[n], LINK[n]) for n in names}
    fits = fitter.fit_all(sums, spreads, names, np.inf)
    if robust:
        for _ in range(PASSES):
            middle = tallies.middle(fits)
            spreads = {n: fitter.spread_from_mad(middle[middle["link"] == n], LINK[n]) for n in names}
            fits = fitter.with_bounds(fits, spreads, CUT_SIGMAS)
            sums = tallies.sums(fits, names)
            fits = fitter.fit_all(sums, spreads, names, CUT_SIGMAS)
        sums = tallies.sums(fits, names)
    products = tallies.residual_products(fits)
    spreads = {n: fitter.spread_from_moments(products, LINK[n], sums[n], spreads[n], robust) for n in names}
    cut = tallies.cut_summary(fits)
    links = {n: fitter.final(sums[n], LINK[n], spreads[n], cut.loc[n], draws=draws, seed=seed) for n in names}
    turn = np.eye(2)
    if set(PAIRED) <= set(names):
        turn = fitter.pair_rows(sums[JOINT], products, spreads)
        for link, weights in zip(PAIR_LINKS, turn, strict=True):
            links[link.name] = fitter.pair_link(
                link, weights, sums[JOINT], products, spreads, robust, draws=draws, seed=seed
            )
    correlation = _correlation(products, spreads, s2)
    return House(links, facts, noise, correlation, turn, tallies.faulty(fits), revision, notes)


class _Fitter:
    """The steps of one fit, on one set of cells."""

    def __init__(self, cells: pd.DataFrame, s2: Floats, noise: Mapping[str, float]) -> None:
        self.cells, self.s2 = cells, s2
        self.levels = {
            f: cells[f].astype(str).to_numpy(dtype=object)
            for f in ("profile", "cantilever", "source", "family", "generator", "frequency", "bench")
        }
        self.source = self.levels["source"]
        self.cell_s2 = s2[cells["scale_class"].to_numpy(dtype=int)]
        self.noise = noise

    def noise_of(self, link: Link) -> float:
        return float(sum((c * self.noise[r]) ** 2 for r, c in link.reading.items()))

    def first_spread(self, sums: Sums, link: Link) -> Spread:
        """Spread before anything is known: the response's own, growing with S where the link says so."""
        total = sums.moments.sum(axis=0)
        n, y = total[0, 0], total[0, -1] / total[0, 0]
        variance = max(total[-1, -1] / n - y**2, 1e-4)
        if link.name == "sag":
            return Spread(self.noise_of(link), 0.0, 0.04, {}, 0.0)
        return Spread(self.noise_of(link), variance, 0.0, {}, 0.0)

    def weighted(self, sums: Sums, spread: Spread) -> Cells:
        weights = 1.0 / spread.total(self.cell_s2, self.source)
        return Cells(self.levels, sums.columns, sums.moments, sums.counts, weights=weights)

    def gram(self, sums: Sums, link: Link, spread: Spread) -> Gram:
        cells = self.weighted(sums, spread)
        total = sums.moments.sum(axis=0)
        fixed = [c for c in link.fixed if c in ("1", "s") or _varies(total, cells.columns.index(c))]
        return build_gram(cells, link.terms, fixed)

    def fit_all(
        self, sums: Mapping[str, Sums], spreads: Mapping[str, Spread], names: list[str], sigmas: float
    ) -> dict[str, Fitted]:
        fits = {}
        for n in names:
            reml = fit_reml(self.gram(sums[n], LINK[n], spreads[n]))
            at_zero, slopes = self.fitted(LINK[n], reml)
            bound = sigmas * np.sqrt(spreads[n].total(self.cell_s2, self.source))
            fits[n] = Fitted(at_zero, slopes, bound)
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
        small = middle["n"] < 4
        squares.loc[small, "n"] = 0.0
        if not (squares["n"] > 0.0).any():
            squares = squares.assign(n=MAD_EFFICIENCY * middle["n"])
        return fit_spread(squares, self.s2, noise=self.noise_of(link), scale=link.scale)

    def spread_from_moments(
        self,
        products: pd.DataFrame,
        link: Link,
        sums: Sums,
        old: Spread,
        robust: bool,
        *,
        noise: float | None = None,
    ) -> Spread:
        own = products[(products["a"] == link.name) & (products["b"] == link.name)]
        taken = self.leverage(sums, link, old)
        key = list(zip(own["source"].astype(str), own["scale_class"].astype(int), strict=True))
        used = np.array([taken.get(k, 0.0) for k in key])
        n = own["n"].to_numpy(dtype=float)
        free = np.maximum(n - used, 0.15 * n)
        m2 = own["total"].to_numpy(dtype=float) / np.maximum(free, 1e-9) / (KEPT_VARIANCE if robust else 1.0)
        squares = pd.DataFrame(
            {"source": own["source"].astype(str), "scale_class": own["scale_class"], "n": free, "m2": m2}
        )
        known = self.noise_of(link) if noise is None else noise
        return fit_spread(squares, self.s2, noise=known, scale=link.scale)

    def pair_rows(self, joint: Sums, products: pd.DataFrame, spreads: Mapping[str, Spread]) -> Floats:
        """The canonical combinations of tracking and built-in angle, from REML fits of both and of their sum."""
        family = []
        unit = {
            k: _pooled(products, *k) for k in (("tracking", "tracking"), ("built_in", "built_in"), PAIRED)
        }
        t, b, cross = unit.values()
        for weights in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([1.0, 1.0])):
            link = PAIR_LINKS[0]
            variance = float(weights @ np.array([[t, cross], [cross, b]]) @ weights)
            spread = Spread(0.0, max(variance, 1e-6), 0.0, {}, 0.0)
            reml = fit_reml(self.gram(combine(joint, weights, link.name), link, spread))
            which = [term.name for term in link.terms].index("family")
            family.append(float(reml.sds[which] ** 2))
        return canonical_rows(covariance_from_sums(*family), np.array([[t, cross], [cross, b]]))

    def pair_link(
        self,
        link: Link,
        weights: Floats,
        joint: Sums,
        products: pd.DataFrame,
        spreads: Mapping[str, Spread],
        robust: bool,
        *,
        draws: int | None,
        seed: int,
    ) -> LinkFit:
        """Fit one combination; its residuals' products follow from those of the two angles."""
        sums = combine(joint, weights, link.name)
        parts = [products[(products["a"] == a) & (products["b"] == b)].reset_index(drop=True)
                 for a, b in (("tracking", "tracking"), PAIRED, ("built_in", "built_in"))]  # fmt: skip
        mean = [p["total"] / p["n"].clip(lower=1.0) for p in parts]
        w1, w2 = weights
        total = (w1**2 * mean[0] + 2.0 * w1 * w2 * mean[1] + w2**2 * mean[2]) * parts[1]["n"]
        own = parts[1].assign(a=link.name, b=link.name, total=total.clip(lower=0.0))
        noise = float(weights @ noise_matrix(PAIRED, dict(self.noise)) @ weights)
        rough = Spread(noise, max(float(total.sum() / parts[1]["n"].sum()) - noise, 1e-3), 0.0, {}, 0.0)
        spread = self.spread_from_moments(own, link, sums, rough, robust, noise=noise)
        return self.final(sums, link, spread, _NO_CUT, draws=draws, seed=seed)

    def leverage(self, sums: Sums, link: Link, spread: Spread) -> dict[tuple[str, int], float]:
        """Degrees of freedom that the fit takes from each source and scale class."""
        cells = self.weighted(sums, spread)
        gram = self.gram(sums, link, spread)
        reml = fit_reml(gram)
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
        self, sums: Sums, link: Link, spread: Spread, cut: pd.Series, *, draws: int | None, seed: int
    ) -> LinkFit:
        gram = self.gram(sums, link, spread)
        posterior = fit_bayes(gram, prior=_prior(gram, link), draws=draws, seed=seed)
        return LinkFit(
            link,
            self.weighted(sums, spread),
            spread,
            posterior,
            float(cut["n"]),
            float(cut["cut"]),
            float(cut["cut_size"]),
        )


def _prior(gram: Gram, link: Link) -> LogPrior:
    """Half-t(4) on the sds, in the response's units: half its spread, or a typical spread of drag ratios.

    Weights make the residual sd of the fit about 1, so the sds come out in the response's own units.
    """
    return half_t_prior(SLOPE_PRIOR if link.name == "sag" else 0.5 * response_sd(gram))


_NO_CUT: Final = pd.Series({"n": 0.0, "cut": 0.0, "cut_size": 0.0})


def _pooled(products: pd.DataFrame, a: str, b: str) -> float:
    """Mean product of two links' residuals over the whole fleet."""
    rows = products[(products["a"] == a) & (products["b"] == b)]
    return float(rows["total"].sum() / max(rows["n"].sum(), 1.0))


def _varies(total: Floats, column: int) -> bool:
    n = total[0, 0]
    return bool(total[column, column] - total[0, column] ** 2 / max(n, 1.0) > 1e-6 * max(n, 1.0))


def _mean_square_scale(sums: Mapping[str, Sums], cells: pd.DataFrame) -> Floats:
    """Mean squared sag scale per class (from the sag link's sums), the fleet's mean where a class is empty."""
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

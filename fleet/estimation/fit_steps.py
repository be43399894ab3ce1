"""The steps that every fit of the chain takes: weigh the sums, fit a link, see how far residuals scatter."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Final

import numpy as np

from fleet.house_model.cell_sums import Fitted, Sums
from fleet.house_model.chain import FACTORS, LINK, READINGS, Link, reading_covariance
from fleet.house_model.priors import BELIEFS, SPREAD_ROWS, Prior
from fleet.house_model.variance_function import VarianceFunction, fit_variances
from fleet.rows import Columns, combinations, plain, take_rows
from fleet.statistics.bayes import coefficient_posterior
from fleet.statistics.gram import Cells, Floats, Gram, Ints, Levels, add_anchors, build_gram
from fleet.statistics.reml import RemlFit, fit_reml

MAD_TO_SD: Final = 1.482602218505602
MAD_EFFICIENCY: Final = 0.37
SPREAD_KEYS: Final = ("source", "family", "scale_class")
KNOWN_SIGMA_ROWS: Final = 15
"""Below this many rows the residual sd stays what the spreads say; it can't be learnt twice."""


Squares = tuple[Floats, Floats]
"""Per cell the kept rows of one response, and the sum of their squared residuals."""


class Fitter:
    """The steps of one fit, on one set of cells.

    Parameters
    ----------
    cells : one row a cell: the factors and ``scale_class``
    scale_s2 : mean squared sag scale of each class
    noise : standard deviation per reading
    """

    def __init__(self, cells: Columns, scale_s2: Floats, noise: Mapping[str, float]) -> None:
        self.cells, self.s2, self.noise = cells, scale_s2, noise
        self.levels = Levels({f: np.array([str(x) for x in cells[f]], dtype=object) for f in FACTORS})
        self.source, self.family = self.levels["source"], self.levels["family"]
        self.cell_s2 = self.s2[np.asarray(cells["scale_class"]).astype(int)]
        self._near: dict[str, Floats] = {}

    def total(self, spread: VarianceFunction) -> Floats:
        """Variance of the residuals of each cell's rows."""
        return spread.total(self.cell_s2, self.source, self.family)

    def noise_of(self, link: Link) -> float:
        """Variance of the reading noise in a link's response."""
        load = np.array([link.reading.get(r, 0.0) for r in READINGS])
        return float(load @ reading_covariance(self.noise) @ load)

    def first_spread(self, name: str, sums: Sums) -> VarianceFunction:
        """Spread before anything is fitted: the response's own, or what is believed."""
        link, belief = LINK[name], BELIEFS[name]
        total = sums.moments.sum(axis=0)
        n = max(total[0, 0], 1.0)
        own = total[-1, -1] / n - (total[0, -1] / n) ** 2
        wide = 6.0 * belief.variance if link.scaled else max(own, belief.variance)
        return VarianceFunction.of(self.noise_of(link), wide, scaled=link.scaled)

    def weighted(self, sums: Sums, spread: VarianceFunction) -> Cells:
        """The sums as cells, each weighted by what its rows scatter."""
        weights = 1.0 / self.total(spread)
        return Cells(self.levels, sums.columns, sums.moments, sums.counts, weights=weights)

    def gram(self, sums: Sums, link: Link, spread: VarianceFunction, belief: Prior) -> Gram:
        """Weighted Gram matrix of one link, with the anchors of what is believed."""
        centre = link.centre if link.name in LINK else 0.0
        gram = build_gram(self.weighted(sums, spread), link.terms, link.fixed)
        anchors = belief.centred(centre) if link.name in LINK else belief.anchors
        return add_anchors(gram, anchors)

    def known_sigma(self, gram: Gram) -> float | None:
        """Residual sd to take as known where rows are too few to learn it from."""
        return 1.0 if gram.n < KNOWN_SIGMA_ROWS else None

    def reml(self, gram: Gram, link: Link) -> RemlFit:
        """REML fit of one link, begun where the last one of that link ended."""
        fit = fit_reml(gram, sigma=self.known_sigma(gram), start=self._near.get(link.name))
        self._near[link.name] = fit.sds / fit.sigma
        return fit

    def fit_all(
        self, sums: Mapping[str, Sums], spreads: Mapping[str, VarianceFunction], sigmas: float
    ) -> dict[str, Fitted]:
        """REML fit of every link that has a spread: fitted values per cell, and the cut at so many sigmas."""
        fits = {}
        for n, spread in spreads.items():
            gram = self.gram(sums[n], LINK[n], spread, BELIEFS[n])
            at_zero, slopes = self.fitted(LINK[n], self.reml(gram, LINK[n]))
            fits[n] = Fitted(at_zero, slopes, sigmas * np.sqrt(self.total(spread)))
        return fits

    def with_bounds(
        self, fits: Mapping[str, Fitted], spreads: Mapping[str, VarianceFunction], sigmas: float
    ) -> dict[str, Fitted]:
        """The same fits with the cut at so many sigmas of other spreads."""
        return {
            n: Fitted(f.at_zero, f.slopes, sigmas * np.sqrt(self.total(spreads[n]))) for n, f in fits.items()
        }

    def fitted(self, link: Link, reml: RemlFit) -> tuple[Floats, dict[str, Floats]]:
        """Fitted response per cell: value at zero covariates and slope per covariate."""
        design = reml.gram.design
        m = len(self.cell_s2)
        where = design.columns_of(self.levels, m)
        parts = {c: np.zeros(m) for c in ("1", *link.columns)}
        random = np.append(reml.random, 0.0)
        for term, found in zip(design.terms, where, strict=True):
            parts[term.covariate] += random[found]
        for name, value in zip(design.fixed, reml.fixed, strict=True):
            parts[name] += value
        at_zero = parts.pop("1") + link.centre
        return at_zero, parts

    def spread_from_mad(self, middle: Columns, link: Link) -> VarianceFunction:
        """Spread from median absolute residuals, before anything is cut."""
        n, mad = (np.asarray(middle[name], dtype=np.float64) for name in ("n", "mad"))
        squares = {key: middle[key] for key in SPREAD_KEYS}
        squares |= {"m2": (MAD_TO_SD * mad) ** 2 / _mad_excess(n), "n": MAD_EFFICIENCY * n}
        return self._variances(squares, link, self.noise_of(link), BELIEFS[link.name])

    def _variances(self, squares: Columns, link: Link, noise: float, belief: Prior) -> VarianceFunction:
        prior = (belief.variance, SPREAD_ROWS)
        return fit_variances(squares, self.s2, noise=noise, scaled=link.scaled, prior=prior)

    def spread_from_moments(
        self,
        squares: Squares,
        link: Link,
        sums: Sums,
        old: VarianceFunction,
        kept: float,
        *,
        belief: Prior | None = None,
    ) -> VarianceFunction:
        """Spread from the squares of the kept residuals, degrees of freedom taken off where used."""
        believed = belief or BELIEFS[link.name]
        code, labels = self._spread_groups
        n, total, used = (
            np.bincount(code, x, minlength=len(labels["source"]))
            for x in (*squares, self.leverage(sums, link, old, believed))
        )
        free = np.maximum(n - used, 0.15 * n)
        m2 = np.maximum(total, 0.0) / np.maximum(free, 1e-9) / kept
        own = {**labels, "n": free, "m2": m2}
        return self._variances(own, link, old.noise, believed)

    @cached_property
    def _spread_groups(self) -> tuple[Ints, Columns]:
        """Which group of `SPREAD_KEYS` each cell belongs to, and the groups."""
        code, first = combinations(self.cells, SPREAD_KEYS)
        return code, take_rows(plain(self.cells), first, SPREAD_KEYS)

    def leverage(self, sums: Sums, link: Link, spread: VarianceFunction, belief: Prior) -> Floats:
        """Degrees of freedom that the fit takes from each cell."""
        cells = self.weighted(sums, spread)
        gram = self.gram(sums, link, spread, belief)
        reml = self.reml(gram, link)
        _, cov = coefficient_posterior(gram, reml.sds[None, :], np.array([reml.sigma]))
        scaled = cov[0] / reml.sigma**2
        m = len(self.cell_s2)
        where = [*gram.design.columns_of(self.levels, m)]
        where += [np.full(m, gram.design.q + j) for j in range(gram.p)]
        index = {c: i for i, c in enumerate(cells.columns)}
        kind = [index[t.covariate] for t in gram.design.terms] + [index[c] for c in gram.design.fixed]
        trace = np.zeros(m)
        for i, ki in zip(where, kind, strict=True):
            for j, kj in zip(where, kind, strict=True):
                trace += scaled[i, j] * cells.moments[:, ki, kj] * cells.weights
        return trace


def _mad_excess(n: Floats) -> Floats:
    """Squared median of n absolute normal deviates on average, over that of many (fitted to simulation)."""
    return 1.0 + 1.8 / (n + 0.5)


def residual_products(block: Sums, one: Fitted, other: Fitted, names: tuple[str, str]) -> Floats:
    """Per cell the sum of products of the residuals of two responses of one block (one, with itself)."""
    left, right = (_residual_rows(block, fit, name) for fit, name in zip((one, other), names, strict=True))
    return np.asarray(np.einsum("mi,mij,mj->m", left, block.moments, right))


def _residual_rows(block: Sums, fit: Fitted, name: str) -> Floats:
    """Per cell the row v with v · (1, covariates, responses) the residual of one response."""
    v = np.zeros((len(block.counts), len(block.columns)))
    v[:, 0] = (LINK[name].centre if name in LINK else 0.0) - fit.at_zero
    for covariate, slope in fit.slopes.items():
        v[:, block.columns.index(covariate)] = -slope
    v[:, block.columns.index(name)] = 1.0
    return v
